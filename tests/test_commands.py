"""Every command through its entry point: exit code, message, files."""

import json
import os
import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import Affine

from lotflow.cli import main

SAMPLES = Path(__file__).parents[1] / "data_samples"
DEM = SAMPLES / "alder_court" / "dem.tif"
SITE = SAMPLES / "alder_court" / "site.gpkg"


def lotflow(*arguments):
    """Run a command and give its exit code."""
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    return stopped.value.code


@pytest.fixture
def lot():
    return gpd.read_file(SITE, layer="lot")


@pytest.fixture
def dem():
    with rasterio.open(DEM) as source:
        return source.read(1), source.profile


def write_raster(path, values, profile, unit="metre", **changes):
    """Write a raster like the sample's, with something changed."""
    with rasterio.open(path, "w", **{**profile, **changes, "height": values.shape[0],
                                     "width": values.shape[1]}) as target:  # fmt: skip
        target.write(values, 1)
        if unit:
            target.units = (unit,)
    return path


def test_demo_writes_the_job_and_its_whole_result(tmp_path, capfd):
    """The sample runs, every file of the manifest is there, and the balance closes."""
    assert lotflow("demo", tmp_path / "demo") == 0
    result = tmp_path / "demo" / "result"
    summary = json.loads((result / "summary.json").read_text())
    assert summary["state"] == "complete"
    assert {path.name for path in result.iterdir()} == {*summary["files"], "summary.json"}
    assert summary["balance"]["residual_m2"] == 0
    assert len(summary["low_spots"]) >= 3
    assert len(gpd.read_file(result / "result.gpkg", layer="inlets")) == 4
    out, err = capfd.readouterr()
    assert "Call before you dig" in out
    assert err == ""
    assert lotflow("demo", tmp_path / "demo") == 1  # nothing is overwritten unasked
    assert lotflow("run", tmp_path / "demo", "--overwrite", "-q") == 0


def test_metres_and_feet_give_the_same_answer(tmp_path):
    """The job in metres and the same job in US survey feet agree."""
    found = {}
    for name in ("alder_court", "alder_court_us"):
        assert lotflow("run", SAMPLES / name, "-o", tmp_path / name, "-q") == 0
        found[name] = json.loads((tmp_path / name / "summary.json").read_text())
    metric, us = found.values()
    for key in ("catchment_m2", "on_lot_m2"):
        assert [inlet[key] for inlet in metric["inlets"]] == pytest.approx(
            [inlet[key] for inlet in us["inlets"]], rel=1e-4
        )
    assert [spot["depth_m"] for spot in metric["low_spots"]] == pytest.approx(
        [spot["depth_m"] for spot in us["low_spots"]], abs=2e-4
    )


def test_screen_needs_two_files_and_prints_json_alone(tmp_path, capfd):
    """`--json` leaves nothing else on stdout."""
    code = lotflow("screen", DEM, SITE, "-o", tmp_path / "r", "--json", "--no-pack",
                   "--realisations", 0)  # fmt: skip
    assert code == 0
    summary = json.loads(capfd.readouterr().out)
    assert summary["lot"]["area_m2"] == pytest.approx(960, rel=0.01)
    assert summary["schema_version"] == "1"
    assert summary["inlets"] == []


def test_same_inputs_give_the_same_bytes(tmp_path):
    """A rerun in another folder is identical, file by file."""
    for name in ("a", "b"):
        assert lotflow("screen", DEM, SITE, "-o", tmp_path / name, "-q") == 0
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes(), path.name


def test_intensity_and_coefficient_give_flows(tmp_path, capfd):
    """Q = C i A: 100 mm/h on C 0.5."""
    inlets = gpd.read_file(SITE, layer="inlets")[["name", "geometry"]]
    inlets.to_file(tmp_path / "inlets.geojson")
    given = ("--inlets", tmp_path / "inlets.geojson", "--coefficient", 0.5)
    code = lotflow(
        "screen", DEM, SITE, "-o", tmp_path / "r", *given, "--intensity", "100mm/h", "--json"
    )
    assert code == 0
    for row in json.loads(capfd.readouterr().out)["runoff"]:
        assert row["flow_m3s"] == pytest.approx(0.5 * 0.1 / 3600 * row["area_m2"], abs=2e-9)
    assert lotflow("screen", DEM, SITE, "-o", tmp_path / "s", "--intensity", "4in/h") == 2
    capfd.readouterr()
    given = ("--inlets", tmp_path / "inlets.geojson", "--coefficient", 0)
    assert lotflow("screen", DEM, SITE, "-o", tmp_path / "t", *given, "--json") == 0
    nothing = json.loads(capfd.readouterr().out)
    assert [inlet["runoff_coefficient"] for inlet in nothing["inlets"]] == [0.0] * 4
    assert nothing["provenance"]["use_covers"] is False


