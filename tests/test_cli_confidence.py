"""How sure a result is, through the command line: odd errors, numbers, seeds and gaps in data."""

import json
import os
import re
import shutil

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine

from lotflow.cli import main

WEST, NORTH, CRS = 600_000.0, 3_300_000.0, "EPSG:26917"
CELL, CELLS = 0.5, 72
SQUARE = (CELL, CELL)
#: Gaps in the data on the lot, away from its inlets: first and last row, first and last column.
GAPS = ((20, 23, 44, 47), (50, 53, 18, 21))
IN_A_GAP = (9.75, 25.75)
INLETS = {"Bowl": (12, 15), "Slope": (22, 26)}
SHARES = ("05", "50", "95")
#: Rasters of a result without realisations.
MEASURED = ("ground", "inlet", "low_spot_depth", "contributing_area", "flow_direction")


def lotflow(*arguments):
    """Run a command in this process and give its exit code."""
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    return stopped.value.code


def contents(folder):
    """Bytes of every file below a folder, by its path in it."""
    return {str(path.relative_to(folder)): path.read_bytes()
            for path in sorted(folder.rglob("*")) if path.is_file()}  # fmt: skip


def place(east, south):
    return shapely.Point(WEST + east, NORTH - south)


def ground(gaps):
    """A yard that falls to the south by 2 %, with a bowl 0.3 m deep and gaps in the data."""
    row, column = np.mgrid[:CELLS, :CELLS]
    values = 30.0 - 0.01 * row + 0.004 * np.abs(column - 30)
    values += 0.004 * np.random.default_rng(7).standard_normal(values.shape)
    away = np.hypot(row - 30, column - 24)
    values -= np.where(away < 8, 0.45 * (1 - (away / 8) ** 2), 0.0)
    for top, bottom, left, right in gaps:
        values[top:bottom, left:right] = -9999.0
    return values.astype(np.float32)


def write_job(folder, *, gaps=(), cell=SQUARE, inlets=INLETS, confidence="", **elevation):
    """Write a job of one lot with a shed and two inlets."""
    folder.mkdir()
    settings = "".join(f"{key} = {value}\n" for key, value in elevation.items())
    (folder / "job.toml").write_text(
        f'[elevation]\nfile = "dem.tif"\n{settings}[layers]\nfile = "site.gpkg"\n'
        f"[criteria]\nlow_spot_depth_m = 0.05\n[confidence]\n{confidence}\n",
        encoding="utf-8",
    )
    transform = Affine(cell[0], 0.0, WEST, 0.0, -cell[1], NORTH)
    with rasterio.open(
        folder / "dem.tif", "w", driver="GTiff", count=1, dtype="float32", height=CELLS,
        width=CELLS, crs=CRS, nodata=-9999.0, transform=transform,
    ) as raster:  # fmt: skip
        raster.write(ground(gaps), 1)
        raster.units = ("metre",)
    layers = {
        "lot": {"Lot": shapely.box(WEST + 4, NORTH - 32, WEST + 32, NORTH - 4)},
        "buildings": {"Shed": shapely.box(WEST + 24, NORTH - 16, WEST + 29, NORTH - 10)},
        "inlets": {name: place(*where) for name, where in inlets.items()},
    }
    for layer, shapes in layers.items():
        frame = gpd.GeoDataFrame({"name": list(shapes)}, geometry=list(shapes.values()), crs=CRS)
        frame.to_file(folder / "site.gpkg", layer=layer)
    return folder


def strict(constant):
    """Refuse what is no number in a summary."""
    raise AssertionError(constant)


