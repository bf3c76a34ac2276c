"""Elevation: every kind of unit, CRS, missing value and tile gives one honest grid, or an error."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from affine import Affine
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyproj import Transformer

from lotflow.errors import InputError, ParameterError
from lotflow.inputs.elevation import Elevation, inspect_elevation, read_elevation
from lotflow.inputs.limits import Limits
from lotflow.units import METRES_PER_FOOT, METRES_PER_US_SURVEY_FOOT

MakeRaster = Callable[..., Path]
DATA = Path(__file__).parents[2].parent / "shared" / "data"
needs_data = pytest.mark.skipif(not DATA.is_dir(), reason="the real data are not at hand")


def read(*paths: Path, **declared: Any) -> Elevation:
    """Inspect and read all there is."""
    source = inspect_elevation(paths, **declared)
    return read_elevation(source, source.bounds)


def rules(elevation: Elevation) -> list[str]:
    """Rules of the findings."""
    return [finding.rule for finding in elevation.findings]


# --- the grid ------------------------------------------------------------------------------------


def test_a_plain_raster_is_the_grid(make_raster: MakeRaster, ground: np.ndarray) -> None:
    """Values, place, CRS and cell are those of the file, without any finding."""
    source = inspect_elevation([make_raster()])
    elevation = read_elevation(source, source.bounds)
    np.testing.assert_array_equal(elevation.grid.values, ground)
    assert (
        elevation.grid.bounds == source.bounds == (321_600.0, 4_297_770.0, 321_640.0, 4_297_800.0)
    )
    assert (elevation.grid.crs.to_epsg(), elevation.grid.cell_m) == (26918, 0.5)
    assert (source.findings, elevation.findings) == ((), ())
    assert elevation.grid.values.dtype == np.float64
    assert not any(elevation.more_data.values())


def test_a_window_is_snapped_outwards_to_the_cells(
    make_raster: MakeRaster, ground: np.ndarray
) -> None:
    """A window that cuts cells holds them whole; one along their edges holds no more."""
    source = inspect_elevation([make_raster()])
    cut = read_elevation(source, (321_610.1, 4_297_780.1, 321_619.9, 4_297_789.9))
    along = read_elevation(source, (321_610.0, 4_297_780.0, 321_620.0, 4_297_790.0))
    assert cut.grid.bounds == along.grid.bounds == (321_610.0, 4_297_780.0, 321_620.0, 4_297_790.0)
    np.testing.assert_array_equal(along.grid.values, ground[20:40, 20:40])
    assert all(along.more_data.values())


def test_a_window_is_cut_to_the_raster_and_says_where_it_goes_on(make_raster: MakeRaster) -> None:
    """Beyond the north-west corner there is nothing, beyond the other sides there is."""
    source = inspect_elevation([make_raster()])
    elevation = read_elevation(source, (0.0, 4_297_780.0, 321_620.0, 5_000_000.0))
    assert elevation.grid.shape == (40, 40)
    assert elevation.more_data == {"north": False, "south": True, "east": True, "west": False}


def test_a_window_outside_the_raster_is_refused(make_raster: MakeRaster) -> None:
    """Nothing to read is an error that gives both areas."""
    source = inspect_elevation([make_raster()])
    with pytest.raises(
        InputError, match=r"dem\.tif: the area asked for .* lies outside the raster"
    ):
        read_elevation(source, (0.0, 0.0, 10.0, 10.0))
    with pytest.raises(ParameterError, match="are not west, south, east and north"):
        read_elevation(source, (10.0, 0.0, 0.0, 10.0))
    with pytest.raises(InputError, match="window_cells = 4,799"):
        read_elevation(source, source.bounds, limits=Limits(window_cells=4799))


@pytest.mark.parametrize("south_up", [False, True])
@pytest.mark.parametrize("east_first", [False, True])
def test_rows_and_columns_may_run_the_other_way(
    make_raster: MakeRaster, ground: np.ndarray, *, south_up: bool, east_first: bool
) -> None:
    """A raster stored south-up or east-first gives the same grid and the same windows."""
    order = (slice(None, None, -1 if south_up else 1), slice(None, None, -1 if east_first else 1))
    transform = Affine(
        -0.5 if east_first else 0.5, 0.0, 321_640.0 if east_first else 321_600.0,
        0.0, 0.5 if south_up else -0.5, 4_297_770.0 if south_up else 4_297_800.0,
    )  # fmt: skip
    source = inspect_elevation([make_raster(values=ground[order], transform=transform)])
    part = read_elevation(source, (321_605.0, 4_297_772.0, 321_620.0, 4_297_790.0))
    np.testing.assert_array_equal(part.grid.values, ground[20:56, 10:40])
    assert part.grid.bounds == (321_605.0, 4_297_772.0, 321_620.0, 4_297_790.0)


@pytest.mark.parametrize(
    ("transform", "said"),
    [
        (Affine(0.49, 0.09, 3e5, 0.09, -0.49, 4e6), "is rotated"),
        (Affine(0, 0.5, 3e5, 0.5, 0, 4e6), "unusable"),
        (Affine(0.5, 0, 3e5, 0, -0.51, 4e6), "cells must be square, these measure 0.5 by 0.51"),
        (Affine(5.1, 0, 3e5, 0, -5.1, 4e6), "must measure 0.05 to 5 m, these measure 5.1 m"),
        (Affine(0.01, 0, 3e5, 0, -0.01, 4e6), "must measure 0.05 to 5 m, these measure 0.01 m"),
        (Affine(0.5, 0, 1e12, 0, -0.5, 1e12), "lies where NAD83 / UTM zone 18N is not defined"),
        (Affine(1e300, 0, 3e5, 0, -1e300, 4e6), "dem.tif"),
    ],
)  # fmt: skip
def test_cells_that_cannot_be_worked_on_are_refused(
    make_raster: MakeRaster, transform: Affine, said: str
) -> None:
    """Rotated, oblong, too coarse, too fine or absurd."""
    path = make_raster(transform=transform)
    with pytest.raises(InputError) as caught:
        inspect_elevation([path])
    assert said in str(caught.value)


def test_cells_above_a_metre_are_said(make_raster: MakeRaster) -> None:
    """Exactly 1 m passes, also as 3.2808 ft; 1.01 m is a warning; 5 m still reads."""
    for cell, expected in [(1.0, []), (1.01, ["coarse-cell"]), (5.0, ["coarse-cell"])]:
        path = make_raster(transform=Affine(cell, 0, 3e5, 0, -cell, 4e6))
        assert [found.rule for found in inspect_elevation([path]).findings] == expected
    path = make_raster(transform=Affine(3.2808, 0, 1.6e6, 0, -3.2808, 1.4e6), crs="EPSG:2903")
    assert inspect_elevation([path]).findings == ()


def test_nearly_square_cells_are_made_square(make_raster: MakeRaster, ground: np.ndarray) -> None:
    """Half a percent is resampled, and it is said."""
    path = make_raster(transform=Affine(0.5, 0, 321_600.0, 0, -0.5025, 4_297_800.0))
    source = inspect_elevation([path])
    assert [found.rule for found in source.findings] == ["resampled"]
    grid = read_elevation(source, source.bounds).grid
    assert grid.cell_m == 0.501
    assert abs(np.nanmean(grid.values) - ground.mean()) < 0.01


@pytest.mark.parametrize(
    ("height", "crs", "rules"),
    [
        (0.5 * (1 + 2**-20), "EPSG:26918", ["cells-not-square"]),
        (0.5 * (1 - 9e-5), "EPSG:26918", ["cells-not-square"]),
        (-0.5 * (1 + 2**-20), "EPSG:26918", ["cells-not-square"]),
        (0.5 * (1 + 1.1e-7), "EPSG:2903", ["cells-not-square"]),
        (0.5 * (1 + 0.9e-7), "EPSG:2903", []),
        (0.5 * (1 + 1e-12), "EPSG:26918", []),
        (0.5 * (1 - 1e-12), "EPSG:2903", []),
    ],
)
def test_sides_that_differ_by_more_than_rounding_are_said(
    make_raster: MakeRaster, height: float, crs: str, rules: list[str]
) -> None:
    """One wrong bit of the cell's width or height is told, rounding of a reprojection is not."""
    path = make_raster(transform=Affine(0.5, 0, 1.6e6 if crs == "EPSG:2903" else 321_600.0, 0,
                                        -height, 1.4e6), crs=crs)  # fmt: skip
    source = inspect_elevation([path])
    assert [found.rule for found in source.findings] == rules
    assert not source.is_resampled


