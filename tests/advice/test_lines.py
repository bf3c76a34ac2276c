"""Sentences about how lines hang together, each with an example."""

import pytest

from lotflow.advice.lines import SENTENCES
from lotflow.findings import Finding

#: Finding, and what its sentence must say in metric and in US units.
TOLD = [
    (Finding("line-drawn-backwards", "warn", "L1"), ["turned round"], ["turned round"]),
    (
        Finding("loose-end", "fail", "L1", facts={"node": None}),
        ["connected to nothing", "'not found'"],
        ["connected"],
    ),
    (Finding("loose-end", "fail", "L1", facts={"node": "Bend"}), ["It ends at Bend"], ["Bend"]),
    (
        Finding(
            "line-off-its-node", "warn", "L1", facts={"end": "upper", "off_m": 5.0, "node": "Basin"}
        ),
        ["upper end is drawn 5.0 m from Basin"],
        ["16.4 ft"],
    ),
    (
        Finding("line-joins-midway", "warn", "L1", facts={"onto": "L2"}),
        ["middle of L2", "Split L2"],
        ["L2"],
    ),
    (
        Finding("lines-in-a-circle", "fail", "L1", facts={"lines": ("B", "C")}),
        ["circle: B, C."],
        ["B, C"],
    ),
    (
        Finding("lines-split", "warn", "L1", facts={"lines": ("A", "B"), "counted_in": "A"}),
        ["(A, B)", "counted in A"],
        ["A, B"],
    ),
    (
        Finding("several-outlets", "warn", "L1", facts={"outlets": ("Curb", "Pond")}),
        ["2 outlets: Curb, Pond"],
        ["2 outlets"],
    ),
    (
        Finding(
            "several-systems",
            "note",
            "L1",
            facts={"systems": ((("A", "B"), "Curb"), (("C",), "Pond"))},
        ),
        ["2 systems that are not connected: A, B to Curb; C to Pond"],
        ["2 systems"],
    ),
    (
        Finding("downspout-joins-line", "note", "L1", facts={"upper_end": "Bend"}),
        ["upper end on, Bend"],
        ["Bend"],
    ),
    (Finding("inlet-without-line", "warn", "L1"), ["Draw one"], ["Draw one"]),
    (Finding("outlet-without-line", "note", "L1"), ["No line runs to it"], ["No line"]),
    (
        Finding("item-without-price", "note", "L1", facts={"items": ("bedding", "spoil")}),
        ["bedding, spoil"],
        ["bedding"],
    ),
    (Finding("price-without-item", "note", "L1", facts={"items": ("gold",)}), ["gold"], ["gold"]),
]


@pytest.mark.parametrize(("finding", "metric", "us"), TOLD)
def test_the_sentence_says_the_numbers(is_told, finding, metric, us):
    is_told(finding, metric, us)


def test_each_sentence_has_an_example():
    assert {finding.rule for finding, _, _ in TOLD} == set(SENTENCES)
