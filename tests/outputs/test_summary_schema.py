"""The schema of the summary, against real summaries and by an independent validator."""

import copy
import json
from pathlib import Path

import jsonschema
import pytest

import lotflow
from lotflow.outputs.summary import CONTRACT
from lotflow.outputs.summary_schema import summary_schema

TOP = Path(__file__).parents[2]
PAGE = TOP / "docs" / "summary.schema.json"


@pytest.fixture(scope="module")
def sample_summary(tmp_path_factory):
    """Of the sample job, as it was written."""
    folder = tmp_path_factory.mktemp("sample") / "result"
    job = TOP / "data_samples" / "alder_court"
    lotflow.run(job, realisations=0).write(folder, pack=False)
    return json.loads((folder / "summary.json").read_text("utf-8"))


def test_it_is_a_schema_of_the_draft_it_names_and_the_one_in_docs():
    jsonschema.Draft202012Validator.check_schema(summary_schema())
    assert json.loads(PAGE.read_text("utf-8")) == summary_schema()


def test_a_whole_result_fits(sample_summary):
    jsonschema.validate(sample_summary, summary_schema())
    described = summary_schema()["properties"]
    for name in CONTRACT:
        for entry in sample_summary[name]:
            assert set(CONTRACT[name]) <= set(entry)
            unknown = set(entry) - set(described[name]["items"]["properties"])
            assert not unknown or name in ("lines", "confidence", "lot_line_crossings"), unknown


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        (lambda content: content.pop("low_spots"), "low_spots"),
        (lambda content: content["low_spots"][0].pop("depth_m"), "depth_m"),
        (lambda content: content["inlets"][0].update(catchment_m2="12 m2"), "12 m2"),
        (lambda content: content.update(state="nearly"), "nearly"),
        (lambda content: content.update(schema_version="0"), "'1' was expected"),
    ],
)
def test_what_does_not_fit_is_refused(sample_summary, change, fault):
    content = copy.deepcopy(sample_summary)
    change(content)
    with pytest.raises(jsonschema.ValidationError, match=fault):
        jsonschema.validate(content, summary_schema())