# --- CRS -----------------------------------------------------------------------------------------


def test_a_crs_in_feet_is_kept(make_raster: MakeRaster) -> None:
    """New Mexico Central in US survey feet: coordinates in feet, cells in metres."""
    transform = Affine(2.0, 0, 1_639_602.0, 0, -2.0, 1_454_698.0)
    source = inspect_elevation([make_raster(crs="EPSG:2903", transform=transform)])
    grid = read_elevation(source, source.bounds).grid
    assert grid.crs.to_epsg() == 2903
    assert source.metres_per_unit == pytest.approx(METRES_PER_US_SURVEY_FOOT, rel=1e-15)
    assert grid.cell_m == pytest.approx(0.6096012, abs=1e-7)


@pytest.mark.parametrize(
    ("crs", "code", "unit"),
    [("EPSG:26918+5703", 26918, "m"), ("EPSG:6529+6360", 6529, "us-ft")],
)
def test_of_a_compound_crs_the_horizontal_part_is_kept_and_the_vertical_gives_the_unit(
    make_raster: MakeRaster, crs: str, code: int, unit: str
) -> None:
    """Nobody needs to declare a unit that the vertical CRS states."""
    source = inspect_elevation([make_raster(crs=crs, unit=None)])
    assert (source.crs.to_epsg(), source.vertical_unit) == (code, unit)
    assert source.describe()["files"][0]["vertical_crs"].startswith("NAVD88 height")