class Result:
    """A finished result folder, read back."""

    def __init__(self, folder):
        self.folder = folder
        self.files = contents(folder)  # before other programs leave theirs beside them
        self.summary = json.loads((folder / "summary.json").read_text(), parse_constant=strict)
        self.findings = {found["rule"]: found for found in self.summary["findings"]}
        self.known = np.isfinite(self.raster("ground"))

    def raster(self, name):
        """Values of a raster, NaN where it says that there are none."""
        with rasterio.open(self.folder / f"{name}.tif") as raster:
            return raster.read(1, masked=True).astype(float).filled(np.nan)

    def shares(self):
        """Of each cell the share of realisations in which it drains to each inlet."""
        numbers = range(1, len(self.summary["inlets"]) + 1)
        return np.array([self.raster(f"drains_to_inlet_{number}") for number in numbers])

    def falls(self):
        return gpd.read_file(self.folder / "result.gpkg", layer="falls")

    def bounds(self):
        """Every value that has bounds, with them: (low, middle, high, value)."""
        pairs = [
            *((spot, "depth_m", "depth_m") for spot in self.summary["low_spots"]),
            *((spot, "volume_m3", "volume_m3") for spot in self.summary["low_spots"]),
            *((inlet, "catchment_m2", "catchment_m2") for inlet in self.summary["inlets"]),
            *((inlet, "ground_flow_per_10mm_h_m3s", "flow_per_10mm_h_m3s")
              for inlet in self.summary["inlets"]),
        ]  # fmt: skip
        return [(*(row[f"{name}_p{share}"] for share in SHARES), row[value])
                for row, name, value in pairs]  # fmt: skip


@pytest.fixture(scope="module")
def computed(tmp_path_factory):
    """Compute a job once for all tests of this file that ask for it."""
    made = {}

    def compute(*options, **settings):
        key = (options, *sorted(settings.items()))
        if key not in made:
            job = write_job(tmp_path_factory.mktemp("confidence") / "job", **settings)
            assert lotflow("run", job, "-q", "--no-pack", *options) == 0
            made[key] = Result(job / "result")
        return made[key]

    return compute


def test_without_error_bounds_and_shares_are_the_measured_values(computed):
    """With gaps in the data too: each bound is the value itself, each share 0 or 1."""
    exact = computed("--realisations", 100, rmse_m=0.0, gaps=GAPS)
    plain = computed("--realisations", 0, rmse_m=0.0, gaps=GAPS)
    for name in MEASURED:
        one, other = ((result.folder / f"{name}.tif").read_bytes() for result in (exact, plain))
        assert one == other
    for layer in ("low_spots", "inlets"):
        assert len(exact.summary[layer]) == len(plain.summary[layer]) > 0
        for told, deterministic in zip(exact.summary[layer], plain.summary[layer], strict=True):
            same = {key for key, value in deterministic.items() if value is not None}
            assert {key: told[key] for key in same} == {key: deterministic[key] for key in same}
    assert all(set(row) == {row[-1]} for row in exact.bounds())
    assert {spot["probability"] for spot in exact.summary["low_spots"]} == {1.0}
    inlet, shares = plain.raster("inlet"), exact.shares()
    assert np.array_equal(exact.raster("likely_inlet")[exact.known], inlet[exact.known])
    assert (exact.raster("likely_inlet_share")[exact.known] == 1).all()
    for number, share in enumerate(shares, start=1):
        assert np.array_equal(share[exact.known], (inlet == number)[exact.known])
        assert share[exact.known].any()
    falls = exact.falls()
    for share in SHARES:
        assert falls[f"fall_m_p{share}"].to_numpy() == pytest.approx(falls["fall_m"], abs=1e-9)
    assert (falls["is_certain"] == (falls["fall_m"] > 0)).all()
    assert "exact, which no survey is" in exact.findings["realisations"]["message"]


def assert_sound(result):
    """Bounds are in order, shares are shares, and none of it is where there is no ground."""
    for low, middle, high, _ in result.bounds():
        assert 0 <= low <= middle <= high
    assert all(0 <= spot["probability"] <= 1 for spot in result.summary["low_spots"])
    area = result.known.sum() * CELL**2
    assert all(inlet["catchment_m2_p95"] <= area for inlet in result.summary["inlets"])
    shares = result.shares()
    assert np.array_equal(np.isnan(shares).all(axis=0), ~result.known)
    assert (shares[:, result.known] >= 0).all()
    assert (shares[:, result.known].sum(axis=0) <= 1 + 1e-6).all()
    assert np.isnan(result.raster("likely_inlet_share")[~result.known]).all()
    likely = result.raster("likely_inlet")
    assert set(np.unique(likely[result.known])) <= {0.0, 1.0, 2.0}
    assert not np.nan_to_num(likely[~result.known]).any()
    falls = result.falls()
    assert len(falls) >= 1
    assert (falls["fall_m_p05"] <= falls["fall_m_p50"]).all()
    assert (falls["fall_m_p50"] <= falls["fall_m_p95"]).all()


