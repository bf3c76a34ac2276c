"""Trial jobs on real ground: every fact of `expected.json`, read out of the written files."""

import csv
import json
import math
import shutil
from collections import namedtuple
from functools import partial
from pathlib import Path

import geopandas as gpd
import pyogrio
import pytest
import shapely

from lotflow.advice.answer import MOST, answer, contradictions, told_twice
from lotflow.cli import main
from lotflow.findings import Finding
from lotflow.inputs.job import read_job
from lotflow.study.lot_water import read_inputs

HERE = Path(__file__).parent
JOBS = sorted(path.parent.name for path in HERE.glob("*/expected.json"))
#: Surfaces tried: only where the answer is a range.
REALISATIONS = {"alexandria-patio": 40, "alder_court": 20}
#: The sample lot, which is judged by hand in its own README.
SAMPLE = HERE.parents[1] / "data_samples" / "alder_court"

Result = namedtuple("Result", "folder summary")


def lotflow(*arguments):
    """Run a command in this process and give its exit code."""
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    return stopped.value.code


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """Results of the jobs, each made when it is first asked for."""
    made = {}

    def result(job):
        if job not in made:
            folder = tmp_path_factory.mktemp(job) / "result"
            number = REALISATIONS.get(job, 0)
            quiet = ("-q", "--no-pack", "--realisations", number)
            source = SAMPLE if job == SAMPLE.name else HERE / job
            assert lotflow("run", source, "-o", folder, *quiet) == 0
            made[job] = Result(folder, json.loads((folder / "summary.json").read_text("utf-8")))
        return made[job]

    return result


def row(result, section, name, **others):
    """The row of a section with a name."""
    found = [
        r
        for r in result.summary[section]
        if r["name"] == name and all(r[key] == value for key, value in others.items())
    ]
    assert found, (section, name)
    return found[0]


def inlet(result, name, column):
    return row(result, "inlets", name)[column]


def facade(result, side):
    """Slope of the ground at a wall of the house; negative falls toward it."""
    return row(result, "facades", f"House, {side}")["slope"]


def place_of(result, name):
    frame = gpd.read_file(result.folder / "result.gpkg", layer="inlets")
    return frame.geometry[frame["name"] == name].iloc[0]


def body(result, case, name, column):
    """The water body over an inlet in the 100-year storm of a case."""
    ponds = gpd.read_file(result.folder / "result.gpkg", layer="ponds")
    label = "case" if "case" in ponds else "scenario"
    ponds = ponds[(ponds[label] == case) & (ponds["return_period_yr"] == 100)]
    over = ponds[ponds.geometry.intersects(place_of(result, name))]
    return float(over.sort_values("depth_m").iloc[-1][column]) if len(over) else math.nan


def pond_case(result, case, column):
    found = [
        r
        for r in result.summary["pond_cases"]
        if r["case"] == case and r["return_period_yr"] == 100
    ]
    return found[0][column]


def freeboard(result, case, building):
    """Least freeboard of a building over the ponds of a case."""
    found = [
        p["freeboard_m"]
        for p in result.summary["ponds"]
        if p["case"] == case and p["return_period_yr"] == 100 and p["building"] == building
    ]
    return min(found)


def findings(result, **fields):
    """Findings whose fields are in the given lists."""
    return [
        f
        for f in result.summary["findings"]
        if all(f[key] in values for key, values in fields.items())
    ]


def count(result, **fields):
    return len(findings(result, **fields))


def says(result, **fields):
    return bool(findings(result, **fields))


def raises_nothing(result, name):
    """Whether the finding about a blocked inlet says that nothing rises."""
    found = findings(result, rule=["inlet-blocked"], subject=[name])
    return bool(found) and all(not f["measured"] for f in found)


def low_spot(result, name, column):
    """The low spot in which an inlet stands."""
    found = [s for s in result.summary["low_spots"] if name in s["inlets"].split(", ")]
    return found[0][column]


def dry(result):
    return sum(s["on_lot_m2"] > 0 for s in result.summary["low_spots"])


def headline(result, name, expected):
    """Catchment that is told: its figure, or the expected one where a told range holds it."""
    found = row(result, "inlets", name)
    low, high = found["catchment_m2_p05"], found["catchment_m2_p95"]
    told_as_range = low is not None and high >= 2 * low
    return expected if told_as_range and low <= expected <= high else found["catchment_m2"]