@pytest.mark.parametrize(
    ("crs", "work", "said"),
    [
        ("EPSG:4326", 32618, "is in degrees"),
        ("EPSG:4269", 26918, "is in degrees"),
        ("EPSG:3857", 32618, "too long"),
        ("EPSG:3395", 32618, "too long"),
    ],
)
def test_degrees_and_world_mercator_are_resampled_to_the_local_utm_zone(
    make_raster: MakeRaster, crs: str, work: int, said: str
) -> None:
    """
    A plane laid out in UTM comes back as that plane, and a finding says that it was resampled.

    The plane is sampled at the cell centres of a raster in the other CRS; bilinear
    interpolation is exact on it but for the curvature of the projection, well below a
    millimetre on 100 m.
    """
    to_work = Transformer.from_crs(crs, work, always_xy=True)
    back = Transformer.from_crs(work, crs, always_xy=True)
    west, north = back.transform(322_000.0, 4_298_000.0)
    east, south = back.transform(322_100.0, 4_297_900.0)
    cell = (abs(east - west) / 120, abs(north - south) / 120)
    transform = Affine(cell[0], 0, west, 0, -cell[1], north)
    row, column = np.mgrid[0:120, 0:120]
    x, y = to_work.transform(west + (column + 0.5) * cell[0], north - (row + 0.5) * cell[1])

    def plane(x: Any, y: Any) -> Any:
        return 30 + 0.02 * (x - 322_000) - 0.05 * (y - 4_298_000)

    path = make_raster(values=plane(x, y), crs=crs, transform=transform)
    source = inspect_elevation([path])
    assert source.crs.to_epsg() == work
    assert [found.rule for found in source.findings] == ["resampled"]
    assert said in source.findings[0].facts["why"]
    assert source.cell_m == pytest.approx(0.833, abs=0.02)

    grid = read_elevation(source, (322_020.0, 4_297_920.0, 322_080.0, 4_297_980.0)).grid
    rows, columns = np.indices(grid.shape)
    np.testing.assert_allclose(grid.values, plane(*grid.xy(rows, columns)), atol=1e-3)
    wider = read_elevation(source, source.bounds)
    step = (grid.transform.c - wider.grid.transform.c) / source.cell
    assert step == pytest.approx(round(step), abs=1e-6), "windows share their cells"
    assert wider.more_data == dict.fromkeys(("north", "south", "east", "west"), False)


@pytest.mark.parametrize(
    ("crs", "transform", "said"),
    [
        (
            "EPSG:2054",
            Affine(0.5, 0, 0, 0, -0.5, 2.9e6),
            "point west and south, not east",
        ),
        ("EPSG:4326", Affine(1e-5, 0, 20.0, 0, -1e-6, 84.5), "lies in no UTM zone"),
    ],
)
def test_a_crs_that_cannot_be_worked_in_is_refused(
    make_raster: MakeRaster, crs: str, transform: Affine, said: str
) -> None:
    """Axes that point elsewhere, and places beyond all zones."""
    with pytest.raises(InputError, match=said) as caught:
        inspect_elevation([make_raster(crs=crs, transform=transform)])
    assert caught.value.faults[0].file is not None


