"""One report, one system of units and one name; its tables open in a spreadsheet."""

import csv
import json
import re
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

import lotflow
from lotflow.errors import InputError
from lotflow.inputs.job import read_job, settled
from lotflow.study.check import check_inputs
from lotflow.study.start import start_job

SAMPLE = Path(lotflow.__file__).parents[1] / "data_samples" / "alder_court"
NUMBER = r"(?<![\w.])\d[\d,.]* "
FOREIGN = {
    "us": re.compile(NUMBER + r"(?:km|mm/h|mm|cm|m³/s|m/s|m²|m³|m|l/s)\b(?! above sea)"),
    "metric": re.compile(NUMBER + r"(?:in/h|in(?! \d| the US)|ft/s|ft²|ft³|ft|gpm|cfs|mi)\b"),
}


@pytest.fixture(scope="module", params=["us", "metric"])
def written(request, tmp_path_factory):
    """A result of the sample in each system, with its folder."""
    job = read_job(SAMPLE)
    job = settled(
        job.model_copy(update={"job": job.job.model_copy(update={"units": None})}),
        name=None, units=request.param,
    )  # fmt: skip
    result = lotflow.run(job, realisations=20)
    folder = tmp_path_factory.mktemp(request.param) / "result"
    result.write(folder)
    return request.param, result, folder


def test_findings_and_answer_are_told_in_one_system(written):
    units, result, _ = written
    told = [one.message for one in result.finding_list]
    told += [text for item in result.summary["answer"] for text in _texts(item)]
    told += list(result.layers["inlets"]["catchment_told"])
    # a pipe is called as it is sold, in whichever report
    told = [re.sub(r"pvc \d+ in", "pvc", text) for text in told]
    assert [text for text in told if FOREIGN[units].search(text)] == []
    assert [text for text in told if re.search(r"(?<![\d.])0\.0+ (?:in|ft|m)\b", text)] == []


def _texts(value):
    """Every text of an entry, but for its source, which quotes what it quotes."""
    if isinstance(value, dict):
        return [text for key, one in value.items() if key != "source" for text in _texts(one)]
    if isinstance(value, list):
        return [text for one in value for text in _texts(one)]
    return [value] if isinstance(value, str) else []


def test_sheets_and_the_table_of_the_terminal_are_in_one_system(written):
    units, result, folder = written
    sheets = (folder / "runoff_sheets.txt").read_text("utf-8")
    assert not FOREIGN[units].search(sheets)
    text = re.sub(r"pvc \d+ in", "pvc", result.text)
    assert not FOREIGN[units].search(text)
    assert "How sure?" in text


def test_tables_open_in_a_spreadsheet(written):
    units, result, folder = written
    headings = {
        "low_spots": ["depth_in", "area_ft2", "volume_ft3", "depth_in_p95"],
        "inlets": ["catchment_ft2", "flow_gpm", "flow_per_1in_h_gpm", "rim_elevation_ft"],
    }
    if units == "metric":
        headings = {
            "low_spots": ["depth_m", "area_m2", "volume_m3", "depth_m_p95"],
            "inlets": ["catchment_m2", "flow_l_s", "flow_per_10mm_h_l_s", "rim_elevation_m"],
        }
    tables = {path.stem: path for path in folder.glob("*.csv")}
    assert set(tables) == {"low_spots", "inlets", "quantities", "summary"}
    for name, path in tables.items():
        assert path.read_bytes().startswith(b"\xef\xbb\xbf")
        frame = pd.read_csv(path, encoding="utf-8-sig")
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
        assert len(rows) == len(frame) > 0
        assert set(headings.get(name, ())) <= set(frame.columns)
    foot = 0.3048
    frame = pd.read_csv(tables["low_spots"], encoding="utf-8-sig")
    deep = [spot["depth_m"] for spot in result.summary["low_spots"]]
    if units == "us":
        assert frame["depth_in"].tolist() == pytest.approx([d * 12 / foot for d in deep], abs=0.003)
    else:
        assert frame["depth_m"].tolist() == pytest.approx(deep, abs=1e-4)
    frame = pd.read_csv(tables["inlets"], encoding="utf-8-sig")
    flow = [inlet["flow_per_10mm_h_m3s"] for inlet in result.summary["inlets"]]
    if units == "us":  # an inch is 25.4 mm, a gallon 231 cubic inches
        gpm = [2.54 * one * 60 / (231 * 0.0254**3) for one in flow]
        assert frame["flow_per_1in_h_gpm"].tolist() == pytest.approx(gpm, abs=0.01)
    else:
        assert frame["flow_per_10mm_h_l_s"].tolist() == pytest.approx(
            [1e3 * one for one in flow], abs=1e-3
        )