def limited_ponds(result, storm):
    """Ponds of a storm when inlets take no more than they can."""
    return [p for p in result.summary["ponds"]
            if p["case"] == "limited" and p["return_period_yr"] == storm]  # fmt: skip


LEVEL_RULES = ["adverse-fall", "too-little-fall", "cover", "capacity", "line-capacity"]
YARD = ["Terrace line", "Back line", "Strip line", "Terrace basin", "Strip channel",
        "Back step grate"]  # fmt: skip

FACTS = {
    "alexandria-patio": {
        "run-on-once": lambda r: r.summary["balance"]["on_m2"],
        "wall-north": partial(facade, side="north side"),
        "wall-west": partial(facade, side="west side"),
        "wall-east": partial(facade, side="east side"),
        "wall-south": partial(facade, side="south side"),
        "roof-4": partial(inlet, name="Patio basin", column="roof_connected_m2"),
        "roof-warning": partial(says, rule=["roof-areas-exceed-footprint"]),
        "side-drain-place": partial(
            inlet, name="Side drain", column="catchment_before_move_m2"
        ),
        "side-drain-headline": partial(headline, name="Side drain", expected=8),
        "old-front": partial(count, severity=["fail"], subject=["Old front pipe"]),
        "emitter": partial(says, rule=["adverse-fall"], subject=["Roof line"]),
    },
    "delft-yard": {
        **{
            f"blocked-{letter}-{what}": partial(
                body, case=f"blocked:{name}", name=name, column=f"{what}_{unit}"
            )
            for letter, name in zip("ABC", ("Terrace basin", "Strip channel", "Back step grate"),
                                    strict=True)
            for what, unit in (("level", "m"), ("area", "m2"))
        },
        **{
            f"blocked-{letter}-rise": partial(pond_case, case=f"blocked:{name}", column="rise_m")
            for letter, name in zip("ABC", ("Terrace basin", "Strip channel", "Back step grate"),
                                    strict=True)
        },
        **{
            f"finding-{letter}": partial(raises_nothing, name=name)
            for letter, name in zip("ABC", ("Terrace basin", "Strip channel", "Back step grate"),
                                    strict=True)
        },
        "all-level": partial(body, case="blocked:all", name="Terrace basin", column="level_m"),
        "all-area": partial(body, case="blocked:all", name="Terrace basin", column="area_m2"),
        "all-volume": partial(body, case="blocked:all", name="Terrace basin",
                              column="volume_m3"),
        "all-freeboard-house": partial(freeboard, case="blocked:all", building="House"),
        "C-freeboard-house": partial(
            body, case="blocked:Back step grate", name="Back step grate", column="freeboard_m"
        ),
        "door-freeboard": lambda r: row(r, "openings", "Terrace door")["freeboard_m"],
        "catch-A": partial(inlet, name="Terrace basin", column="catchment_m2"),
        "catch-B": partial(inlet, name="Strip channel", column="catchment_m2"),
        "catch-C": partial(inlet, name="Back step grate", column="catchment_m2"),
        "roof": partial(inlet, name="Terrace basin", column="roof_connected_m2"),
        "roof-warning": partial(says, rule=["roof-areas-exceed-footprint"]),
        "old-pipe": partial(count, severity=["fail"], subject=["Old pipe", "Old gully"]),
        "no-invert": partial(
            count, severity=["fail"], subject=YARD,
            rule=["adverse-fall", "cover", "too-little-fall"],
        ),
        "wall": partial(facade, side="south-east side 3"),
        # what the soakaway refuses, as a second reviewer judged it
        "full-well-back-door-10": lambda r: any(
            "Back door" in pond["touches"] for pond in limited_ponds(r, 10)
        ),
        "full-well-level-100": partial(
            body, case="limited", name="Terrace basin", column="level_m"
        ),
        "full-well-over-100": lambda r: sum(
            pond["overflow_m3"] for pond in limited_ponds(r, 100)
            if pond["low_spot"] == low_spot(r, "Terrace basin", "id")
        ),
        "full-well-hours": lambda r: max(
            f["measured"] for f in findings(r, rule=["pond-stands-too-long"])
        ),
        "wall-ne-1": partial(facade, side="north-east side 1"),
    },
    "nm-gully-lot": {
        "run-on-once": lambda r: r.summary["balance"]["on_m2"],
        "no-low-spot": dry,
        "wall-south": partial(facade, side="south side"),
        "wall-north": partial(facade, side="north side"),
        "wall-west": partial(facade, side="west side"),
    },
    "delft-court": {
        "low-depth": partial(low_spot, name="Wall gully", column="depth_m"),
        "low-area": partial(low_spot, name="Wall gully", column="area_m2"),
        "low-volume": partial(low_spot, name="Wall gully", column="volume_m3"),
        **{
            f"blocked-{letter}-{what}": partial(
                body, case=f"blocked:{name}", name=name, column=f"{what}_{unit}"
            )
            for letter, name in zip("AB", ("Wall gully", "Garden basin"), strict=True)
            for what, unit in (("level", "m"), ("area", "m2"))
        },
        "finding-A": partial(raises_nothing, name="Wall gully"),
        "finding-B": partial(raises_nothing, name="Garden basin"),
        "all-level": partial(body, case="blocked:all", name="Wall gully", column="level_m"),
        "all-area": partial(body, case="blocked:all", name="Wall gully", column="area_m2"),
        "all-freeboard-house": partial(freeboard, case="blocked:all", building="House"),
        "door-freeboard": lambda r: row(r, "openings", "Rear door")["freeboard_m"],
        "catch-A": partial(inlet, name="Wall gully", column="catchment_m2"),
        "catch-B": partial(inlet, name="Garden basin", column="catchment_m2"),
        "roof": partial(inlet, name="Wall gully", column="roof_connected_m2"),
        "wall": partial(facade, side="south-east side"),
        "slope-wall-line": lambda r: row(r, "lines", "Wall line")["slope_m_per_m"],
        "capacity-wall-line": lambda r: row(r, "lines", "Wall line")["capacity_m3s"],
        "no-fall-fail": partial(
            count, severity=["fail"], subject=["Wall line", "Garden line"],
            rule=["adverse-fall", "cover", "too-little-fall"],
        ),
        "submerged": partial(says, rule=["outlet-under-water"]),
    },
    "nm-uphill-wall": {
        "catch-A": partial(inlet, name="Wall channel", column="catchment_m2"),
        "run-on-once": lambda r: r.summary["balance"]["on_m2"],
        "no-low-spot": dry,
        "wall-south": partial(facade, side="south side"),
        "slope-wall-line": lambda r: row(r, "lines", "Wall line")["slope_m_per_m"],
        "slope-west-line": lambda r: row(r, "lines", "West line")["slope_m_per_m"],
        "capacity-west-line": lambda r: row(r, "lines", "West line")["capacity_m3s"],
        "no-line-fail": partial(
            count, severity=["fail"], subject=["Wall line", "West line", "Slope outlet"]
        ),
        # nothing stands anywhere: no rise is written
        "blocked-dry": lambda r: pond_case(r, "blocked:West basin", "rise_m") or 0.0,
        "roof": partial(inlet, name="West basin", column="roof_connected_m2"),
        "rain-place": partial(says, rule=["rainfall-elsewhere"]),
    },
}  # fmt: skip