def test_a_finding_of_a_resampled_raster_lies_in_the_crs_of_the_work(
    make_raster: MakeRaster, ground: np.ndarray
) -> None:
    """The spike is told in UTM, not in degrees."""
    values = ground.copy()
    values[30, 40] += 20
    path = make_raster(values=values, crs="EPSG:4326", transform=Affine(1e-5, 0, -77, 0, -1e-5, 38))
    source = inspect_elevation([path])
    found = [f for f in read_elevation(source, source.bounds).findings if f.x is not None]
    assert [one.rule for one in found] == ["elevation-steps", "lone-elevation"]
    x, y = Transformer.from_crs(4326, 32618, always_xy=True).transform(-76.999595, 37.999695)
    for spike in found:
        assert (spike.x, spike.y) == (pytest.approx(x, abs=2.0), pytest.approx(y, abs=2.0))


def test_the_place_of_work_chooses_the_zone(make_raster: MakeRaster) -> None:
    """Beside a zone's border the lot decides, not the middle of the raster."""
    transform = Affine(1e-5, 0, -78.0003, 0, -1e-5, 38.0)
    path = make_raster(crs="EPSG:4326", transform=transform)
    assert inspect_elevation([path], around=(-77.9999, 37.9999)).crs.to_epsg() == 32618
    assert inspect_elevation([path], around=(-78.0001, 37.9999)).crs.to_epsg() == 32617


# --- vertical unit -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tag", "factor"),
    [
        ("m", 1.0), ("metre", 1.0), ("Meters", 1.0),
        ("ft", METRES_PER_FOOT), ("foot", METRES_PER_FOOT),
        ("US survey foot", METRES_PER_US_SURVEY_FOOT), ("ftUS", METRES_PER_US_SURVEY_FOOT),
    ],
)  # fmt: skip
def test_the_unit_tag_is_followed(
    make_raster: MakeRaster, ground: np.ndarray, tag: str, factor: float
) -> None:
    """Elevations come out in metres."""
    values = read(make_raster(unit=tag)).grid.values
    np.testing.assert_allclose(values, ground.astype(float) * factor, rtol=1e-12)


@pytest.mark.parametrize("crs", ["EPSG:26918", "EPSG:2240"])
@pytest.mark.parametrize("unit", [None, "fathom"])
def test_an_unknown_vertical_unit_is_never_assumed(
    make_raster: MakeRaster, crs: str, unit: str | None
) -> None:
    """Neither the horizontal unit nor habit stands in for it; the remedy names both ways."""
    path = make_raster(crs=crs, unit=unit)
    with pytest.raises(InputError) as caught:
        inspect_elevation([path])
    assert "--vertical-unit m|ft|us-ft" in str(caught.value)
    assert "vertical_unit under [elevation] in job.toml" in str(caught.value)


def test_a_declared_unit_is_taken_where_the_file_says_nothing(
    make_raster: MakeRaster, ground: np.ndarray
) -> None:
    """Declared feet are feet."""
    values = read(make_raster(unit=None), vertical_unit="ft").grid.values
    np.testing.assert_allclose(values, ground.astype(float) * 0.3048, rtol=1e-12)


def test_a_declaration_that_contradicts_the_file_is_refused(make_raster: MakeRaster) -> None:
    """Both are named; the same unit twice is no contradiction."""
    path = make_raster(unit="metre")
    with pytest.raises(InputError, match="is declared as ft, but its unit tag says m"):
        inspect_elevation([path], vertical_unit="ft")
    assert inspect_elevation([path], vertical_unit="m").vertical_unit == "m"


def test_a_file_that_contradicts_itself_needs_a_declaration(make_raster: MakeRaster) -> None:
    """Tag in metres and vertical CRS in feet: the declaration decides, and it is said."""
    path = make_raster(crs="EPSG:6529+6360", unit="metre")
    with pytest.raises(InputError, match="its unit tag says m, its vertical CRS says us-ft"):
        inspect_elevation([path])
    source = inspect_elevation([path], vertical_unit="us-ft")
    assert [found.rule for found in source.findings] == ["vertical-unit"]
    with pytest.raises(InputError, match="contradicts itself"):
        inspect_elevation([path], vertical_unit="ft")