def test_start_makes_a_job_that_can_be_checked_and_run(tmp_path, lot, capfd):
    """The job file and empty layers are ready to draw in; nothing there is replaced."""
    lot.to_file(tmp_path / "lot.gpkg", layer="lot")
    shutil.copy(DEM, tmp_path / "dem.tif")
    job = tmp_path / "job"
    arguments = ("start", job, "--elevation", tmp_path / "dem.tif", "--lot", tmp_path / "lot.gpkg",
                 "--vertical-unit", "m")  # fmt: skip
    assert lotflow(*arguments) == 0
    assert 'vertical_unit = "m"' in (job / "job.toml").read_text()
    assert lotflow("check", job) == 0
    assert lotflow("run", job, "-q") == 0
    capfd.readouterr()
    assert lotflow(*arguments) == 1
    assert "already holds job.toml" in capfd.readouterr().err


def test_layers_are_explained(capsys):
    """Every layer is listed."""
    assert lotflow("layers") == 0
    assert "### drain_lines" in capsys.readouterr().out


def _moved(lot, tmp_path, by):
    lot.assign(geometry=lot.translate(by, 0)).to_file(tmp_path / "lot.gpkg", layer="lot")
    return DEM, tmp_path / "lot.gpkg"


def _bad_lot(geometry, lot, tmp_path):
    gpd.GeoDataFrame(geometry=geometry, crs=lot.crs).to_file(tmp_path / "lot.gpkg", layer="lot")
    return DEM, tmp_path / "lot.gpkg"


def _raster(tmp_path, dem, **changes):
    values, profile = dem
    unit = changes.pop("unit", "metre")
    return write_raster(tmp_path / "bad.tif", changes.pop("values", values), profile, unit,
                        **changes), SITE  # fmt: skip


def _text(tmp_path, text):
    (tmp_path / "bad.tif").write_bytes(text)
    return tmp_path / "bad.tif", SITE


