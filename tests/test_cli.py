"""The command line from outside: what each command writes, and what it says of bad input."""

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import Affine
from rasterio.warp import Resampling, reproject, transform_bounds

from lotflow.cli import main

SAMPLES = Path(__file__).parents[1] / "data_samples"
JOB = SAMPLES / "alder_court"
DEM = JOB / "dem.tif"
SITE = JOB / "site.gpkg"
ON_LAWN = [(600050, 3300055), (600052, 3300056)]


def lotflow(*arguments):
    """Run a command in this process and give its exit code."""
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    return stopped.value.code


def contents(folder):
    """Name and bytes of every file below a folder, and the names of its folders."""
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in folder.rglob("*")
    }


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """A result of the sample, made once and only copied from."""
    folder = tmp_path_factory.mktemp("finished") / "result"
    assert lotflow("run", JOB, "-o", folder, "-q", "--realisations", 0, "--no-pack") == 0
    return folder


def test_check_judges_the_inputs_and_writes_nothing(tmp_path, capfd):
    """Its JSON stands alone on stdout as well."""
    job = shutil.copytree(JOB, tmp_path / "job")
    before = contents(job)
    assert lotflow("check", job) == 0
    assert "inlets: 5 rows from site.gpkg" in capfd.readouterr().out
    assert lotflow("check", job, "--json") == 0
    assert json.loads(capfd.readouterr().out)
    assert contents(job) == before


def test_start_makes_a_job_that_check_accepts(tmp_path, capfd):
    """The layers to draw in are there, and empty."""
    gpd.read_file(SITE, layer="lot").to_file(tmp_path / "lot.gpkg", layer="lot")
    job = tmp_path / "job"
    assert lotflow("start", job, "--elevation", DEM, "--lot", tmp_path / "lot.gpkg") == 0
    assert len(gpd.read_file(job / "site.gpkg", layer="inlets")) == 0
    assert lotflow("check", job) == 0
    before = contents(job)
    capfd.readouterr()
    assert lotflow("start", job, "--elevation", DEM, "--lot", tmp_path / "lot.gpkg") == 1
    assert "job.toml" in capfd.readouterr().err
    assert contents(job) == before


def test_check_reads_as_plain_words(capfd):
    """The job, the raster, each layer with its rows: nothing of Python's own notation."""
    assert lotflow("check", JOB) == 0
    out, _ = capfd.readouterr()
    assert out.startswith("14 Alder Court\n")
    assert "lot: 1 row from site.gpkg" in out
    assert not [mark for mark in ("{", "['", "None") if mark in out]


def test_layers_names_layers_columns_and_units(capfd):
    """The list is Markdown on stdout."""
    assert lotflow("layers") == 0
    out, err = capfd.readouterr()
    assert {"### lot", "### inlets", "### low_spots"} <= {
        line.partition(" (")[0] for line in out.splitlines()
    }
    assert "`rim_m`" in out
    assert err == ""


def test_a_raster_in_degrees_is_resampled_aloud(tmp_path, capfd):
    """The answer is that of the raster in metres, within what resampling blurs."""
    with rasterio.open(DEM) as source:
        west, south, east, north = transform_bounds(source.crs, "EPSG:4326", *source.bounds)
        size = {"width": source.width, "height": source.height}
        across, down = (east - west) / source.width, (north - south) / source.height
        transform = Affine(across, 0.0, west, 0.0, -down, north)
        profile = source.profile | size | {"crs": "EPSG:4326", "transform": transform}
        with rasterio.open(tmp_path / "degrees.tif", "w", **profile) as target:
            whole = (rasterio.band(source, 1), rasterio.band(target, 1))
            reproject(*whole, resampling=Resampling.bilinear)
            target.units = ("metre",)
    spots = []
    for raster_file in (DEM, tmp_path / "degrees.tif"):
        folder = tmp_path / raster_file.stem
        quick = ("-q", "--no-pack", "--realisations", 0)
        assert lotflow("screen", raster_file, SITE, "-o", folder, *quick) == 0
        summary = json.loads((folder / "summary.json").read_text())
        spots.append(max(spot["depth_m"] for spot in summary["low_spots"]))
    (said,) = [one for one in summary["findings"] if one["rule"] == "resampled"]
    assert said["subject"] == "degrees.tif"
    assert "UTM" in said["message"]
    assert spots[1] == pytest.approx(spots[0], abs=0.02)


# --- bad input: each maker prepares files in a folder and gives the arguments -------------------


def lot():
    return gpd.read_file(SITE, layer="lot")[["geometry"]]


def screen_with(elevation=DEM, boundary=SITE, *more):
    return ("screen", elevation, boundary, *more)