def between_inlets(result):
    """Row of the fall between the two inlets."""
    falls = result.falls()
    (row,) = falls[(falls["from_kind"] == "inlet") & (falls["to_kind"] == "inlet")].itertuples()
    return row


def test_a_huge_error_leaves_nothing_sure(computed):
    """5 m on ground that falls by less than 1 m: nothing is told as certain."""
    result = computed(rmse_m=5.0, confidence="realisations = 40")
    assert_sound(result)
    (spot,) = result.summary["low_spots"]
    assert spot["probability"] < 0.5
    assert spot["depth_m_p05"] == 0
    assert "within the noise of the data" in result.findings["low-spot-sureness"]["message"]
    assert {"catchment-unsure", "catchment-hangs-on-detail"} & set(result.findings)
    fall = between_inlets(result)
    assert fall.fall_m_p95 - fall.fall_m_p05 > 5
    assert not result.falls()["is_certain"].any()


def test_where_the_error_is_the_limit_a_huge_one_says_that_nothing_deeper_was_found(
    tmp_path, capfd
):
    """Without a limit of its own a low spot counts from the error on: that must not be silent."""
    job = write_job(tmp_path / "job", rmse_m=5.0, confidence="realisations = 20")
    toml = (job / "job.toml").read_text()
    (job / "job.toml").write_text(toml.replace("low_spot_depth_m = 0.05\n", ""))
    assert lotflow("run", job, "--no-pack") == 0
    out = capfd.readouterr().out
    assert "nowhere deeper than 5.00 m" in out
    assert "good to about 5.00 m (RMSE)" in out
    assert Result(job / "result").summary["low_spots"] == []


def test_an_error_shared_by_the_whole_window_moves_no_water(computed):
    """A correlation of 1000 m on a lot of 28 m; the bowl stays, and what falls stays falling."""
    result = computed(
        rmse_m=0.05, correlation_m=1000, white_share=0.0, confidence="realisations = 40"
    )
    assert_sound(result)
    (spot,) = result.summary["low_spots"]
    assert spot["probability"] > 0.95
    assert "40 of 40" in result.findings["low-spot-sureness"]["message"]
    bowl = result.summary["inlets"][0]
    assert bowl["catchment_m2_p05"] < bowl["catchment_m2"] < bowl["catchment_m2_p95"]
    assert between_inlets(result).is_certain
    assert "1,000.0 m" in result.findings["realisations"]["message"]


def test_gaps_in_the_data_take_part_in_nothing(computed):
    """Islands without elevation on the lot: said, left out of every share, and nothing breaks."""
    result = computed(rmse_m=0.05, gaps=GAPS, confidence="realisations = 20")
    with rasterio.open(result.folder.parent / "dem.tif") as raster:
        assert np.array_equal(result.known, raster.read(1) != -9999)
    assert (~result.known).sum() == 18
    assert_sound(result)
    assert "missing-elevations" in result.findings
    assert result.summary["low_spots"][0]["probability"] > 0.9  # in all of 20 realisations


def test_the_same_seed_gives_the_same_bytes_on_one_processor_or_all(computed, tmp_path):
    """Every file of the result; of the number of processors nothing depends."""
    first = computed(rmse_m=0.05, gaps=GAPS, confidence="realisations = 20")
    job = shutil.copytree(
        first.folder.parent, tmp_path / "job", ignore=shutil.ignore_patterns("result")
    )
    before = os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else None
    try:
        if before:
            os.sched_setaffinity(0, {min(before)})
        assert lotflow("run", job, "-q", "--no-pack") == 0
    finally:
        if before:
            os.sched_setaffinity(0, before)
    assert contents(job / "result") == first.files


