"""Results read again: what is whole is read, and each way to be broken has its message."""

import json
import re
import shutil
import sqlite3

import geopandas as gpd
import pytest
import shapely

from lotflow.errors import InputError
from lotflow.inputs.results import VERSIONS, read_result, result_folder
from lotflow.outputs.geopackage import geopackage_file
from lotflow.outputs.manifest import content_of_summary, has_content
from lotflow.outputs.result_set import write_result_set
from lotflow.outputs.summary import SCHEMA_VERSION, summary_content


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A result with no more than a lot and a low spot."""
    folder = tmp_path_factory.mktemp("made") / "result"
    square = shapely.box(0, 0, 30, 30)
    layers = {
        "lot": gpd.GeoDataFrame({"name": ["A"], "area_m2": [900.0]}, geometry=[square],
                                crs="EPSG:26917"),
    }  # fmt: skip
    content = summary_content(
        layers,
        balance={"lot_m2": 900.0},
        provenance={"job": {"job": {"units": "us"}}, "elevation": {"files": [{"sha256": "a"}]}},
        accuracy={"rmse_m": 0.1, "cell_m": 0.5},
    )
    files = [geopackage_file("result.gpkg", layers, metadata={"run_id": "1"})]
    return write_result_set(folder, files, content)


@pytest.fixture
def copy(made, tmp_path):
    return shutil.copytree(made, tmp_path / "result")


def rewritten(folder, **changes):
    """Change the summary as somebody would who knows what it says of itself."""
    path = folder / "summary.json"
    summary = json.loads(path.read_text()) | changes
    said = {key: value for key, value in summary.items() if value is not ...}
    said["contents"] = {**said["contents"], "summary.json": content_of_summary(said)}
    path.write_text(json.dumps(said))
    return folder


def refused(folder, *words):
    with pytest.raises(InputError) as caught:
        read_result(folder)
    message = str(caught.value)
    for word in words:
        assert re.search(word, message), message
    return message


def test_it_is_read_with_every_column_of_the_schema(made):
    result = read_result(made)
    assert (result.name, result.units) == ("A", "us")
    assert result.accuracy["rmse_m"] == 0.1
    assert result.balance["lot_m2"] == 900.0
    assert result.options["elevation sha256"] == "a"
    assert len(result.tables["ponds"]) == 0
    assert "depth_m" in result.tables["ponds"]
    assert "spill_elevation_m" in result.tables["low_spots"]
    assert result.layers["lot"].geometry.area.tolist() == [900.0]


def test_the_version_that_is_written_is_read():
    assert SCHEMA_VERSION in VERSIONS


def test_a_job_folder_stands_for_the_result_in_it(made):
    assert result_folder(made.parent) == made
    assert read_result(made.parent).name == "A"


def test_a_folder_without_a_result_and_what_is_no_folder(made, tmp_path):
    refused(tmp_path, re.escape(str(tmp_path)), "holds no result", "lotflow run")
    refused(made / "result.gpkg", "this is a file, not the folder", "Name its folder")
    refused(tmp_path / "nowhere" / "else", "does not exist")
    refused("https://example.com/result", "must be a file on this machine|does not exist")


def test_a_missing_and_a_changed_file(copy):
    database = copy / "result.gpkg"
    whole = database.read_bytes()
    database.unlink()
    refused(copy, "result.gpkg", "does not exist")
    database.write_bytes(whole[:-4096])
    refused(copy, "result.gpkg", "not the one the run has written", "Run the job again")


def test_a_viewer_may_change_bytes_but_nobody_a_row(copy):
    with sqlite3.connect(copy / "result.gpkg") as database:
        database.execute("VACUUM")
        database.execute("PRAGMA user_version = 10201")
    database.close()
    refused(copy, "not the one the run has written")
    assert read_result(copy, same_content=has_content).name == "A"
    with sqlite3.connect(copy / "result.gpkg") as database:
        database.execute("UPDATE gpkg_contents SET identifier = 'x' WHERE table_name = 'lot'")
    database.close()
    with pytest.raises(InputError, match="not the one the run has written"):
        read_result(copy, same_content=has_content)


def test_a_summary_that_is_none_of_a_whole_result(copy):
    refused(rewritten(copy, schema_version="2"), "schema version '2'; this program reads 1",
            "Run the job again with this version")  # fmt: skip
    refused(rewritten(copy, schema_version="1", state="being replaced"), "incomplete", "Run it")
    refused(rewritten(copy, state="complete", comparison={}), "a comparison, not a result")
    (copy / "summary.json").write_text('{"schema_version": "1", "state": NaN}')
    refused(copy, "NaN is no number")
    (copy / "summary.json").write_text("[" * 100_000)
    refused(copy, "could not be read")
    (copy / "summary.json").write_text("[]")
    refused(copy, "not the summary of a result")


def test_a_summary_that_was_changed_by_hand(copy):
    text = (copy / "summary.json").read_text()
    (copy / "summary.json").write_text(text.replace("900.0", "901.0"))
    refused(copy, "not the one the run has written")


@pytest.mark.parametrize(
    ("key", "value", "told"),
    [
        ("ponds", {"a": 1}, "layer ponds: this is not a list"),
        ("ponds", [1], "layer ponds: this is not a list"),
        ("ponds", [{"depth_m": "deep"}], "layer ponds, row 1, depth_m = 'deep': this is no number"),
        ("ponds", [{"depth_m": True}], "row 1, depth_m = True"),
        ("ponds", [{"depth_m": [1]}], "this is no number"),
        ("findings", [{"rule": 5}], "row 1, rule = 5"),
        ("findings", [{"today": "no"}], "row 1, today = 'no'"),
        ("answer", [{"rank": "first"}], "layer answer, row 1, rank"),
        ("accuracy", [1], "layer accuracy: this is not a set of keys"),
        ("files", {}, "names no result.gpkg"),
    ],
)
def test_values_of_another_kind_are_named(copy, key, value, told):
    refused(rewritten(copy, **{key: value}), re.escape(told))


def test_keys_that_are_missing_or_unknown_do_no_harm(copy):
    result = read_result(rewritten(copy, ponds=None, tomorrow=[{"a": 1}], answer=[{"harm": "x"}]))
    assert len(result.tables["ponds"]) == 0
    assert result.tables["answer"]["harm"].tolist() == ["x"]


def test_text_is_cleaned(copy):
    evil = "House\u202e\x1b[31m"
    result = read_result(rewritten(copy, findings=[{"rule": "low-spot", "subject": evil}]))
    assert result.tables["findings"]["subject"].tolist() == ["House[31m"]
