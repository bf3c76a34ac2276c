"""
Lies that a person tells unawares, through `lotflow check`: each is noticed, named, or refused.

A small invented site of 40 by 40 m is right in all; every case makes one thing of it wrong. The
facts are asserted: exit code, rule, severity, and of refusals the words that name the cause.
"""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine

from lotflow.cli import main
from lotflow.inputs.site_checks import LEVEL_RULES
from lotflow.layers import SITE_LAYERS
from lotflow.rainfall import greatest_depth_m

FOOT = 0.3048
EPSG = 32617
WEST, NORTH, CELL, CELLS = 600_000.0, 3_300_000.0, 0.5, 120
SHARED = Path(__file__).parents[1] / "data_samples"
RAIN = (
    "depth_mm, 2 yr, 10 yr, 100 yr\n5 min, 8, 11, 15\n15 min, 17, 24, 33\n1 h, 29, 44, 66\n"
    "6 h, 41, 61, 95\n24 h, 60, 89, 138\n"
)


def ground(seed: int = 0) -> np.ndarray:
    """Invented ground at about 31 m that falls 2 % to the south, with the noise of a survey."""
    row, column = np.mgrid[0:CELLS, 0:CELLS]
    noise = np.random.default_rng(seed).normal(0, 0.015, row.shape)
    return 31.5 - 0.010 * row - 0.002 * column + 0.15 * np.sin(row / 9) * np.cos(column / 7) + noise


def at(east: float, south: float) -> tuple[float, float]:
    return WEST + east, NORTH - south


def box(west: float, north: float, east: float, south: float) -> shapely.Polygon:
    return shapely.box(*at(west, south), *at(east, north))


def layers() -> dict[str, gpd.GeoDataFrame]:
    """A lot with a house, a grate, a line to an outlet, and a door; levels that fit the ground."""
    level = ground()

    def height(east: float, south: float) -> float:
        return float(level[int(south / CELL), int(east / CELL)])

    basin, mouth = (30.0, 35.0), (40.0, 48.0)
    tables = {
        "lot": {"name": ["Lot"], "geometry": [box(10, 10, 50, 50)]},
        "buildings": {"name": ["House"], "threshold_m": [height(24, 26) + 0.2],
                      "geometry": [box(20, 15, 34, 25)]},
        "inlets": {"name": ["CB"], "rim_m": [height(*basin)],
                   "geometry": [shapely.Point(at(*basin))]},
        "outlets": {"name": ["Mouth"], "kind": ["daylight"], "invert_m": [height(*mouth) - 0.2],
                    "water_level_m": [height(*mouth) - 0.5],
                    "geometry": [shapely.Point(at(*mouth))]},
        "drain_lines": {"name": ["Line"], "from_node": ["CB"], "to_node": ["Mouth"],
                        "invert_up_m": [height(*basin) - 0.5],
                        "invert_down_m": [height(*mouth) - 0.2],
                        "geometry": [shapely.LineString([at(*basin), at(*mouth)])]},
        "openings": {"name": ["Door"], "kind": ["door"], "sill_m": [height(27, 26) + 0.15],
                     "geometry": [shapely.Point(at(27, 25))]},
    }  # fmt: skip
    return {name: gpd.GeoDataFrame(table, crs=EPSG) for name, table in tables.items()}