def expectations():
    for job in JOBS:
        for fact in json.loads((HERE / job / "expected.json").read_text("utf-8")):
            if fact["id"] != "crash":  # a run of its own, below
                yield pytest.param(job, fact, id=f"{job}-{fact['id']}")


@pytest.mark.parametrize(("job", "fact"), list(expectations()))
def test_a_fact_of_a_trial_job_holds(results, job, fact):
    told = FACTS[job][fact["id"]](results(job))
    assert told is not None, fact["what"]
    assert float(told) == pytest.approx(fact["value"], abs=fact["tolerance"] + 1e-9), fact["what"]


#: What a good diagnosis names first, by the README of each job: rules and subjects of which one is
#: to stand, alone or in a group, among so many first groups.
FIRST = [
    ("alexandria-patio", 1, {"ground-too-flat-at-building: House, north side"}),
    ("alexandria-patio", 10, {"outlet-not-found: Old front pipe"}),
    ("alexandria-patio", 10, {"over-capacity: Side line", "smaller-pipe-downstream: Side line"}),
    ("alexandria-patio", 10, {"downspout-near-foundation: DS NE"}),
    ("delft-yard", 1, {"inlet-blocked: all inlets"}),
    ("delft-yard", 10, {"no-gravity-outlet: Terrace basin"}),
    ("delft-yard", 10, {"downspout-near-foundation: DS rear east"}),
    ("delft-court", 1, {"inlet-blocked: all inlets"}),
    ("nm-gully-lot", 1, {"ground-falls-to-building: House, south side"}),
    ("nm-uphill-wall", 1, {"ground-falls-to-building: House, south side"}),
]