BOW = shapely.Polygon([(0, 0), (30, 30), (30, 0), (0, 30)])
CASES = {
    "missing file": (lambda t, lot, dem: (t / "no.tif", SITE), "does not exist"),
    "not a raster": (lambda t, lot, dem: _text(t, b"hello"), "bad.tif"),
    "truncated": (lambda t, lot, dem: _text(t, DEM.read_bytes()[:9000]), "bad.tif"),
    "no crs": (lambda t, lot, dem: _raster(t, dem, crs=None), "CRS"),
    "unknown unit": (lambda t, lot, dem: _raster(t, dem, unit=None), "--vertical-unit"),
    "rotated": (
        lambda t, lot, dem: _raster(t, dem, transform=dem[1]["transform"] @ Affine.rotation(5)),
        "rotated",
    ),
    "too coarse": (
        lambda t, lot, dem: _raster(
            t, dem, values=dem[0][::12, ::12],
            transform=dem[1]["transform"] @ Affine.scale(12), tiled=False, blockxsize=None,
            blockysize=None,
        ),
        "6",
    ),
    "all nodata": (
        lambda t, lot, dem: _raster(t, dem, values=np.full_like(dem[0], -9999), nodata=-9999),
        "nodata|no elevation|values",
    ),
    "lot outside": (lambda t, lot, dem: _moved(lot, t, 5000), "outside the elevation data"),
    "lot partly outside": (lambda t, lot, dem: _moved(lot, t, 50), "partly outside"),
    "tiny lot": (
        lambda t, lot, dem: _bad_lot([lot.geometry[0].centroid.buffer(0.8)], lot, t), "at least 20",
    ),
    "lot crosses itself": (
        lambda t, lot, dem: _bad_lot(
            [shapely.transform(BOW, lambda p: p + lot.total_bounds[:2])], lot, t
        ),
        "crosses itself",
    ),
    "lot is a point": (
        lambda t, lot, dem: _bad_lot([lot.geometry[0].centroid], lot, t), "must be a polygon",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_bad_screening_input_is_one_clear_message_and_writes_nothing(
    case, tmp_path, lot, dem, capfd
):
    """Exit 1, the file or layer and the rule are named, no folder appears."""
    make, message = CASES[case]
    elevation, boundary = make(tmp_path, lot, dem)
    assert lotflow("screen", elevation, boundary, "-o", tmp_path / "result") == 1
    out, err = capfd.readouterr()
    assert out == ""
    assert any(part in err for part in message.split("|")), err
    assert "fault of the program" not in err
    assert not (tmp_path / "result").exists()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"name": ["A", "A"]}, "unique"),
        ({"name": ["A", None]}, "must not be empty"),
        ({"name": ["A", "B"], "diameter": [1, 2], "rim_n": [31, 31]}, "did you mean"),
        ({"name": ["A", "B"], "rim_m": [3.0, 31.0]}, "below its ground"),
        ({"name": ["A", "B"], "geometry": shapely.points([[0, 0], [1, 1]])}, "from the lot"),
    ],
)
def test_bad_inlets_are_named_and_an_old_result_stays(change, message, tmp_path, lot, capfd):
    """Duplicate, unnamed, misspelt, too low, far away: the old result is untouched."""
    place = lot.geometry[0].centroid
    points = {"geometry": shapely.points([[place.x, place.y - 14], [place.x + 2, place.y - 14]])}
    frame = gpd.GeoDataFrame({**points, **change}, crs=lot.crs)
    frame.to_file(tmp_path / "inlets.gpkg", layer="inlets")
    result = tmp_path / "result"
    assert lotflow("screen", DEM, SITE, "-o", result, "-q") == 0
    before = {path.name: path.read_bytes() for path in result.iterdir()}
    code = lotflow("screen", DEM, SITE, "--inlets", tmp_path / "inlets.gpkg", "-o", result,
                   "--overwrite")  # fmt: skip
    assert code == 1
    assert message in capfd.readouterr().err.lower()
    assert {path.name: path.read_bytes() for path in result.iterdir()} == before


def test_interrupt_leaves_nothing(tmp_path, monkeypatch, capfd):
    """Ctrl-C in the middle: exit 130, no result."""
    monkeypatch.setattr("lotflow.study.run_study", lambda *_, **__: (_ for _ in ()).throw(
        KeyboardInterrupt))  # fmt: skip
    assert lotflow("screen", DEM, SITE, "-o", tmp_path / "result") == 130
    assert "nothing was written" in capfd.readouterr().err
    assert not (tmp_path / "result").exists()


def test_folder_without_parent_and_existing_result_are_refused(tmp_path, capfd):
    """The place of a result is judged before anything is computed."""
    assert lotflow("screen", DEM, SITE, "-o", tmp_path / "no" / "result") == 1
    assert "does not exist" in capfd.readouterr().err
    assert lotflow("screen", DEM, SITE, "-o", tmp_path / "r", "-q") == 0
    assert lotflow("screen", DEM, SITE, "-o", tmp_path / "r", "-q") == 1
    assert "--overwrite" in capfd.readouterr().err


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_folder_that_cannot_be_written_is_refused(tmp_path, capfd):
    """No permission: said at once."""
    (tmp_path / "shut").mkdir(mode=0o500)
    assert lotflow("screen", DEM, SITE, "-o", tmp_path / "shut" / "r") == 1
    assert "ermission" in capfd.readouterr().err


@pytest.mark.parametrize(
    ("line", "message"),
    [("unts = 'us'", "Did you mean 'units'?"), ("coefficient = 35", "must be 1 or less")],
)
def test_faults_of_a_job_file_name_key_and_line(line, message, tmp_path, capfd):
    """A misspelt key and a value out of bounds."""
    job = tmp_path / "job"
    shutil.copytree(SAMPLES / "alder_court", job)
    text = (job / "job.toml").read_text().replace("[job]", f"[job]\n{line}")
    (job / "job.toml").write_text(text)
    assert lotflow("check", job) == 1
    err = capfd.readouterr().err
    assert message in err
    assert "line" in err