def test_another_seed_gives_other_bytes_of_what_is_drawn_alone(computed):
    """Shares and bounds change, what was measured does not."""
    first = computed(rmse_m=0.05, gaps=GAPS, confidence="realisations = 20")
    other = computed(rmse_m=0.05, gaps=GAPS, confidence="realisations = 20\nseed = 1")
    assert first.files.keys() == other.files.keys()
    changed = {name for name in first.files if first.files[name] != other.files[name]}
    assert {"likely_inlet_share.tif", "drains_to_inlet_1.tif", "summary.json"} <= changed
    assert not changed & {f"{name}.tif" for name in MEASURED}
    assert other.summary["confidence"][0]["seed"] == 1
    assert first.bounds() != other.bounds()
    assert [row[-1] for row in first.bounds()] == [row[-1] for row in other.bounds()]


def test_one_realisation_gives_no_bounds_and_says_so(computed):
    """One surface cannot tell how sure anything is: shares and bounds are empty."""
    result = computed("--realisations", 1, rmse_m=0.05)
    for low, middle, high, _ in result.bounds():
        assert (low, high) == (None, None)
        assert middle >= 0
    assert {spot["probability"] for spot in result.summary["low_spots"]} == {None}
    assert set(np.unique(result.shares()[:, result.known])) <= {0.0, 1.0}
    falls = result.falls()
    assert falls[["fall_m_p05", "fall_m_p95"]].isna().all(axis=None)
    assert not falls["is_certain"].any()
    note = result.findings["realisations"]
    assert "1 realisation, a surface that may be the true ground" in note["message"]
    assert "fewer than 20 give no bounds" in note["message"]
    assert not {"low-spot-sureness", "catchment-unsure", "catchment-hangs-on-detail"} & set(
        result.findings
    )


def test_without_realisations_nothing_of_an_earlier_result_stays(computed, tmp_path):
    """By the option or in the job: no shares, no bounds, no rasters of them."""
    sure = computed(rmse_m=0.05, gaps=GAPS, confidence="realisations = 20")
    folder = shutil.copytree(sure.folder, tmp_path / "result")
    job = write_job(tmp_path / "job", rmse_m=0.05, gaps=GAPS, confidence="realisations = 0")
    assert lotflow("run", job, "-o", folder, "--overwrite", "-q", "--no-pack") == 0
    plain = Result(folder)
    assert plain.summary["confidence"] == []
    assert {spot["probability"] for spot in plain.summary["low_spots"]} == {None}
    assert all(row[:3] == (None, None, None) for row in plain.bounds())
    assert [row[3] for row in plain.bounds()] == [row[3] for row in sure.bounds()]
    assert "realisations" not in plain.findings
    drawn = {"likely_inlet.tif", "likely_inlet_share.tif", "drains_to_inlet_1.tif"}
    assert drawn <= set(sure.files)
    assert not drawn & set(plain.files)
    text = (folder / "overview.txt").read_text(encoding="utf-8")
    assert "Chance" not in text
    assert "Chance" in (sure.folder / "overview.txt").read_text(encoding="utf-8")


def test_cells_that_are_not_quite_square_are_made_square(computed):
    """Areas are those of the cells that are worked on, bounds too."""
    result = computed(rmse_m=0.0, cell=(0.5, 0.5025))
    assert "not quite square" in result.findings["resampled"]["message"]
    with rasterio.open(result.folder / "ground.tif") as raster:
        width, height = raster.res
    assert width == height
    assert all(set(row) == {row[-1]} for row in result.bounds())
    area = np.nansum(result.shares(), axis=(1, 2)) * width * height
    told = [inlet["catchment_m2"] for inlet in result.summary["inlets"]]
    # of the shed, whose eaves drip on an inlet's ground, the cells under its roof count too
    assert area == pytest.approx(told, rel=1e-4)