@pytest.mark.parametrize(("job", "most", "named"), FIRST)
def test_what_matters_most_stands_among_the_first_findings(results, job, most, named):
    groups = []
    for one in results(job).summary["findings"]:
        if not one["part_of"]:
            groups.append(set())
        groups[-1].add(f"{one['rule']}: {one['subject']}")
    assert any(group & named for group in groups[:most])


#: The first three items by the README of each job, fixed before the answer was programmed: what
#: each is about, and a remedy that must be there with what it names. Where the README asks for a
#: swale or a cut at a wall that no layer shows to have room and a lower end, the answer asks. Roof
#: water that the first item leads away is not led away again: later items point to it.
TOP_THREE = {
    "alder_court": [
        ("low spot", "Garage door", "no-fill", "Garage door"),
        ("low spot", "Back door", "roof-elsewhere", "DS2"),
        ("walls", "House, east side", "neither", "House, east side"),
    ],
    "alexandria-patio": [
        ("walls", "House, north side", "neither", "House, north side"),
        ("old run", "Old patio pipe", "find-replaced", "Old front pipe"),
        ("drain capacity", "Side line", "lay", "Side line"),
    ],
    "delft-yard": [
        ("low spot", "Terrace door", "no-fill", "Terrace door"),
        ("no outlet", "Terrace basin", "as-before", "DS rear west"),
        ("walls", "House, south-east side 3", "as-before", "DS rear east"),
    ],
    "delft-court": [
        ("low spot", "Rear door", "way-out-over", "Rear door"),
        ("no outlet", "Wall gully", "flap", None),
        ("walls", "House, south-east side", "standing", "House, south-east side"),
    ],
    "nm-gully-lot": [
        ("walls", "House, south side", "swale-round", "House, south side"),
        ("run-on", "crossing 2", "keep-open", "crossing 2"),
        ("nothing else stands", "the lot", "nothing", None),
    ],
    "nm-uphill-wall": [
        ("walls", "House, south side", "pipe-away", "DS S"),
        ("inlets", "Wall channel", "contour", "Wall channel"),
        ("let out", "Slope outlet", "end-inside", "Slope outlet"),
    ],
}
#: What the READMEs say must not be said.
NOT_SAID = {
    "alder_court": ["Lawn drain takes 720 m", "Old roof line is too small"],
    "alexandria-patio": ["which end is which", "-26", "Old front pipe is too small"],
    "delft-yard": ["which end is which", "Old pipe is too small", "nothing rises"],
    "delft-court": ["too little fall", "rises the wrong way", "nothing rises"],
    "nm-gully-lot": ["20,8", " m²", "deep over"],
    "nm-uphill-wall": ["deep over", "has no fall", " m²"],
}


@pytest.fixture(scope="module")
def answers(results):
    """The answer to each job, from what was written."""
    made = {}

    def answered(job):
        if job not in made:
            folder, summary = results(job)
            path = folder / "result.gpkg"
            layers = {name: pyogrio.read_dataframe(path, layer=name)
                      for name, _ in pyogrio.list_layers(path)}  # fmt: skip
            told = [
                Finding(
                    **(f | {"rests_on": tuple(one for one in f["rests_on"].split(", ") if one)})
                )
                for f in summary["findings"]
            ]
            units = summary["provenance"]["job"]["job"]["units"]
            made[job] = answer(layers, told, summary, units), told, units
        return made[job]

    return answered