def raster(folder, *, every=1, unit="metre", values=None, **changes):
    """Screen with the sample's raster, something of it changed."""
    with rasterio.open(DEM) as source:
        data, profile = source.read(1)[::every, ::every], source.profile
        changes = {"transform": source.transform @ Affine.scale(every), **changes}
    data = data if values is None else values(data)
    shape = {"height": data.shape[0], "width": data.shape[1], "tiled": False}
    layout = {key: value for key, value in profile.items() if not key.startswith("block")}
    with rasterio.open(folder / "ground.tif", "w", **{**layout, **shape, **changes}) as target:
        target.write(data, 1)
        if unit:
            target.units = (unit,)
    return screen_with(folder / "ground.tif")


def bytes_as_raster(folder, data):
    (folder / "ground.tif").write_bytes(data)
    return screen_with(folder / "ground.tif")


def damaged(data):
    """Overwrite a stretch within the compressed elevations."""
    return data[:20000] + bytes(1000) + data[21000:]


def boundary(folder, *geometries):
    """Screen with another boundary."""
    frame = gpd.GeoDataFrame(geometry=list(geometries), crs=lot().crs)
    if geometries:
        frame.to_file(folder / "bound.gpkg", layer="lot")
    else:
        lot().iloc[:0].to_file(folder / "bound.gpkg", layer="lot")
    return screen_with(DEM, folder / "bound.gpkg")


def shifted(folder, east):
    return boundary(folder, *lot().translate(east, 0))


def bow_tie(folder):
    x, y = lot().total_bounds[:2]
    corners = [(0, 0), (20, 20), (20, 0), (0, 20)]
    return boundary(folder, shapely.Polygon([(x + east, y + north) for east, north in corners]))


def inlets(folder, *, places=ON_LAWN, **columns):
    """Screen with two inlets on the lawn."""
    frame = gpd.GeoDataFrame(columns, geometry=shapely.points(places), crs=lot().crs)
    frame.to_file(folder / "drains.gpkg", layer="inlets")
    return screen_with(DEM, SITE, "--inlets", folder / "drains.gpkg")


def job_line(folder, line):
    """Run the sample job with one more line under its first heading."""
    job = shutil.copytree(JOB, folder / "job")
    text = (job / "job.toml").read_text()
    (job / "job.toml").write_text(text.replace("[job]\n", f"[job]\n{line}\n"))
    return ("run", job)


def culvert_in_a_circle(folder):
    """Run the sample job with two culverts that feed each other."""
    job = shutil.copytree(JOB, folder / "job")
    (x0, y0), (x1, y1) = ON_LAWN
    lines = [[(x0, y0), (x1, y1)], [(x1, y1), (x0, y0)]]
    frame = gpd.GeoDataFrame(
        {"name": ["There", "Back"]}, geometry=list(map(shapely.LineString, lines)), crs=lot().crs
    )
    frame.to_file(job / "site.gpkg", layer="culverts")
    return ("run", job)