def test_the_most_realisations_are_accepted(tmp_path):
    job = write_job(tmp_path / "job", confidence="realisations = 10000\nseed = 4294967295")
    assert lotflow("check", job, "-q") == 0


REFUSED = {
    "error below 0": ({"rmse_m": -0.1}, "line 3", "rmse_m = -0.1", "0 or more"),
    "error that is no number": ({"rmse_m": "nan"}, "line 3", "rmse_m = nan", "finite"),
    "endless error": ({"rmse_m": "inf"}, "line 3", "rmse_m = inf", "finite"),
    "error beyond all surveys": ({"rmse_m": 10.5}, "line 3", "rmse_m = 10.5", "10 or less"),
    "error in words": ({"rmse_m": '"10 cm"'}, "line 3", "rmse_m = '10 cm'", "number"),
    "share below 0": ({"white_share": -0.01}, "white_share = -0.01", "0 or more"),
    "share above 1": ({"white_share": 1.01}, "white_share = 1.01", "1 or less"),
    "share that is no number": ({"white_share": "nan"}, "white_share = nan", "finite"),
    "correlation of 0": ({"correlation_m": 0}, "correlation_m = 0", "greater than 0"),
    "correlation below 0": ({"correlation_m": -5.0}, "correlation_m = -5.0", "greater than 0"),
    "endless correlation": ({"correlation_m": "inf"}, "correlation_m = inf", "finite"),
    "correlation in kilometres": ({"correlation_m": 1001}, "correlation_m = 1001", "1000 or less"),
    "realisations below 0": (
        {"confidence": "realisations = -1"}, "line 8", "realisations = -1", "0 or more",
    ),
    "more than can be counted": (
        {"confidence": "realisations = 65535"}, "line 8", "realisations = 65535", "10000 or less",
    ),
    "half a realisation": (
        {"confidence": "realisations = 0.5"}, "realisations = 0.5", "whole number",
    ),
    "seed below 0": ({"confidence": "seed = -1"}, "line 8", "seed = -1", "0 or more"),
    "seed of 33 bits": ({"confidence": "seed = 4294967296"}, "seed = 4294967296", "less than"),
    "cells not square": ({"cell": (0.5, 0.525)}, "dem.tif", "0.5 by 0.525", "Resample"),
    "inlet in a gap": (
        {"gaps": GAPS, "inlets": {"Bowl": (12, 15), "Gap": IN_A_GAP}},
        "site.gpkg, layer inlets", "Gap", "no values", "Move it",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_taken_is_refused_and_the_old_result_stays(case, computed, tmp_path, capfd):
    """Exit 1, one message with file, line or layer, and remedy; nothing made or changed."""
    settings, *words = REFUSED[case]
    finished = computed("--realisations", 1, rmse_m=0.05)
    write_job(tmp_path / "job", **settings)
    old = shutil.copytree(finished.folder, tmp_path / "old")
    before = contents(tmp_path)
    capfd.readouterr()
    assert lotflow("run", tmp_path / "job", "-o", old, "--overwrite", "--no-pack") == 1
    out, err = capfd.readouterr()
    assert out == ""
    assert len(re.findall(r"^lotflow: ", err, re.MULTILINE)) == 1, err
    assert "fault of the program" not in err
    assert "Traceback" not in err
    place_of_it = "job.toml" if "confidence" in settings or len(settings) == 1 else "site.gpkg"
    wanted = [*words, *([place_of_it] if "cell" not in settings else [])]
    assert [word for word in wanted if word not in err] == [], err
    assert contents(tmp_path) == before


@pytest.mark.parametrize("number", ["65535", "10001", "-1", "1.5", "nan", "many"])
def test_a_number_of_realisations_that_cannot_be_run_is_wrong_usage(number, tmp_path, capfd):
    """By the option as in the job file; exit 2, and nothing is written."""
    job = write_job(tmp_path / "job")
    before = contents(tmp_path)
    assert lotflow("run", job, "--realisations", number) == 2
    out, err = capfd.readouterr()
    assert out == ""
    assert "--realisations" in err
    assert number in err
    assert contents(tmp_path) == before