@pytest.mark.parametrize("job", list(TOP_THREE))
def test_the_first_three_items_are_the_top_three_of_the_readme(answers, job):
    items = answers(job)[0].items[:3]
    assert [(one.theme.value, one.place) for one in items] == [one[:2] for one in TOP_THREE[job]]
    for item, (_, _, what, subject) in zip(items, TOP_THREE[job], strict=True):
        named = remedies_of(item)[what]
        assert subject is None or subject in named


def remedies_of(item):
    """What the remedies of an item name, by their keys."""
    return {one.what: one.subjects for one in item.measures}


@pytest.mark.parametrize("job", list(TOP_THREE))
def test_each_failure_and_warning_is_told_of_once(answers, job):
    told, findings, _ = answers(job)
    under = [one for item in told.items for one in item.findings]
    under += [one for one, _ in told.evidence_only]
    for one in findings:
        count = sum(other is one for other in under)
        assert count == 1 or (count == 0 and one.severity == "note"), (one.rule, one.subject)
    assert all(why for _, why in told.evidence_only)


@pytest.mark.parametrize("job", list(TOP_THREE))
def test_each_item_carries_what_it_rests_on(answers, job):
    told, _, units = answers(job)
    content = told.content(units)["answer"]
    assert 3 <= len(content) <= MOST
    for item in content:
        assert all(item[key] for key in ("harm", "verdict", "grade", "evidence", "source", "check"))
        assert not item["causes"] or sum(c["share"] for c in item["causes"]) == pytest.approx(1)
        text = " ".join(value for value in item.values() if isinstance(value, str))
        assert not {"nan", "None", "nan%"} & set(text.replace(";", " ").split())


@pytest.mark.parametrize("job", list(TOP_THREE))
def test_no_item_is_told_twice(answers, job):
    items = answers(job)[0].items
    for column in ("harm", "remedy"):
        said = [getattr(one, column) for one in items if getattr(one, column)]
        assert len(said) == len(set(said))
    assert len({(one.theme, one.place) for one in items}) == len(items)


@pytest.mark.parametrize("job", list(NOT_SAID))
def test_what_the_readme_forbids_is_not_said(answers, job):
    told, _, units = answers(job)
    text = json.dumps(told.content(units)["answer"], ensure_ascii=False)
    assert not [words for words in NOT_SAID[job] if words in text]


@pytest.mark.parametrize("job", list(TOP_THREE))
def test_no_remedy_of_an_answer_speaks_against_another(answers, job):
    assert contradictions(answers(job)[0].items) == []


@pytest.mark.parametrize("job", list(TOP_THREE))
def test_no_two_items_order_the_same_for_one_thing(answers, results, job):
    """In whatever words: a line and its outlet are one thing."""
    path, ends = results(job).folder / "result.gpkg", {}
    if "drain_lines" in {name for name, _ in pyogrio.list_layers(path)}:
        lines = pyogrio.read_dataframe(path, layer="drain_lines").dropna(subset="outlet")
        ends = dict(zip(lines["name"], lines["outlet"], strict=True))
    assert told_twice(answers(job)[0].items, ends) == []


def test_the_lowest_edge_on_the_own_lot_is_named(answers, results):
    """
    0.424 m at (84933.25, 447507.75), 36 mm above where it runs over at a neighbour's: found by a
    third reviewer with a least-rim search of his own.
    """
    spots = results("delft-yard").summary["low_spots"]
    (spot,) = [one for one in spots if one["own_edge_m"] is not None]
    assert (spot["own_edge_x"], spot["own_edge_y"]) == (84933.25, 447507.75)
    assert spot["own_edge_m"] == pytest.approx(0.424, abs=0.001)
    (way,) = [
        one for one in answers("delft-yard")[0].items[0].measures if one.what == "way-out-over"
    ]
    assert way.above_m == pytest.approx(0.036, abs=0.001)
    # to 6 in below the sill at 0.30
    assert way.length_m == pytest.approx(0.424 - 0.30 + 0.1524, abs=0.001)


def test_a_step_that_stands_before_is_pointed_to(answers):
    first, outlet, walls, *_ = answers("delft-yard")[0].items
    (points,) = [one for one in outlet.measures if one.what == "as-before"]
    assert (points.subjects, points.facts["item"]) == (("DS rear west", "DS rear east"), "1")
    (points,) = [one for one in walls.measures if one.what == "as-before"]
    assert (points.subjects, points.facts["item"]) == (("DS rear east",), "1")
    assert "roof-elsewhere" in remedies_of(first)