IN_HOUSE = (600051, 3300038)
FAR_AWAY = [(600050, 3300055), (600500, 3300500)]
BAD_INPUT = {
    "missing file": (lambda f: screen_with(f / "none.tif"), "none.tif", "does not exist"),
    "missing job": (lambda f: ("run", f / "nowhere"), "nowhere", "does not exist"),
    "not a raster": (lambda f: bytes_as_raster(f, b"no raster"), "ground.tif"),
    "truncated raster": (lambda f: bytes_as_raster(f, DEM.read_bytes()[:9000]), "ground.tif"),
    "damaged raster": (
        lambda f: bytes_as_raster(f, damaged(DEM.read_bytes())), "ground.tif", "again",
    ),
    "no CRS": (lambda f: raster(f, crs=None), "ground.tif", "CRS"),
    "unknown vertical unit": (lambda f: raster(f, unit=None), "ground.tif", "--vertical-unit"),
    "cells too coarse": (lambda f: raster(f, every=12), "ground.tif", "6", "5 m"),
    "lot all nodata": (
        lambda f: raster(f, values=lambda data: np.full_like(data, -9999)), "site.gpkg, layer lot",
        "no cell of the lot has an elevation", "Use elevation data",
    ),
    "lot outside": (
        lambda f: shifted(f, 5000), "bound.gpkg, layer lot", "outside", "Check the CRS",
    ),
    "lot partly outside": (
        lambda f: shifted(f, 60), "bound.gpkg, layer lot", "partly outside", "neighbouring tile",
    ),
    "lot of a few cells": (
        lambda f: boundary(f, lot().geometry[0].centroid.buffer(0.8)), "bound.gpkg, layer lot",
        "at least 20", "0.50 m (1.64 ft)",
    ),
    "ring crosses itself": (bow_tie, "bound.gpkg", "row 1", "crosses itself"),
    "empty layer": (boundary, "bound.gpkg", "layer lot", "empty", "Draw"),
    "wrong geometry type": (
        lambda f: boundary(f, lot().geometry[0].centroid), "bound.gpkg", "row 1",
        "must be a polygon",
    ),
    "rotated": (
        lambda f: raster(f, transform=Affine.translation(600000, 3300090) @ Affine.rotation(5)
                         @ Affine.scale(0.5, -0.5)), "ground.tif", "rotated",
    ),
    "name missing": (lambda f: inlets(f, name=["A", None]), "drains.gpkg", "row 2", "empty"),
    "duplicate names": (lambda f: inlets(f, name=["A", "A"]), "drains.gpkg", "row 2", "unique"),
    "inlet elsewhere": (
        lambda f: inlets(f, name=["A", "Far"], places=FAR_AWAY), "drains.gpkg, layer inlets",
        "Far", "from the lot", "m (", "ft)",
    ),
    "rim far too low": (
        lambda f: inlets(f, name=["A", "Deep"], rim_m=[31.5, 25.0]), "drains.gpkg, layer inlets",
        "Deep", "below its ground", "m (", "ft)",
    ),
    "misspelt column": (
        lambda f: inlets(f, name=["A", "B"], rimm_m=[31.5, 31.5]), "drains.gpkg", "rimm_m",
        "did you mean",
    ),
    "culverts in a circle": (
        culvert_in_a_circle, "site.gpkg, layer culverts", "There", "Back", "Draw each culvert",
    ),
    "inlet in a building": (
        lambda f: (*inlets(f, name=["A", "In"], places=[ON_LAWN[0], IN_HOUSE]),
                   "--buildings", SITE),
        "drains.gpkg, layer inlets", "In", "inside a building",
    ),
    "coarse cells in degrees": (
        lambda f: raster(f, crs="EPSG:4326", transform=Affine(1 / 3600, 0, -81, 0, -1 / 3600, 30)),
        "ground.tif", "these measure", "1 m or finer",
    ),
    "degrees declared as metres": (
        lambda f: raster(f, transform=Affine(5e-6, 0, -81, 0, -5e-6, 30)), "ground.tif",
        "these measure", "check the CRS",
    ),
    "value out of bounds": (
        lambda f: job_line(f, "coefficient = 35"), "job.toml", "line 3", "must be 1 or less",
    ),
    "misspelt key": (lambda f: job_line(f, "unts = 'us'"), "job.toml", "line 3", "unts", "'units'"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD_INPUT)
def test_bad_input_gives_one_message_and_leaves_the_old_result(case, tmp_path, finished, capfd):
    """Exit 1, place and remedy named, nothing on stdout, no file made, replaced or changed."""
    make, *words = BAD_INPUT[case]
    arguments = make(tmp_path)
    old = shutil.copytree(finished, tmp_path / "old")
    before = contents(tmp_path)
    assert lotflow(*arguments, "-o", old, "--overwrite") == 1
    out, err = capfd.readouterr()
    assert out == ""
    assert len(re.findall(r"^lotflow: ", err, re.MULTILINE)) == 1, err
    assert "Traceback" not in err
    assert "fault of the program" not in err
    assert [word for word in words if word.lower() not in err.lower()] == [], err
    assert lotflow(*arguments, "-o", tmp_path / "new") == 1
    assert contents(tmp_path) == before


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("screen", DEM), "LOT"),
        (("screen", DEM, SITE), "--output"),
        (("screen", DEM, SITE, "--vertical-unit", "yard"), "us-ft"),
        (("screen", DEM, SITE, "--coefficient", "3"), "--coefficient"),
        (("screen", DEM, SITE, "--intensity", "4in/h"), "--coefficient"),
        (("screen", DEM, SITE, "--realisations", "-1"), "--realisations"),
        (("rum", JOB), "rum"),
    ],
)
def test_wrong_usage_exits_with_two_and_names_the_option(arguments, words, tmp_path, capfd):
    """Distinct from bad files, which exit with 1."""
    given = arguments if "--output" in words else (*arguments, "-o", tmp_path / "result")
    assert lotflow(*given) == 2
    out, err = capfd.readouterr()
    assert out == ""
    assert words in err
    assert contents(tmp_path) == {}


def test_output_below_a_missing_folder_is_refused(tmp_path, capfd):
    """A misspelt path does not grow a tree of folders."""
    assert lotflow("run", JOB, "-o", tmp_path / "nowhere" / "result") == 1
    assert "nowhere" in capfd.readouterr().err
    assert contents(tmp_path) == {}


def test_another_package_called_richdem_is_recognised(tmp_path):
    """Without fill-spill-merge the program says which package it needs, and writes nothing."""
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "richdem.py").write_text("rdarray = object\n")
    (tmp_path / "other" / "_richdem.py").write_text("depression_hierarchy = None\n")
    command = (
        f"import sys; sys.path.insert(0, {str(tmp_path / 'other')!r}); "
        "from lotflow.cli import main; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", command, "screen", DEM, SITE, "-o", tmp_path / "result"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert done.stdout == ""
    assert "fill_spill_merge" in done.stderr
    assert "richdem2" in done.stderr
    assert "fault of the program" not in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "result").exists()