def test_a_unit_tag_that_says_nothing_known_is_overruled_aloud(make_raster: MakeRaster) -> None:
    """A declared unit is taken, and what the tag says is reported."""
    source = inspect_elevation([make_raster(unit="NAVD88")], vertical_unit="m")
    (found,) = source.findings
    assert found.facts == {"taken": "m", "where": "its unit tag", "says": "NAVD88"}


# --- missing values ------------------------------------------------------------------------------

HOLES = np.zeros((60, 80), bool)
HOLES[10:12, 20:25] = True


@pytest.mark.parametrize("value", [-9999.0, np.nan, -3.4028230607370965e38, 1e30, 9999.0, 0.0])
def test_declared_nodata_of_every_kind_is_missing(
    make_raster: MakeRaster, ground: np.ndarray, value: float
) -> None:
    """Whatever number is declared means no value, without a word."""
    values = np.where(HOLES, np.float32(value), ground)
    elevation = read(make_raster(values=values, nodata=value))
    np.testing.assert_array_equal(elevation.grid.missing, HOLES)
    assert rules(elevation) == ["missing-elevations"]


@pytest.mark.parametrize(
    "value", [-9999.0, -99999.0, -999999.0, -32768.0, 32767.0, 65535.0, 99999.0,
              3.4028234e38, -3.4028234e38, 1e30, np.inf, -np.inf],
)  # fmt: skip
def test_undeclared_nodata_is_missing_and_said(
    make_raster: MakeRaster, ground: np.ndarray, value: float
) -> None:
    """A number that software writes for no value is found though nothing declares it."""
    elevation = read(make_raster(values=np.where(HOLES, np.float32(value), ground)))
    np.testing.assert_array_equal(elevation.grid.missing, HOLES)
    assert rules(elevation) == ["undeclared-nodata", "missing-elevations"]
    assert (elevation.findings[0].measured, elevation.findings[0].unit) == (10.0, "cells")


@pytest.mark.parametrize(("level", "is_missing"), [(30.5, True), (29.0, False)])
def test_zero_is_an_elevation_unless_it_stands_alone(
    make_raster: MakeRaster, ground: np.ndarray, level: float, *, is_missing: bool
) -> None:
    """Ground comes down to the sea; 30 m from everything else a zero is no ground."""
    values = np.where(HOLES, 0.0, ground - ground.min() + level).astype("float32")
    elevation = read(make_raster(values=values))
    assert elevation.grid.missing.any() == is_missing
    # what stays shows as a step
    assert ("elevation-steps" in rules(elevation)) != is_missing


def test_a_sentinel_in_feet_that_could_be_an_elevation_is_found(make_raster: MakeRaster) -> None:
    """9999 ft is 3048 m, a real height, but not beside ground at 2160 m."""
    values = np.where(HOLES, 9999.0, 7085.0).astype("float32")
    elevation = read(make_raster(values=values, unit="US survey foot"))
    np.testing.assert_array_equal(elevation.grid.missing, HOLES)


def test_ground_at_a_sentinel_is_ground(make_raster: MakeRaster, ground: np.ndarray) -> None:
    """A lot at 0 m keeps its zeros: nothing else is 30 m away."""
    values = np.round(ground - ground.mean()).astype("float32")
    assert (values == 0).any()
    assert not read(make_raster(values=values)).grid.missing.any()


@pytest.mark.parametrize(("value", "unit"), [(9001.0, "m"), (-501.0, "m"), (29_600.0, "ft")])
def test_a_number_that_is_no_land_is_refused_with_its_place(
    make_raster: MakeRaster, ground: np.ndarray, value: float, unit: str
) -> None:
    """The first such cell is named by its coordinates; feet are judged in metres."""
    values = ground.copy()
    values[10, 20] = value
    with pytest.raises(InputError, match=r"at 321610\.25, 4297794\.75 \(one of 1 such cells\)"):
        read(make_raster(values=values, unit=unit))


def test_the_limits_of_land_hold_in_metres(make_raster: MakeRaster) -> None:
    """29 500 ft is 8992 m: high, but land."""
    values = np.full((60, 80), 29_500.0, "float32")
    assert read(make_raster(values=values, unit="ft")).grid.values[0, 0] == pytest.approx(8991.6)


def test_a_mask_and_nodata_both_count(make_raster: MakeRaster, ground: np.ndarray) -> None:
    """Where a file has both, either makes a cell missing."""
    mask = np.ones_like(HOLES)
    mask[0, :5] = False
    path = make_raster(values=np.where(HOLES, np.float32(-9999), ground), nodata=-9999.0, mask=mask)
    np.testing.assert_array_equal(read(path).grid.missing, HOLES | ~mask)