def test_the_old_pipe_that_may_be_the_outlet_is_traced_under_it(answers):
    items = answers("delft-yard")[0].items
    assert not [one for one in items if one.theme.value == "old run"]
    outlet = item(answers, "delft-yard", "no outlet")
    assert remedies_of(outlet)["trace-first"] == ("Old pipe",)
    assert {("outlet-not-found", "Old pipe")} <= {(f.rule, f.subject) for f in outlet.findings}


def test_an_emitter_whose_line_cannot_empty_is_not_led_under_the_walk(answers):
    done = remedies_of(item(answers, "delft-yard", "let out"))
    assert done == {"if-kept": ("Lawn emitter", "Back line")}


def test_a_shallow_line_is_told_where_its_end_is_mended(answers):
    """Slope outlet ends before it: that is the one cure of its line as well."""
    items = answers("nm-uphill-wall")[0].items
    assert not [one for one in items if one.theme.value == "laying"]
    told = item(answers, "nm-uphill-wall", "let out")
    assert remedies_of(told) == {"end-inside": ("Slope outlet",)}
    assert [one.rule for one in told.findings if one.subject == "West line"] == ["cover-too-small"]


def item(answers, job, theme):
    (one,) = [one for one in answers(job)[0].items if one.theme.value == theme]
    return one


def test_the_neighbours_water_is_led_only_where_a_swale_has_room(answers):
    """
    Along its way of today nowhere: on the gully lot that runs beside the walls.

    Round the house it is, on the lots in the hills: a third reviewer walked both ways on the
    elevation grid by hand, to the gully on the own lot.
    """
    for job in TOP_THREE:
        keys = {one.what for item in answers(job)[0].items for one in item.measures}
        assert "swale" not in keys
    for job in ("alexandria-patio", "delft-court"):
        assert any("ask-run-on" in remedies_of(one) for one in answers(job)[0].items)
    for job in ("nm-uphill-wall", "nm-gully-lot"):
        first, *_ = answers(job)[0].items[0].measures
        assert first.what == "swale-round"
        assert first.subjects[0] == "House, south side"
    assert "Garage channel is to take it" in item(answers, "alexandria-patio", "walls").harm


def test_no_ground_is_filled_against_an_uphill_wall_or_above_a_sill(answers):
    fills = {"regrade", "relevel-walls", "raise", "relevel", "fill"}
    for job in TOP_THREE:
        for one in answers(job)[0].items:
            assert "of fill" not in one.takes
            assert not fills & set(remedies_of(one))
    (sill,) = [
        one for one in item(answers, "nm-uphill-wall", "walls").measures
        if one.facts.get("why") == "sill"
    ]  # fmt: skip
    assert (sill.subjects, sill.facts["sill"]) == (("House, south side",), "Cellar window")


def test_downspouts_without_ground_that_leads_away_are_piped_and_mend_nothing_yet(answers):
    """On or off the line, in a low spot, and where the ground 5 ft out falls back to a wall."""
    # its wall is the lot line: there is no ground to pipe it over
    front = "DS front (House, north-west side)"
    for job in ("delft-yard", "delft-court"):
        assert remedies_of(item(answers, job, "walls"))["no-ground"] == (front,)
    for job, names in (
        ("nm-uphill-wall", {"DS S"}), ("alexandria-patio", {"DS NE", "DS NW"}),
    ):  # fmt: skip
        walls = item(answers, job, "walls")
        assert set(remedies_of(walls)["pipe-away"]) == names
        assert not [one for one in walls.mends if "DS" in one]
    assert "DS3" not in item(answers, "alder_court", "walls").remedy


def test_what_hollows_keep_does_not_come_into_the_court(answers):
    """20 of the 326 m² beyond crossing 1 reach it in the design storm: 1 m³ of 25."""
    spot = answers("delft-court")[0].items[0]
    shares = {one.subject: one.share for one in spot.causes}
    assert shares["crossing 1"] < 0.06
    assert "undrained, a 100-year storm fills it" in spot.verdict
    # 6.30 of 11.03 l/s arrive and it carries 8.21: its outlet stands under water, and is the fault
    outlet = item(answers, "delft-court", "no outlet")
    assert "6.30 l/s against 8.21 l/s" in outlet.evidence
    assert {"flap", "pump"} == set(remedies_of(outlet))
    assert "125 mm" not in outlet.remedy