def test_machine_figures_are_si_whatever_is_read(written):
    units, _result, folder = written
    summary = json.loads((folder / "summary.json").read_text("utf-8"))
    assert summary["lot"]["area_m2"] == pytest.approx(960, abs=1)
    assert summary["provenance"]["units"]["units"] == units
    frame = pd.read_csv(folder / "summary.csv", encoding="utf-8-sig")
    area = frame[(frame["section"] == "lot") & (frame["quantity"] == "area")]
    assert area["unit"].tolist() == ["m2"]


def test_the_lot_is_called_the_same_everywhere(written):
    _, result, folder = written
    name = "14 Alder Court"
    assert set(gpd.read_file(folder / "result.gpkg", layer="lot")["name"]) == {name}
    assert result.summary["lot"]["name"] == name
    assert result.text.startswith(f"{name}:")
    assert f"<title>{name}" in (folder / "plan.html").read_text("utf-8")
    assert f"<name>{name}</name>" in (folder / "waypoints.gpx").read_text("utf-8")
    assert name in (folder / "runoff_sheets.txt").read_text("utf-8").splitlines()[0]


@pytest.fixture
def lot_file(tmp_path):
    """The lot of the sample, called as is asked, in a file of another name."""

    def make(name):
        lot = gpd.read_file(SAMPLE / "site.gpkg", layer="lot")[["geometry"]]
        path = tmp_path / "parcel 7.geojson"
        (lot if name is None else lot.assign(name=name)).to_file(path)
        return path

    return make


@pytest.mark.parametrize(
    ("given", "layer", "called"),
    [("Ours", "Theirs", "Ours"), ("", "Theirs", "Theirs"), ("", None, "parcel 7")],
)
def test_who_names_the_lot(lot_file, given, layer, called):
    """What is said, before the layer's name, before the file's."""
    result = lotflow.screen(SAMPLE / "dem.tif", lot_file(layer), name=given, realisations=0)
    assert result.summary["lot"]["name"] == called
    assert set(result.lot["name"]) == {called}
    assert repr(result).startswith(f"<lotflow result of {called}:")


def test_a_screening_without_units_says_what_it_takes_and_why(lot_file):
    """The invented lot lies at sea, 130 km off Florida: outside the US."""
    result = lotflow.screen(SAMPLE / "dem.tif", lot_file(None), realisations=0)
    assert result.summary["provenance"]["units"] == {
        "units": "metric", "because": "the lot lies outside the US",
    }  # fmt: skip
    assert " m²" in result.text


def test_start_writes_the_units_and_the_name_into_the_job(tmp_path, lot_file):
    start_job(
        tmp_path / "job", SAMPLE / "dem.tif", lot_file("Yard"), vertical_unit=None, units=None
    )
    text = (tmp_path / "job" / "job.toml").read_text("utf-8")
    assert 'units = "metric"' in text
    assert 'name = "Yard"' in text
    assert check_inputs(read_job(tmp_path / "job")).units == "metric"


def test_a_benchmark_without_a_unit_is_asked_for_one(tmp_path):
    """Nobody knows yet where the lot lies when the job is read: no unit is guessed."""
    (tmp_path / "job.toml").write_text(
        '[elevation]\nfile = "dem.tif"\n[layers]\nlot = "lot.geojson"\n'
        "[levels]\nbenchmark = 100.0\nelevation_m = 31.42\n"
    )
    with pytest.raises(InputError, match=r"benchmark of \[levels\] has no unit"):
        read_job(tmp_path / "job.toml")