def test_integers_with_scale_and_offset_become_elevations(
    make_raster: MakeRaster, ground: np.ndarray
) -> None:
    """Centimetres above 15 m in int16, nodata declared as stored."""
    numbers = np.where(HOLES, -32768, np.round((ground - 15) * 100)).astype("int16")
    elevation = read(make_raster(values=numbers, nodata=-32768, scale=0.01, offset=15.0))
    expected = np.where(HOLES, np.nan, numbers * 0.01 + 15)
    np.testing.assert_allclose(elevation.grid.values, expected, rtol=1e-12)
    assert rules(elevation) == ["missing-elevations"]


@pytest.mark.parametrize(("share", "severity"), [(0.05, "note"), (0.2, "warn")])
def test_the_share_of_missing_ground_is_said(
    make_raster: MakeRaster, ground: np.ndarray, share: float, severity: str
) -> None:
    """A tenth divides note from warning."""
    values = ground.copy()
    values[: int(60 * share)] = np.nan
    (finding,) = read(make_raster(values=values)).findings
    assert (finding.rule, finding.measured, finding.severity) == (
        "missing-elevations", share, severity,
    )  # fmt: skip


def test_a_spike_is_said_with_its_place(make_raster: MakeRaster, ground: np.ndarray) -> None:
    """A cell 6 m above its neighbours makes four steps; 4.9 m makes none, but stands alone."""
    values = ground.copy()
    values[30, 40] += 6.5
    finding, lone = read(make_raster(values=values)).findings
    assert (finding.rule, lone.rule) == ("elevation-steps", "lone-elevation")
    assert finding.facts["places"] == 4
    assert (finding.x, finding.y) in {(321_620.25, 4_297_784.75), (321_620.75, 4_297_784.75),
                                      (321_620.25, 4_297_784.25)}  # fmt: skip
    values[30, 40] -= 2.0
    assert rules(read(make_raster(values=values))) == ["lone-elevation"]


@pytest.mark.parametrize(("height", "is_said"), [(0.35, True), (-0.35, True), (0.25, False)])
def test_a_cell_that_stands_alone_is_said_with_its_place(
    make_raster: MakeRaster, ground: np.ndarray, height: float, is_said: bool
) -> None:
    values = np.round(ground, 3)
    around = np.delete(values[29:32, 39:42].ravel(), 4)
    values[30, 40] = (around.max() if height > 0 else around.min()) + height
    found = read(make_raster(values=values)).findings
    assert [one.rule for one in found] == ["lone-elevation"] * is_said
    if is_said:
        assert found[0].measured == pytest.approx(abs(height), abs=1e-4)
        assert (found[0].x, found[0].y) == (321_620.25, 4_297_784.75)
        assert found[0].severity == "note"


def test_a_cell_on_a_bank_or_beside_a_gap_does_not_stand_alone(
    make_raster: MakeRaster, ground: np.ndarray
) -> None:
    """Neighbours that are further apart from each other than the cell is from them say nothing."""
    values = ground.copy()
    values[:, 41:] += 1.0
    values[30, 40] = values[29:32, 39:42].min() - 0.5
    values[10, 9:12] = values[9, 9:12] = values[11, 9:12] = np.nan
    values[10, 10] = 9.0
    assert "lone-elevation" not in rules(read(make_raster(values=values)))


# --- tiles ---------------------------------------------------------------------------------------


def tile(make_raster: MakeRaster, name: str, values: np.ndarray, row: int, column: int,
         **given: Any) -> Path:  # fmt: skip
    """Write a part of the ground where it lies."""
    transform = Affine(0.5, 0, 321_600.0 + 0.5 * column, 0, -0.5, 4_297_800.0 - 0.5 * row)
    return make_raster(name, values, **{"transform": transform, **given})