def test_roof_water_that_comes_up_in_the_yard_is_roof_water(answers):
    """5.0 m³ of the rear roof out of the basin, 3.0 of the other: a third; each by one name."""
    spot, outlet = answers("delft-yard")[0].items[:2]
    roofs = sum(one.share for one in spot.causes if one.source.value == "roof")
    assert roofs == pytest.approx(0.34, abs=0.02)
    for one, what in ((spot, "roof-elsewhere"), (outlet, "as-before")):
        assert set(remedies_of(one)[what]) == {"DS rear west", "DS rear east"}
    # one blocked does no more than the full soakaway, which leaves 0.05 m with none blocked
    assert "alone blocked" not in spot.harm
    assert "in the 100-year storm 0.05 m above the sill" in spot.harm


def test_what_no_remedy_is_shown_to_mend_is_still_there(answers):
    """The yard's roofs taken off, 8.0 m³ of the design storm remain; the court has no outlet."""
    for job, door in (("delft-yard", "Terrace door"), ("delft-court", "Rear door")):
        first = answers(job)[0].items[0]
        assert first.mends == ()
        assert door in first.left


def test_each_inlet_has_its_own_lack_of_fall(answers):
    """By outlet_options: 0.56 and 0.34 m to the manhole."""
    harm = item(answers, "delft-court", "no outlet").harm
    assert "0.56 m from Wall gully" in harm
    assert "0.34 m from Garden basin" in harm


def test_low_thresholds_at_a_wall_that_may_take_water_are_told_first(answers):
    harm = item(answers, "alexandria-patio", "walls").harm
    first = "By the data the threshold of Garage door (House, west side) lies only 1.6 in"
    assert harm.startswith(first)
    assert "sill of Basement window" in item(answers, "alder_court", "walls").evidence


def test_under_a_walk_to_a_curb_no_pipe_is_laid_deeper_or_ended_before(answers):
    for job, lines in (
        ("alder_court", {"Street line", "Lawn street line", "Front line"}),
        ("alexandria-patio", {"Side line"}),
    ):
        done = remedies_of(item(answers, job, "laying"))
        assert set(done["shallow-end"]) == lines
        assert not {"deeper", "end-before"} & set(done)


def test_each_low_spot_is_counted(answers):
    """Of the 40 of the court one is its item, 34 lie off it and 5 are likely none."""
    last = answers("delft-court")[0].items[-1].evidence
    assert "34 off the lot; 2 that are likely none" in last
    assert "3 that are likely none (under buildings" in last


def test_figures_are_those_of_the_layers(answers):
    run_on = item(answers, "nm-gully-lot", "run-on")
    # the gully comes on at crossing 5, leaves through the notch and comes on again at 2
    assert (
        "6,924 ft² at crossing 2 (all but 760 ft² of it has crossed the lot before)" in run_on.harm
    )
    told = item(answers, "nm-uphill-wall", "let out").evidence
    assert "11.1 in of cover, 11.8 in wanted; before it ends it comes 10.5 in out" in told


def test_an_open_catchment_is_told_as_its_range(answers):
    """400 m² for the side drain, without its range, would be sized for."""
    text = json.dumps(answers("alexandria-patio")[0].content("us")["answer"], ensure_ascii=False)
    assert "Side drain takes 83 ft²" not in text
    assert "Side drain takes" in text


def test_the_summary_tells_ponds_with_inlets_that_take_no_more_than_they_can(results):
    """Its soakaway full, the yard stands 0.29 m deep: not the 0.07 m of inlets without limit."""
    lines = (results("delft-yard").folder / "overview.txt").read_text("utf-8").splitlines()
    first = lines.index("Where water stands after storms") + 2
    assert "none blocked" in lines[first - 1]
    row = lines[first].split()
    assert float(row[1]) == pytest.approx(0.29, abs=0.01)
    assert row[2] == "m"