@dataclass
class Job:
    """A job folder of which one thing is to be made wrong."""

    folder: Path

    def raster(self, values: np.ndarray | None = None, **stored: object) -> None:
        profile = {
            "driver": "GTiff", "count": 1, "height": CELLS, "width": CELLS, "dtype": "float32",
            "crs": f"EPSG:{EPSG}", "transform": Affine(CELL, 0, WEST, 0, -CELL, NORTH),
            "compress": "deflate", **stored,
        }  # fmt: skip
        scale = profile.pop("scale", None)
        with rasterio.open(self.folder / "dem.tif", "w", **profile) as target:
            target.write((ground() if values is None else values).astype(profile["dtype"]), 1)
            target.units = ("metre",)
            if scale is not None:
                target.scales = (scale,)

    def grid_text(self, *, comma: bool = False, corner: str = "corner") -> None:
        """The ground as an ASCII grid instead of a GeoTIFF."""
        south = NORTH - CELLS * CELL
        head = (f"ncols {CELLS}\nnrows {CELLS}\nxll{corner.split('/', maxsplit=1)[0]} {WEST}\n"
                f"yll{corner.rsplit('/', maxsplit=1)[-1]} {south}\ncellsize {CELL}\n")  # fmt: skip
        rows = [" ".join(f"{value:.3f}" for value in row) for row in ground()]
        text = head + "\n".join(rows) + "\n"
        (self.folder / "dem.asc").write_text(text.replace(".", ",") if comma else text)
        (self.folder / "dem.prj").write_text(rasterio.crs.CRS.from_epsg(EPSG).to_wkt())
        self.toml('file = "dem.tif"', 'file = "dem.asc"\nvertical_unit = "m"')

    def toml(self, old: str, new: str) -> None:
        path = self.folder / "job.toml"
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new))

    def rain(self, text: str | bytes) -> None:
        data = text.encode() if isinstance(text, str) else text
        (self.folder / "rain.csv").write_bytes(data)

    def cell(self, layer: str, column: str, change: Callable[[float], float]) -> None:
        path = self.folder / "site.gpkg"
        frame = gpd.read_file(path, layer=layer)
        frame[column] = [change(value) for value in frame[column]]
        frame.to_file(path, layer=layer)

    def shapes(self, layer: str, *shapes: shapely.Geometry, crs: object = EPSG) -> None:
        path = self.folder / "site.gpkg"
        frame = gpd.read_file(path, layer=layer)
        frame = frame.iloc[: len(shapes)].copy()
        gpd.GeoDataFrame(frame.drop(columns="geometry"), geometry=list(shapes), crs=crs).to_file(
            path, layer=layer
        )

    def shapefile(self, cpg: str | None) -> None:
        """The lot as a Shapefile in UTF-8, whose .cpg says otherwise."""
        frame = gpd.GeoDataFrame({"name": ["Gärten"]}, geometry=[box(10, 10, 50, 50)], crs=EPSG)
        frame.to_file(self.folder / "lot.shp", encoding="utf-8")
        (self.folder / "lot.cpg").write_text(cpg or "")
        self.toml('file = "site.gpkg"', 'file = "site.gpkg"\nlot = "lot.shp"')

    def sql(self, *statements: str) -> None:
        with sqlite3.connect(self.folder / "site.gpkg") as database:
            for statement in statements:
                database.execute(statement)
        database.close()