@settings(max_examples=25, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@given(row=st.integers(6, 54), column=st.integers(6, 74), overlap=st.integers(0, 5),
       order=st.permutations(range(4)))  # fmt: skip
def test_four_tiles_are_the_raster_they_were_cut_from(
    make_raster: MakeRaster, ground: np.ndarray, row: int, column: int, overlap: int,
    order: list[int],
) -> None:  # fmt: skip
    """Wherever it is cut, with or without overlap, in whatever order tiles are given."""
    pieces = [
        tile(make_raster, f"{i}{j}.tif", ground[r, c], r.start, c.start)
        for i, r in enumerate((slice(0, row + overlap), slice(row, 60)))
        for j, c in enumerate((slice(0, column + overlap), slice(column, 80)))
    ]
    source = inspect_elevation([pieces[i] for i in order])
    elevation = read_elevation(source, source.bounds)
    np.testing.assert_array_equal(elevation.grid.values, ground)
    assert elevation.findings == ()
    part = read_elevation(source, (321_603.0, 4_297_773.0, 321_637.0, 4_297_797.0))
    np.testing.assert_array_equal(part.grid.values, ground[6:54, 6:74])
    assert all(part.more_data.values())


def test_a_gap_between_tiles_is_missing(make_raster: MakeRaster, ground: np.ndarray) -> None:
    """What no tile covers has no elevation, and the tiles go on only where they do."""
    west = tile(make_raster, "west.tif", ground[:, :30], 0, 0)
    east = tile(make_raster, "east.tif", ground[:30, 50:], 0, 50)
    source = inspect_elevation([west, east])
    elevation = read_elevation(source, source.bounds)
    expected = ground.astype(float)
    expected[:, 30:50] = np.nan
    expected[30:, 50:] = np.nan
    np.testing.assert_array_equal(elevation.grid.values, expected)
    window = read_elevation(source, (321_625.0, 4_297_786.0, 321_640.0, 4_297_799.0))
    assert window.more_data == {"north": True, "south": True, "east": False, "west": True}


@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize(("step", "is_found"), [(0.0, False), (0.04, False), (0.08, True)])
def test_a_step_along_a_seam_is_found(
    make_raster: MakeRaster, ground: np.ndarray, axis: int, step: float, *, is_found: bool
) -> None:
    """Two surveys that differ by 8 cm meet in a step; the slope of the ground is none."""
    halves = np.split(ground, 2, axis=axis)
    first = tile(make_raster, "first.tif", halves[0], 0, 0)
    second = tile(make_raster, "second.tif", halves[1] + np.float32(step),
                  *((30, 0) if axis == 0 else (0, 40)))  # fmt: skip
    found = [f for f in read(first, second).findings if f.rule == "tile-seam-step"]
    assert bool(found) == is_found
    if is_found:
        assert found[0].measured == pytest.approx(step, abs=0.005)
        assert (found[0].severity, found[0].limit) == ("warn", 0.05)
        assert found[0].subject == "first.tif | second.tif"
        seam = found[0].y == 4_297_784.75 if axis == 0 else found[0].x == 321_620.25
        assert seam


def test_a_terrace_across_the_seam_is_no_step_of_the_tiles(make_raster: MakeRaster) -> None:
    """On ground that steps by 20 cm every third cell, 20 cm along the seam prove nothing."""
    stairs = np.repeat(np.arange(27.0) * 0.2, 3)[:80]
    ground = np.broadcast_to(stairs + 10, (60, 80)).astype("float32")
    first = tile(make_raster, "first.tif", ground[:, :39], 0, 0)
    second = tile(make_raster, "second.tif", ground[:, 39:], 0, 39)
    assert "tile-seam-step" not in rules(read(first, second))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"transform": Affine(0.5, 0, 321_620.002, 0, -0.5, 4_297_800.0)}, "shifted by 0.004"),
        ({"transform": Affine(1.0, 0, 321_620.0, 0, -1.0, 4_297_800.0)}, "measure 1 by 1, not"),
        ({"crs": "EPSG:26917"}, "is in NAD83 / UTM zone 17N, not in NAD83 / UTM zone 18N"),
        ({"unit": "ft"}, "are in ft, those of west.tif in m"),
        ({"crs": None}, "has no coordinate reference system"),
    ],
)
def test_tiles_that_do_not_fit_are_refused_by_name(
    make_raster: MakeRaster, ground: np.ndarray, change: dict[str, Any], said: str
) -> None:
    """The tile that differs is named, and so is the first one."""
    west = tile(make_raster, "west.tif", ground[:, :40], 0, 0)
    east = tile(make_raster, "east.tif", ground[:, 40:], 0, 40, **change)
    with pytest.raises(InputError, match=said) as caught:
        inspect_elevation([west, east])
    assert [fault.file for fault in caught.value.faults] == [str(east)]