def test_a_channel_typed_in_whole_metres_on_level_ground_runs(tmp_path):
    job, quiet = HERE / "delft-yard" / "job-crash.toml", ("-q", "--no-pack", "--realisations", 0)
    assert lotflow("run", job, "-o", tmp_path / "result", *quiet) == 0
    summary = json.loads((tmp_path / "result" / "summary.json").read_text("utf-8"))
    frame = gpd.read_file(HERE / "delft-yard" / "inlets-crash.gpkg")
    drawn = set(frame["name"][frame["status"] != "replaced"])
    assert drawn == {row["name"] for row in summary["inlets"]}


# the visit


@pytest.mark.parametrize("job", [*JOBS, SAMPLE.name])
def test_every_place_of_the_field_sheet_can_be_named_in_level_notes(results, job, tmp_path):
    """Each level of the printed lists is noted by its place alone, but where the crew chooses."""
    result = results(job)
    (tmp_path / "data").symlink_to(HERE / "data")
    folder = tmp_path / job
    shutil.copytree(SAMPLE if job == SAMPLE.name else HERE / job, folder)
    layers = {
        name: gpd.read_file(result.folder / "result.gpkg", layer=name)
        for name in ("lot", "low_spots", "facades", "levels_to_take", "stakes")
        if name in pyogrio.list_layers(result.folder / "result.gpkg")[:, 0]
    }
    lot = layers["lot"].geometry.iloc[0].representative_point()
    places = result.summary["sheet_places"]
    names = {one["name"] for one in places}
    # what the sheet asks for, out of the layers of the result
    owed = {f"Low spot {number} {end}" for number in layers["low_spots"]["id"]
            for end in ("deepest", "spill")}  # fmt: skip
    walls = layers["facades"]
    for wall in walls[walls["out_x"].notna()].itertuples():
        owed |= {f"foot of {wall.name}", f"{wall.name} at wall"}
        asked = [one for one in places if one["name"].endswith(f" out from {wall.name}")]
        assert {(one["x"], one["y"]) for one in asked} == {
            (round(wall.out_x, 4), round(wall.out_y, 4))
        }
        metres = wall.length_m / wall.geometry.length
        ends = shapely.points([(wall.foot_x, wall.foot_y), (wall.out_x, wall.out_y)])
        foot, out = metres * shapely.distance(ends, wall.geometry)
        assert foot < 2.0
        assert foot + 0.9 < out < 4.2
    for level in layers.get("levels_to_take", walls[:0]).itertuples():
        owed.add(f"Level {level.rank}")
        called = [one for one in places if one["name"].endswith(level.place)]
        assert (round(level.x, 4), round(level.y, 4)) in {(one["x"], one["y"]) for one in called}
    owed |= (
        {f"Stake {number}" for number in layers["stakes"]["id"]} if "stakes" in layers else set()
    )
    assert owed <= names, owed - names
    rows = [["point", "bs_m", "is_m", "fs_m", "level_m", "place", "x", "y", "on", "counts"],
            ["BM", 1.5, "", "", 20, "", "", "", "", ""]]  # fmt: skip
    for number, one in enumerate(places):
        x, y = (lot.x, lot.y) if one["x"] is None else ("", "")
        kind = "" if one["surface_kind"] else "hard"
        rows.append([f"P{number}", "", 2, "", "", one["name"], x, y, kind, "check"])
    with (folder / "notes.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([*rows, ["BM", "", "", 1.5, "", "", "", "", "", ""]])
    with (folder / "job.toml").open("a", encoding="utf-8") as file:
        file.write(f"\n[levels]\nnotes = 'notes.csv'\nplaces = '{result.folder}'\n")
    shots = read_inputs(read_job(folder))[3].shots
    assert len(shots) == len(places) > 10
    for one, shot in zip(places, shots.to_dict("records"), strict=True):
        x, y = (lot.x, lot.y) if one["x"] is None else (one["x"], one["y"])
        assert (shot["geometry"].x, shot["geometry"].y) == pytest.approx((x, y), abs=1e-3)
        assert shot["surface_kind"] == (one["surface_kind"] or "hard")
        assert shot["subject"] == (one["subject"] or one["name"])
        assert shot["level_m"] == pytest.approx(19.5)