@pytest.fixture(scope="module")
def right(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The site with nothing wrong."""
    folder = tmp_path_factory.mktemp("site") / "job"
    folder.mkdir()
    job = Job(folder)
    job.raster()
    for name, frame in layers().items():
        frame.to_file(folder / "site.gpkg", layer=name)
    job.rain(RAIN)
    (folder / "job.toml").write_text(
        '[job]\nname = "Small"\nunits = "metric"\n[elevation]\nfile = "dem.tif"\n'
        '[layers]\nfile = "site.gpkg"\n[rainfall]\nfile = "rain.csv"\nstorms = [2, 10]\n'
    )
    return folder


@pytest.fixture
def job(right: Path, tmp_path: Path) -> Job:
    """A copy of it to spoil."""
    return Job(Path(shutil.copytree(right, tmp_path / "job")))


def check(job: Job, capfd: pytest.CaptureFixture[str]) -> tuple[int, list[dict], str]:
    """Exit code, findings and what was said on stderr."""
    with pytest.raises(SystemExit) as stopped:
        main(["check", str(job.folder), "--json"])
    out, err = capfd.readouterr()
    assert "fault of the program" not in err
    return int(stopped.value.code or 0), json.loads(out)["findings"] if out else [], err


def sharp(findings: list[dict]) -> set[str]:
    """Rules of findings that are more than notes."""
    return {one["rule"] for one in findings if one["severity"] != "note"}


def test_what_is_right_is_not_doubted(job: Job, capfd: pytest.CaptureFixture[str]) -> None:
    """No warning at all, and the 10-year hour in the units of the report."""
    code, findings, _ = check(job, capfd)
    assert (code, sharp(findings)) == (0, set())
    (used,) = [one for one in findings if one["rule"] == "rainfall-used"]
    assert used["measured"] == pytest.approx(0.044)
    assert "44 mm." in used["message"]


def test_every_level_goes_through_the_one_door() -> None:
    """A column that holds an elevation and has no rule would be used unseen."""
    declared = {(name, column.inside_name) for name, layer in SITE_LAYERS.items()
                for column in layer.columns if column.quantity == "elevation"}  # fmt: skip
    assert declared == {(rule.layer, rule.column) for rule in LEVEL_RULES}


def rounded(step: float) -> Callable[[Job], None]:
    return lambda job: job.raster(np.round(ground() / step) * step)


def steep(job: Job) -> None:
    """A lot of 8 %, in feet said to be metres."""
    job.raster(32 + (ground() - 31) * 4 / FOOT)
    for layer in ("buildings", "inlets", "outlets", "drain_lines", "openings"):
        job.sql(f"DELETE FROM {layer}")


def houses(job: Job) -> None:
    """A surface with its houses, 7 m high, in feet said to be metres."""
    values = ground()
    values[30:50, 40:68] += 7.0 / FOOT
    job.raster(values)


def in_feet(values: float) -> float:
    return values / FOOT


def in_metres(values: float) -> float:
    return values * FOOT


def hole(job: Job) -> None:
    job.shapes("lot", box(10, 10, 50, 50).difference(box(20, 15, 34, 25).buffer(0.2)))


def degrees(job: Job) -> None:
    lot = gpd.GeoSeries([box(10, 10, 50, 50)], crs=EPSG).to_crs(4326)
    job.shapes("lot", shapely.set_precision(lot[0], 1e-4), crs=4326)


def half_float(job: Job) -> None:
    """Half-float numbers of 128 m and more have steps of an eighth."""
    job.raster((ground() + 120).astype("float16"))
    for layer in ("buildings", "inlets", "outlets", "drain_lines", "openings"):
        job.sql(f"DELETE FROM {layer}")


#: What is made wrong, and the rule that warns of it.
ASKED: dict[str, tuple[Callable[[Job], None], str]] = {
    "rain in inches of a dry place": (
        lambda job: job.rain(re.sub(r"(?<=, )\d+(?=[,\n])", lambda m: f"{int(m[0]) / 10:.1f}",
                                    RAIN)), "rain-unit-doubted"),
    "stated rain": (
        lambda job: job.toml('units = "metric"', 'units = "metric"\nintensity_mm_h = 4.0'),
        "rain-unit-doubted"),
    "whole feet": (rounded(FOOT), "coarse-levels"),
    "decimetres": (rounded(0.1), "coarse-levels"),
    "half-float": (half_float, "coarse-levels"),
    "lot with a hole": (hole, "lot-has-hole"),
    "lot with a hole drawn through a slit": (
        lambda job: job.shapes("lot", box(10, 10, 50, 50).difference(
            shapely.union(box(20, 15, 34, 25).buffer(0.2), box(27, 9, 27.01, 16)))),
        "lot-has-hole"),
    "lot that is the house": (
        lambda job: job.shapes("lot", box(20, 15, 34, 25).buffer(0.2)), "lot-is-building"),
    "house in a wide notch of the lot": (
        lambda job: job.shapes("lot", box(10, 10, 50, 50).difference(box(19, 10, 35, 26))),
        "lot-leaves-out-building"),
    "lot shifted by 12 m": (
        lambda job: job.shapes("lot", box(27, 10, 59, 50)), "lot-line-through-building"),
    "lot of 8 m2": (
        lambda job: job.shapes("lot", box(38, 30, 42, 32)), "lot-very-small"),
    "four decimals of a degree": (degrees, "coordinates-rounded"),
    "error of 10 m": (
        lambda job: job.toml('file = "dem.tif"', 'file = "dem.tif"\nrmse_m = 10.0'),
        "error-very-large"),
    "feet tagged as metres": (steep, "vertical-unit-doubted"),
    "tall houses": (houses, "vertical-unit-doubted"),
    "empty .cpg": (lambda job: job.shapefile(""), "text-encoding"),
    "wrong .cpg": (lambda job: job.shapefile("ISO-8859-1"), "text-encoding"),
    "unknown .cpg": (lambda job: job.shapefile("Klingon"), "text-encoding"),
    "rain without an end of its last line": (lambda job: job.rain(RAIN.strip()), "rainfall-cut"),
}  # fmt: skip


@pytest.mark.parametrize("case", ASKED)
def test_what_may_be_a_mistake_is_asked_about(
    case: str, job: Job, capfd: pytest.CaptureFixture[str]
) -> None:
    """The run goes on; the rule warns."""
    spoil, rule = ASKED[case]
    spoil(job)
    code, findings, err = check(job, capfd)
    assert code == 0, err
    assert rule in sharp(findings)


def contradicting_crs(job: Job) -> None:
    definition = rasterio.crs.CRS.from_epsg(32618).to_wkt()
    job.sql(f"UPDATE gpkg_spatial_ref_sys SET definition = '{definition}' "
            f"WHERE srs_id = {EPSG}")  # fmt: skip


def several_tie_points(job: Job) -> None:
    """A second tie point that says another place than the first, written over the tag by hand."""
    path = job.folder / "dem.tif"
    data = bytearray(path.read_bytes())
    order = int.from_bytes(data[4:8], "little")
    count = int.from_bytes(data[order : order + 2], "little")
    for i in range(count):
        entry = order + 2 + 12 * i
        if int.from_bytes(data[entry : entry + 2], "little") == 33922:
            first = int.from_bytes(data[entry + 8 : entry + 12], "little")
            ties = np.frombuffer(bytes(data[first : first + 48]), "<f8")
            more = np.concatenate([ties, ties + np.array([10, 10, 0, 500, 0, 0])])
            data[entry + 4 : entry + 12] = (12).to_bytes(4, "little") + len(data).to_bytes(
                4, "little"
            )
            data += more.astype("<f8").tobytes()
    path.write_bytes(bytes(data))


def one_tie_point(job: Job) -> None:
    """The size of the cells is gone: one tie point is left."""
    path = job.folder / "dem.tif"
    data = path.read_bytes()
    # tag 33550 becomes 33551, which nobody reads
    path.write_bytes(data.replace((33550).to_bytes(2, "little") + b"\x0c\0\x03",
                                  (33551).to_bytes(2, "little") + b"\x0c\0\x03"))  # fmt: skip


def shifted_strip(job: Job) -> None:
    """One strip of an uncompressed raster is taken from 64 bytes further on."""
    job.raster(compress=None, tiled=False, blockysize=8)
    with rasterio.open(job.folder / "dem.tif") as dataset:
        place = int(dataset.get_tag_item("BLOCK_OFFSET_0_6", "TIFF", bidx=1))
    data = (job.folder / "dem.tif").read_bytes()
    old, new = ((place + more).to_bytes(4, "little") for more in (0, 64))
    assert data.count(old) == 1
    (job.folder / "dem.tif").write_bytes(data.replace(old, new))


def lost_mask(job: Job) -> None:
    """A mask inside the file whose directory is no longer called one."""
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True):
        job.raster()
        with rasterio.open(job.folder / "dem.tif", "r+") as dataset:
            mask = np.full((CELLS, CELLS), 255, "uint8")
            mask[60:80, 60:80] = 0
            dataset.write_mask(mask)
    path = job.folder / "dem.tif"
    flag = b"\xfe\0\x04\0\x01\0\0\0\x04\0\0\0"  # tag 254, LONG, 1, a mask
    data = path.read_bytes()
    assert flag in data
    path.write_bytes(data.replace(flag, flag[:8] + b"\0\0\0\0"))


def cut_off_mask(job: Job, kind: int, value: int) -> None:
    """A mask whose directory the chain leads to no more; its first tag in another form."""
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True):
        job.raster()
        with rasterio.open(job.folder / "dem.tif", "r+") as dataset:
            dataset.write_mask(np.full((CELLS, CELLS), 255, "uint8"))
    path = job.folder / "dem.tif"
    data = bytearray(path.read_bytes())
    flag = data.index(b"\xfe\0\x04\0\x01\0\0\0\x04\0\0\0")
    data[flag + 2 : flag + 4], data[flag + 8] = kind.to_bytes(2, "little"), value
    link = data.index((flag - 2).to_bytes(4, "little"))  # the directory begins with its count
    data[link : link + 4] = bytes(4)
    path.write_bytes(bytes(data))


LEVELS = ("buildings", "threshold_m"), ("inlets", "rim_m"), ("openings", "sill_m")

#: What is made wrong, and words of the refusal.
REFUSED: dict[str, tuple[Callable[[Job], None], tuple[str, ...]]] = {
    "rain in inches said to be mm": (
        lambda job: job.rain(RAIN.replace("8, 11, 15", "0.3, 0.4, 0.6")
                             .replace("17, 24, 33", "0.7, 0.9, 1.3")
                             .replace("29, 44, 66", "1.1, 1.7, 2.6")
                             .replace("41, 61, 95", "1.6, 2.4, 3.7")
                             .replace("60, 89, 138", "2.4, 3.5, 5.4")),
        ("rain.csv", "25.4", "inches that are said to be millimetres")),
    "rain in mm said to be inches": (
        lambda job: job.rain(RAIN.replace("depth_mm", "depth_in")),
        ("rain.csv", "25.4", "on Earth")),
    "semicolons": (
        lambda job: job.rain(RAIN.replace(",", ";")), ("rain.csv", "line 1", "semicolons")),
    "semicolons and decimal commas": (
        lambda job: job.rain(RAIN.replace(",", ";").replace("8;", "8,5;")),
        ("semicolons", "decimal commas")),
    "decimal commas": (
        lambda job: job.rain("depth_mm, 2 yr, 10 yr\n5 min, 8,1, 11,2\n1 h, 29,3, 44,4\n"),
        ("line 2", "decimal commas")),
    "quoted decimal commas": (
        lambda job: job.rain('depth_mm, 2 yr, 10 yr\n5 min,"8,1","11,2"\n1 h,"29,3","44,4"\n'),
        ("line 2", "decimal comma")),
    "web page": (
        lambda job: job.rain("<!DOCTYPE html>\n<html><body>Please sign in</body></html>\n"),
        ("rain.csv", "web page")),
    "whole metres": (rounded(1.0), ("1.00 m (3.28 ft)", "level", "Use data with centimetres")),
    "constant": (lambda job: job.raster(np.full((CELLS, CELLS), 31.5)), ("same elevation",)),
    "scale 0": (lambda job: job.raster(scale=0.0), ("dem.tif", "scale of 0")),
    "depths": (lambda job: job.raster(crs="EPSG:32617+5715"), ("depths", "positive downwards")),
    "grid with decimal commas": (lambda job: job.grid_text(comma=True), ("decimal commas",)),
    "corner and centre": (
        lambda job: job.grid_text(corner="corner/center"), ("corner", "centre", "half a cell")),
    "CRS against its code": (contradicting_crs, ("site.gpkg", "stated twice", "zone 18N")),
    "tie points that differ": (several_tie_points, ("dem.tif", "tie points contradict")),
    "one tie point": (one_tie_point, ("dem.tif", "1 tie point")),
    "a strip of other bytes": (shifted_strip, ("dem.tif", "share the same bytes")),
    "a mask that is called none": (lost_mask, ("dem.tif", "mask")),
    "a mask cut off": (lambda job: cut_off_mask(job, 4, 4), ("dem.tif", "mask that no directory")),
    "a mask cut off, in short numbers": (
        lambda job: cut_off_mask(job, 3, 4), ("dem.tif", "mask that no directory")),
    "a mask cut off, of a page": (
        lambda job: cut_off_mask(job, 4, 6), ("dem.tif", "mask that no directory")),
    "names alike": (
        lambda job: gpd.GeoDataFrame(
            {"name": ["CB", "C\u200bB"]}, geometry=shapely.points([at(30, 35), at(30, 40)]),
            crs=EPSG).to_file(job.folder / "site.gpkg", layer="inlets"),
        ("layer inlets", "row 2", "unique")),
    "names that a joiner parts": (
        lambda job: gpd.GeoDataFrame(
            {"name": ["CB", "C\u200dB"]}, geometry=shapely.points([at(30, 35), at(30, 40)]),
            crs=EPSG).to_file(job.folder / "site.gpkg", layer="inlets"),
        ("layer inlets", "row 2", "looks the same")),
    "names with two kinds of hyphens": (
        lambda job: gpd.GeoDataFrame(
            {"name": ["CB-1", "CB\u20111"]}, geometry=shapely.points([at(30, 35), at(30, 40)]),
            crs=EPSG).to_file(job.folder / "site.gpkg", layer="inlets"),
        ("layer inlets", "row 2", "looks the same")),
    "benchmark in feet": (
        lambda job: job.toml("[layers]", "[levels]\nbenchmark = 31.0\nelevation_m = 101.7\n"
                             '[layers]'),
        ("elevation_m", "3.28")),
    "unit of the benchmark": (
        lambda job: job.toml("[layers]", '[levels]\nbenchmark = 31.0\nelevation_m = 31.0\n'
                             'unit = "ft"\n[layers]'),
        ("benchmark in the other unit", "3.28")),
    **{f"{column} in feet": (
        lambda job, at=(layer, column): job.cell(*at, in_feet),
        (f"layer {layer}", "row 1", column, "above its ground", "noted in feet", "3.28"))
       for layer, column in LEVELS},
    **{f"{column} in metres as feet": (
        lambda job, at=(layer, column): job.cell(*at, in_metres),
        (f"layer {layer}", "row 1", column, "below its ground", "noted in metres", "3.28"))
       for layer, column in LEVELS},
    "inverts in feet": (
        lambda job: job.cell("drain_lines", "invert_up_m", in_feet),
        ("upper invert of Line", "noted in feet", "3.28")),
    "outlet in feet": (
        lambda job: job.cell("outlets", "invert_m", in_feet), ("invert of Mouth", "3.28")),
    "water level in feet": (
        lambda job: job.cell("outlets", "water_level_m", in_feet), ("water level of", "3.28")),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_meant_is_refused_with_its_cause(
    case: str, job: Job, capfd: pytest.CaptureFixture[str]
) -> None:
    """Exit 1 and the words that lead to the mistake."""
    spoil, words = REFUSED[case]
    spoil(job)
    code, findings, err = check(job, capfd)
    assert code == 1, findings
    assert [word for word in words if word not in " ".join(err.split())] == [], err


def test_a_level_that_is_possible_in_both_units_is_asked_about(
    job: Job, capfd: pytest.CaptureFixture[str]
) -> None:
    """Near the level of the sea a sill in feet is off by less than a storey."""
    job.raster(ground() - 30.3)
    for layer, column in (("buildings", "threshold_m"), ("inlets", "rim_m"),
                          ("outlets", "invert_m"), ("outlets", "water_level_m"),
                          ("drain_lines", "invert_up_m"), ("drain_lines", "invert_down_m"),
                          ("openings", "sill_m")):  # fmt: skip
        job.cell(layer, column, lambda level: level - 30.3)
    code, findings, err = check(job, capfd)
    assert (code, sharp(findings)) == (0, set()), err
    job.cell("openings", "sill_m", in_feet)
    code, findings, _ = check(job, capfd)
    assert code == 0
    (found,) = [one for one in findings if one["rule"] == "level-unit-doubted"]
    assert (found["severity"], found["subject"]) == ("warn", "Door")
    assert found["measured"] > found["limit"] == 1.5


def test_a_corner_half_a_cell_off_is_noted(job: Job, capfd: pytest.CaptureFixture[str]) -> None:
    """It may be the centre of the cell; written as one, nothing is said."""
    job.grid_text()
    path = job.folder / "dem.asc"
    path.write_text(path.read_text().replace(f"xllcorner {WEST}", f"xllcorner {WEST + CELL / 2}")
                    .replace(f"yllcorner {NORTH - CELLS * CELL}",
                             f"yllcorner {NORTH - CELLS * CELL + CELL / 2}"))  # fmt: skip
    _, findings, err = check(job, capfd)
    assert "half-a-cell" in {one["rule"] for one in findings}, err
    path.write_text(path.read_text().replace("corner", "center"))
    _, findings, _ = check(job, capfd)
    assert "half-a-cell" not in {one["rule"] for one in findings}


def test_a_served_table_that_ends_between_rows_is_said_to(
    job: Job, capfd: pytest.CaptureFixture[str]
) -> None:
    """Every row that is there is whole; the server's files end at 60 days."""
    lines = (SHARED / "alder_court" / "rainfall.csv").read_bytes().splitlines(keepends=True)
    end = next(i for i, line in enumerate(lines) if line.startswith(b"24-hr"))
    job.rain(b"".join(lines[: end + 1]))
    code, findings, _ = check(job, capfd)
    assert code == 0
    assert "rainfall-cut" in sharp(findings)


def test_rounding_widens_the_error_that_the_result_states(
    job: Job, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """Whole feet: 0.10 m and 0.3048 / sqrt(12) m together; what was asked stays as it was."""
    rounded(FOOT)(job)
    for layer in ("buildings", "inlets", "outlets", "drain_lines", "openings"):
        job.sql(f"DELETE FROM {layer}")
    with pytest.raises(SystemExit) as stopped:
        main(["run", str(job.folder), "-o", str(tmp_path / "out"), "-q", "--no-pack",
              "--realisations", "0"])  # fmt: skip
    assert stopped.value.code == 0
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert summary["accuracy"]["rmse_m"] == pytest.approx(np.hypot(0.1, FOOT / 12**0.5), abs=1e-3)
    assert summary["provenance"]["job"]["elevation"]["rmse_m"] == 0.1
    assert "is 44 mm" in " ".join((tmp_path / "out" / "overview.txt").read_text().split())


def noticed(code: int, findings: list[dict], err: str, *words: str) -> bool:
    """A refusal that names the cause, or a warning."""
    if code == 1:
        return any(word in err for word in words)
    return code == 0 and bool(sharp(findings) & set(words))


@pytest.mark.nightly
@pytest.mark.parametrize("seed", range(40))
def test_a_level_in_the_other_unit_is_noticed_wherever_it_is(
    seed: int, job: Job, capfd: pytest.CaptureFixture[str]
) -> None:
    """Any column, either way, ground anywhere from 6 m to 2500 m: 3.28 is named."""
    random = np.random.default_rng(90_000 + seed)
    level = float(np.exp(random.uniform(np.log(6), np.log(2500))))
    job.raster(ground(seed) - 31 + level)
    for rule in LEVEL_RULES:
        job.cell(rule.layer, rule.column, lambda value: value - 31 + level)
    code, findings, err = check(job, capfd)
    assert code == 0, err
    assert "level-unit-doubted" not in sharp(findings)
    rule = LEVEL_RULES[random.integers(len(LEVEL_RULES))]
    change = (in_feet, in_metres)[random.integers(2)]
    job.cell(rule.layer, rule.column, change)
    code, findings, err = check(job, capfd)
    if change is in_metres and rule.usual[0] <= -3 and level < 10:
        return  # a pipe may lie as deep
    assert noticed(code, findings, err, "3.28", "level-unit-doubted"), (rule, level, err)


@pytest.mark.nightly
@pytest.mark.parametrize("seed", range(60))
def test_a_rain_unit_that_is_wrong_is_noticed(
    seed: int, job: Job, capfd: pytest.CaptureFixture[str]
) -> None:
    """Tables of any climate, a 10-year hour of 8 to 120 mm, and either unit for the other."""
    random = np.random.default_rng(70_000 + seed)
    hour, power = float(np.exp(random.uniform(np.log(8), np.log(120)))), random.uniform(0.25, 0.5)
    durations = (5, 10, 15, 30, 60, 120, 360, 1440)
    inches = bool(random.integers(2))

    def table(unit: str, factor: float) -> str:
        lines = [f"depth_{unit}, 2 yr, 10 yr, 100 yr"]
        for minutes in durations:
            short = min(minutes, 60) / 60
            depth = hour * short ** (power + 0.25) * max(minutes / 60, 1) ** (power / 2) * factor
            shown = [f"{depth * share:.3f}" for share in (0.65, 1.0, 1.6)]
            lines.append(", ".join([f"{minutes} min", *shown]))
        return "\n".join(lines) + "\n"

    job.rain(table("in" if inches else "mm", 1 / 25.4 if inches else 1.0))
    code, findings, err = check(job, capfd)
    assert (code, sharp(findings)) == (0, set()), err
    job.rain(table("mm" if inches else "in", 1 / 25.4 if inches else 1.0))
    code, findings, err = check(job, capfd)
    assert noticed(code, findings, err, "25.4", "rain-unit-doubted"), (hour, inches)


@pytest.mark.nightly
@pytest.mark.parametrize("seed", range(40))
def test_rounded_elevations_are_noticed_and_others_are_not(
    seed: int, job: Job, capfd: pytest.CaptureFixture[str]
) -> None:
    """Steps of 0.06 m to 2 m, from any level, with up to 5 % of other cells."""
    random = np.random.default_rng(50_000 + seed)
    for layer in ("buildings", "inlets", "outlets", "drain_lines", "openings"):
        job.sql(f"DELETE FROM {layer}")
    values = ground(seed) + random.uniform(-30, 900) + np.linspace(0, random.uniform(0, 9), CELLS)
    job.raster(values)
    code, findings, err = check(job, capfd)
    assert code == 0, err
    assert "coarse-levels" not in sharp(findings)
    step, shift = float(np.exp(random.uniform(np.log(0.06), np.log(2)))), random.uniform(0, 1)
    spoilt = np.round(values / step) * step + shift
    other = random.random(values.shape) < random.uniform(0, 0.05)
    job.raster(np.where(other, values, spoilt))
    code, findings, err = check(job, capfd)
    assert noticed(code, findings, err, "rounded to steps", "coarse-levels"), step
    if code == 0:
        (found,) = [one for one in findings if one["rule"] == "coarse-levels"]
        assert found["measured"] == pytest.approx(step, rel=0.02)


@pytest.mark.nightly
@pytest.mark.parametrize("seed", range(40))
def test_a_shift_of_the_lot_is_noticed_where_it_cuts_the_house(
    seed: int, job: Job, capfd: pytest.CaptureFixture[str]
) -> None:
    """3 to 11 m in any direction; a line within a metre of the wall is no shift."""
    random = np.random.default_rng(30_000 + seed)
    angle, far = random.uniform(0, 2 * np.pi), random.uniform(3, 11)
    house = layers()["buildings"].geometry[0]
    lot = shapely.affinity.translate(box(14, 12, 46, 45), far * np.cos(angle), far * np.sin(angle))
    job.shapes("lot", lot)
    code, findings, err = check(job, capfd)
    assert code == 0, err
    beyond = house.difference(lot)
    share = beyond.area / house.area
    reach = max((shapely.Point(p).distance(lot) for p in house.exterior.coords), default=0.0)
    inner = max(shapely.Point(p).distance(lot.boundary) if lot.contains(shapely.Point(p)) else 0.0
                for p in house.exterior.coords)  # fmt: skip
    cut = 0.1 < share < 0.9 and reach > 1.0 and inner > 1.0
    assert ("lot-line-through-building" in sharp(findings)) == cut


#: Records of rain at one place [min, mm]; NOAA/NWS and WMO lists, from memory.
RECORDS = (
    (1, 38), (8, 126), (15, 198), (20, 206), (42, 305), (60, 401), (130, 483), (165, 559),
    (270, 782), (540, 1087), (720, 1144), (1440, 1825), (4320, 3929), (5760, 4869),
)  # fmt: skip


@pytest.mark.parametrize(("minutes", "depth_mm"), RECORDS)
def test_no_record_is_called_impossible(minutes: float, depth_mm: float) -> None:
    """The bound holds for all that has been measured, and is no more than twice of it."""
    bound = float(greatest_depth_m(60 * minutes)) * 1e3
    assert depth_mm <= bound <= 2.2 * depth_mm