def test_the_faults_of_all_files_are_told_at_once(make_raster: MakeRaster, tmp_path: Path) -> None:
    """One missing, one no raster: two faults."""
    (tmp_path / "text.tif").write_text("hello")
    with pytest.raises(InputError) as caught:
        inspect_elevation([make_raster(), tmp_path / "dme.tif", tmp_path / "text.tif"])
    assert len(caught.value.faults) == 2
    with pytest.raises(InputError, match="no elevation raster is named"):
        inspect_elevation([])
    with pytest.raises(InputError, match="tiles = 1"):
        inspect_elevation([make_raster(), make_raster()], limits=Limits(tiles=1))


def test_a_tile_that_damage_moved_away_does_not_take_all_memory(
    make_raster: MakeRaster, ground: np.ndarray
) -> None:
    """The cells between far tiles are not made unless they are asked for."""
    near = tile(make_raster, "near.tif", ground, 0, 0)
    far = tile(make_raster, "far.tif", ground, 10_000_000, 10_000_000)
    source = inspect_elevation([near, far])
    with pytest.raises(InputError, match="window_cells"):
        read_elevation(source, source.bounds)


# --- provenance and real data --------------------------------------------------------------------


def test_the_source_describes_itself_without_paths(make_raster: MakeRaster) -> None:
    """Names, hashes and units, as JSON without NaN, and nothing of the machine."""
    path = make_raster(nodata=float("nan"))
    described = inspect_elevation([path]).describe()
    text = json.dumps(described, allow_nan=False)
    assert str(path.parent) not in text
    assert described["files"][0]["file"] == "dem.tif"
    assert described["files"][0]["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
    assert described["crs"] == "NAD83 / UTM zone 18N (EPSG:26918)"
    assert (described["vertical_unit"], described["cell_m"]) == ("m", 0.5)


@needs_data
@pytest.mark.parametrize(
    ("file", "unit", "shape", "lowest", "highest", "missing"),
    [
        ("alexandria-va/dtm_2m.tif", None, (259, 283), 6.906, 22.118, 276),
        ("delft-ahn3/dtm_05m_filled.tif", None, (450, 520), -0.605, 2.266, 668),
        ("delft-ahn3/dtm_05m_gaps.tif", None, (450, 520), -0.605, 2.266, 86_989),
        ("nm-gully-ft/dtm_2ft.tif", "us-ft", (98, 98), 7078.128 * METRES_PER_US_SURVEY_FOOT,
         7093.718 * METRES_PER_US_SURVEY_FOOT, 0),
    ],
)  # fmt: skip
def test_real_rasters_read_as_their_notes_say(
    file: str, unit: Any, shape: tuple[int, int], lowest: float, highest: float, missing: int
) -> None:
    """Size, range and number of missing cells as published beside the data."""
    grid = read(DATA / file, vertical_unit=unit).grid
    assert grid.shape == shape
    assert int(grid.missing.sum()) == missing
    # the notes give millimetres or thousandths of a foot
    assert np.nanmin(grid.values) == pytest.approx(lowest, abs=6e-4)
    assert np.nanmax(grid.values) == pytest.approx(highest, abs=6e-4)


@needs_data
def test_the_real_raster_in_feet_declares_no_unit() -> None:
    """New Mexico: feet in the plane say nothing of feet in height."""
    with pytest.raises(InputError, match="does not state the unit of its elevations"):
        inspect_elevation([DATA / "nm-gully-ft" / "dtm_2ft.tif"])


@needs_data
def test_a_real_raster_cut_in_two_has_no_seam(tmp_path: Path) -> None:
    """Rough back gardens along the cut are no step of the tiles."""
    with rasterio.open(DATA / "delft-ahn3" / "dtm_05m_filled.tif") as dataset:
        values, profile = dataset.read(1), dataset.profile
    paths = []
    for name, columns in [("west.tif", slice(0, 260)), ("east.tif", slice(260, 520))]:
        part = values[:, columns]
        transform = profile["transform"] @ Affine.translation(columns.start, 0)
        paths.append(tmp_path / name)
        with rasterio.open(paths[-1], "w", **{**profile, "width": 260,
                           "transform": transform}) as dataset:  # fmt: skip
            dataset.write(part, 1)
    elevation = read(*paths, vertical_unit="m")
    np.testing.assert_array_equal(elevation.grid.values, np.where(values == -9999, np.nan, values))
    assert "tile-seam-step" not in rules(elevation)
