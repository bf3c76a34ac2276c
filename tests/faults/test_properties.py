"""What holds of files, folders and whole studies for whatever hypothesis thinks of."""

from __future__ import annotations

import contextlib
import json
import re
import shutil
import string
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from affine import Affine
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from hypothesis.stateful import Bundle, RuleBasedStateMachine, initialize, invariant, rule
from programme.mutate import mutated
from programme.small_job import lot_geojson, small_job, write_job
from pyproj import CRS

from lotflow.cli import main
from lotflow.errors import InputError, OutputError
from lotflow.grid import Grid
from lotflow.inputs.crs_text import check_crs_text, geotiff_crs_text
from lotflow.inputs.elevation import inspect_elevation, read_elevation
from lotflow.inputs.job import read_job, with_realisations
from lotflow.inputs.limits import DEFAULT_LIMITS, Limits
from lotflow.inputs.open import local_file, sniff
from lotflow.inputs.vectors import check_geojson, read_layer
from lotflow.outputs.geopackage import verify_geopackage, write_geopackage
from lotflow.outputs.manifest import MANIFEST, is_plain_name, read_manifest, verify_result
from lotflow.outputs.rasters import verify_cog, write_cog
from lotflow.outputs.result_file import text_file
from lotflow.outputs.result_set import STAGING, write_result_set
from lotflow.outputs.summary import summary_content
from lotflow.study import run_study
from lotflow.terrain.notes import balance_as_areas

#: Files on a disk take longer than numbers in memory.
on_disk = settings(max_examples=12, deadline=None,
                   suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
sometimes = settings(on_disk, max_examples=2)

PLACE = Affine(0.5, 0, 500_000, 0, -0.5, 4_000_000)
shapes = st.tuples(st.integers(1, 40), st.integers(1, 40))
elevations = st.floats(-500, 9000, width=32) | st.just(np.nan)


def test_no_property_has_a_deadline() -> None:
    """A loaded machine must not fail one: `tests/conftest.py`."""
    assert settings().deadline is None


# what is written reads back


@on_disk
@given(arrays(np.float32, shapes, elements=elevations))
def test_a_raster_reads_back_as_it_was_written(tmp_path: Path, values: Any) -> None:
    """Every value to the last bit, gaps as gaps, and the place."""
    grid = Grid(values.astype(float), PLACE, CRS(32618))
    write_cog(tmp_path / "a.tif", grid, description="depth", unit="m")
    verify_cog(tmp_path / "a.tif", grid, description="depth", unit="m")
    with rasterio.open(tmp_path / "a.tif") as dataset:
        assert dataset.transform == PLACE
        np.testing.assert_array_equal(dataset.read(1, masked=True).filled(np.nan), values)


@on_disk
@given(arrays(np.float32, shapes, elements=elevations), st.data())
def test_one_changed_cell_of_a_raster_is_found(tmp_path: Path, values: Any, data: Any) -> None:
    """The proof of a raster misses no cell."""
    row, column = (data.draw(st.integers(0, size - 1)) for size in values.shape)
    other = values.copy()
    other[row, column] = data.draw(elevations)
    assume(not np.array_equal(other, values, equal_nan=True))
    write_cog(tmp_path / "a.tif", Grid(other.astype(float), PLACE, CRS(32618)), description="d",
              unit="m")  # fmt: skip
    with pytest.raises(OutputError, match="values"):
        verify_cog(tmp_path / "a.tif", Grid(values.astype(float), PLACE, CRS(32618)),
                   description="d", unit="m")  # fmt: skip


names = st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=40)


# few files of many rows: most of the time goes into the layers that have none
@settings(on_disk, max_examples=3)
@given(st.lists(st.tuples(names, st.floats(0, 1e6)), min_size=1, max_size=24))
def test_a_layer_reads_back_as_it_was_written(
    tmp_path: Path, rows: list[tuple[str, float]]
) -> None:
    """Text of any letters, numbers to the last bit, shapes to the last bit."""
    boxes = shapely.box(0.1 * np.arange(len(rows)), 0, 0.1 * np.arange(len(rows)) + 1, 1)
    lot = gpd.GeoDataFrame({"name": [name for name, _ in rows], "area_m2": [a for _, a in rows]},
                           geometry=list(boxes), crs=32618)  # fmt: skip
    path = tmp_path / "a.gpkg"
    write_geopackage(path, {"lot": lot}, metadata={"run_id": "1"})
    verify_geopackage(path, {"lot": lot}, metadata={"run_id": "1"})
    back = gpd.read_file(path, layer="lot")
    assert back["name"].tolist() == lot["name"].tolist()
    pd.testing.assert_series_equal(back["area_m2"], lot["area_m2"], check_exact=True)
    assert [shape.geoms[0].wkb for shape in back.geometry] == [shape.wkb for shape in boxes]


@on_disk
@given(st.data(), st.sampled_from(["deflate", "lzw", "zstd", None]), st.booleans())
def test_ground_is_read_as_it_was_stored(
    tmp_path: Path, data: Any, compress: str | None, tiled: bool
) -> None:
    """In any window, from any way of storing it."""
    rows, columns = (data.draw(st.integers(17, 60)) for _ in range(2))
    ground = np.random.default_rng(data.draw(st.integers(0, 99))).normal(50, 1, (rows, columns))
    profile = {"driver": "GTiff", "count": 1, "height": rows, "width": columns, "crs": 32618,
               "dtype": "float32", "transform": PLACE, "compress": compress, "tiled": tiled,
               "blockxsize": 16 if tiled else columns, "blockysize": 16}  # fmt: skip
    with rasterio.open(tmp_path / "dem.tif", "w", **profile) as dataset:
        dataset.write(ground.astype("float32"), 1)
    source = inspect_elevation([tmp_path / "dem.tif"], vertical_unit="m")
    top, left = data.draw(st.integers(0, rows - 2)), data.draw(st.integers(0, columns - 2))
    bottom, right = data.draw(st.integers(top + 1, rows)), data.draw(st.integers(left + 1, columns))
    west, east = (PLACE.c + PLACE.a * column for column in (left, right))
    north, south = (PLACE.f + PLACE.e * row for row in (top, bottom))
    window = read_elevation(source, (west, south, east, north)).grid
    np.testing.assert_array_equal(
        window.values, ground.astype("float32")[top:bottom, left:right].astype(float)
    )


# what is read is read or refused, never anything else


@given(st.binary(max_size=600))
def test_any_bytes_are_a_known_kind_or_refused(data: bytes) -> None:
    """The first bytes decide; out comes a kind or an error."""
    with tempfile.NamedTemporaryFile() as file:
        Path(file.name).write_bytes(data)
        with contextlib.suppress(InputError):
            assert sniff(Path(file.name)) in ("geotiff", "ascii-grid", "geopackage", "geojson",
                                              "shapefile")  # fmt: skip


@given(st.text(max_size=300))
def test_any_text_is_a_file_or_refused(text: str) -> None:
    """A path that is a URL, markup, or holds a NUL is no crash."""
    with contextlib.suppress(InputError):
        assert local_file(text, "lot").is_file()


@given(st.binary(max_size=400), st.sampled_from([b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"]))
def test_any_tags_of_a_raster_give_text_or_none(data: bytes, start: bytes) -> None:
    """Damaged tags give no text, never an error of their own."""
    with tempfile.NamedTemporaryFile() as file:
        Path(file.name).write_bytes(start + data)
        assert isinstance(geotiff_crs_text(Path(file.name)), bytes)


@given(st.binary(max_size=60), st.binary(max_size=60))
def test_a_grid_file_is_found_wherever_it_stands(before: bytes, after: bytes) -> None:
    """In whatever text round it, in any capitals."""
    for word in (b"PROJ4_GRIDS", b"proj4_grids", b"PARAMETERFILE", b"+nadgrids=x"):
        with pytest.raises(InputError):
            check_crs_text(before + word + after, file="a.prj")


@given(st.integers(0, 10**9), st.integers(0, 10**9))
def test_a_limit_is_an_upper_bound(limit: int, measured: int) -> None:
    """Up to the limit nothing is said, above it an error."""
    limits = Limits(features=limit)
    expected = pytest.raises(InputError) if measured > limit else contextlib.nullcontext()
    with expected:
        limits.check("features", measured, "it holds {}", file="a")


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 10**9))
def test_damaged_geojson_is_refused_or_counted_right(seed: int) -> None:
    """What is lost in a damaged file shows in the count, or nothing is lost."""
    _, data = mutated(lot_geojson(), f"N-{seed}")
    with contextlib.suppress(InputError, ValueError, RecursionError):
        assert check_geojson(data, Path("a"), DEFAULT_LIMITS)[0] == 1


@on_disk
@given(st.integers(0, 10**9))
def test_a_damaged_layer_is_refused_or_has_a_crs(tmp_path: Path, seed: int) -> None:
    """No layer without a place comes through."""
    _, data = mutated(lot_geojson(), f"N2-{seed}")
    (tmp_path / "a.geojson").write_bytes(data)
    with contextlib.suppress(InputError):
        assert read_layer(tmp_path / "a.geojson").crs is not None


@given(st.integers(0, 10**6), st.binary(min_size=2, max_size=2000))
def test_damage_is_the_same_for_the_same_seed(seed: int, data: bytes) -> None:
    """So that a case can be repeated, and there always is damage."""
    assume(len(set(data)) > 1)
    assert mutated(data, f"{seed}") == mutated(data, f"{seed}")
    assert mutated(data, f"{seed}")[1] != data


@given(st.text(max_size=60))
def test_a_plain_name_stays_in_its_folder(name: str) -> None:
    """And is what it shows."""
    if is_plain_name(name):
        assert (Path("/a") / name).parent == Path("/a")
        assert not set(name) & {"/", "\0", "\n"}
        assert name not in (".", "..")


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.text(string.ascii_lowercase + "_", max_size=14), inner, max_size=4)
    ),
    max_leaves=12,
)
manifests = st.fixed_dictionaries({}, optional={
    "schema_version": json_values, "state": st.sampled_from(["complete", "being replaced", 1]),
    "files": json_values, "next_files": json_values,
})  # fmt: skip


@on_disk
@given(manifests | json_values)
def test_any_summary_is_a_manifest_or_refused(tmp_path: Path, content: Any) -> None:
    """Whatever JSON stands in a summary, reading it gives a manifest or an error."""
    (tmp_path / MANIFEST).write_text(json.dumps(content))
    with contextlib.suppress(InputError):
        assert all(is_plain_name(name) for name in read_manifest(tmp_path)["files"])
    assert isinstance(verify_result(tmp_path), list)


# whole studies


def by_python(job: Path, _result: Path) -> dict[str, Any]:
    """Content of the summary, without anything being drawn, written or drawn at random."""
    study = run_study(with_realisations(read_job(job), 0))
    balance = balance_as_areas(study.lot.balance, study.lot.window.surface.ground.cell_m2)
    return summary_content(study.layers, balance=balance, provenance={}, sections=study.sections)


def by_command(job: Path, result: Path) -> dict[str, Any]:
    """Content of the summary that a run has written."""
    with pytest.raises(SystemExit) as stopped:
        main(["run", str(job), "-o", str(result), "-q", "--no-pack"])
    assert stopped.value.code == 0
    return dict(json.loads((result / MANIFEST).read_text()))


Door = Callable[[Path, Path], dict[str, Any]]

#: Maps and realisations take most of the time of a run, and none of these numbers come from them.
DOORS = [pytest.param(by_python, id="q"),
         pytest.param(by_command, marks=(pytest.mark.nightly, pytest.mark.release))]  # fmt: skip


def screened(door: Door, folder: Path, shift: tuple[float, float], seed: int) -> dict[str, Any]:
    """Run a lot that lies elsewhere and give its summary."""
    job = small_job(folder / "job")
    x, y = shift
    ground = np.random.default_rng(seed).normal(0, 0.03, (96, 96)).cumsum(0).cumsum(1) / 20
    with rasterio.open(
        job / "dem.tif", "w", driver="GTiff", count=1, height=96, width=96, dtype="float32",
        crs=26917, transform=Affine(0.5, 0, 600_000 + x, 0, -0.5, 3_300_000 + y),
    ) as dataset:  # fmt: skip
        dataset.write((20 + ground).astype("float32"), 1)
    lot = gpd.read_file(job / "lot.geojson")
    (job / "lot.geojson").unlink()
    lot.geometry = lot.translate(x, y)
    lot.to_file(job / "lot.gpkg", layer="lot")
    write_job(job, layer_lines='lot = "lot.gpkg"')
    return door(job, folder / "result")


@pytest.mark.parametrize("door", DOORS)
@sometimes
@given(st.integers(-400, 400), st.integers(-400, 400), st.integers(0, 99))
def test_a_lot_that_lies_elsewhere_has_the_same_water(
    door: Door, east: int, north: int, seed: int
) -> None:
    """Moved by whole cells with its ground: same areas, depths and volumes."""
    with tempfile.TemporaryDirectory() as folder:
        for name in ("here", "there"):
            (Path(folder) / name).mkdir()
        here = screened(door, Path(folder) / "here", (0.0, 0.0), seed)
        there = screened(door, Path(folder) / "there", (east / 2, north / 2), seed)
    for key in ("area_m2", "depth_m", "volume_m3"):
        assert [spot[key] for spot in there["low_spots"]] == pytest.approx(
            [spot[key] for spot in here["low_spots"]], abs=1e-4
        )
    assert there["balance"] == here["balance"]


@pytest.mark.parametrize("door", DOORS)
@sometimes
@given(st.integers(0, 99))
def test_the_balance_of_any_ground_closes(door: Door, seed: int) -> None:
    """All of the lot's area is told where it drains to."""
    with tempfile.TemporaryDirectory() as folder:
        assert screened(door, Path(folder), (0.0, 0.0), seed)["balance"]["residual_m2"] == 0


class ResultFolder(RuleBasedStateMachine):
    """A result folder through writing, overwriting, spoiling, and files of others."""

    foreign = Bundle("foreign")

    @initialize()
    def begin(self) -> None:
        """No folder yet."""
        self.place = Path(tempfile.mkdtemp())
        self.folder = self.place / "result"
        self.held = ""
        self.others: dict[str, bytes] = {}

    @rule(letter=st.sampled_from("ABC"), overwrite=st.booleans(), fails=st.booleans())
    def write(self, letter: str, *, overwrite: bool, fails: bool) -> None:
        """Write a result, or fail while doing so."""

        def refuse(_path: Path) -> None:
            raise OSError(5, "Input/output error")

        files = [text_file("a.txt", letter), text_file(f"only_{letter}.txt", letter * 9)]
        if fails:
            files.append(type(files[0])("bad.txt", refuse, refuse))
        summary = {"schema_version": "1", "letter": letter}
        try:
            write_result_set(self.folder, files, summary, overwrite=overwrite)
        except OutputError:
            others = overwrite and not self.held and self.others  # somebody else's folder
            assert fails or "a.txt" in self.others or others
            return
        assert not fails
        self.held = letter

    @rule(target=foreign, name=st.sampled_from(["notes.md", "photo.jpg"]), data=st.binary())
    def put_a_file_there(self, name: str, data: bytes) -> str:
        """Somebody keeps a file beside the result."""
        self.folder.mkdir(exist_ok=True)
        (self.folder / name).write_bytes(data)
        self.others[name] = data
        return name

    @rule()
    def leave_something_half_done(self) -> None:
        """A run was killed while it was staging."""
        self.folder.mkdir(exist_ok=True)
        stale = self.folder / f"{STAGING}1-aaaa"
        stale.mkdir(exist_ok=True)
        (stale / "a.txt").write_text("half")

    @invariant()
    def the_folder_tells_the_truth(self) -> None:
        """It holds what was last written with success, whole, and what others have put there."""
        if not hasattr(self, "folder"):
            return
        for name, data in self.others.items():
            assert (self.folder / name).read_bytes() == data
        if not self.held:
            assert not (self.folder / MANIFEST).exists()
            return
        assert verify_result(self.folder) == []
        assert read_manifest(self.folder)["letter"] == self.held
        shown = {path.name for path in self.folder.iterdir() if not path.name.startswith(".")}
        assert shown == {MANIFEST, "a.txt", f"only_{self.held}.txt", *self.others}

    def teardown(self) -> None:
        """Leave nothing."""
        shutil.rmtree(self.place)


TestResultFolder = ResultFolder.TestCase
TestResultFolder.settings = settings(max_examples=30, stateful_step_count=20, deadline=None)


class LongResultFolder(ResultFolder):
    """The same in more steps."""


TestLongResultFolder = pytest.mark.release(pytest.mark.nightly(LongResultFolder.TestCase))
TestLongResultFolder.settings = settings(max_examples=30, deadline=None)


class JobFolder(RuleBasedStateMachine):
    """A user who starts a job, edits it, runs it, and runs it over the result."""

    @initialize()
    def begin(self) -> None:
        """A raster and a lot; no job yet."""
        self.place = Path(tempfile.mkdtemp())
        small_job(self.place / "inputs")
        self.started, self.results, self.good = False, 0, True

    def command(self, *arguments: object) -> int:
        """Run a command and give its exit code."""
        with pytest.raises(SystemExit) as stopped:
            main([str(argument) for argument in arguments])
        return int(stopped.value.code or 0)

    @rule()
    def start(self) -> None:
        """The first time only."""
        inputs = self.place / "inputs"
        named = ("--elevation", inputs / "dem.tif", "--lot", inputs / "lot.geojson")
        code = self.command("start", self.place / "job", *named, "--vertical-unit", "m", "-q")
        assert code == int(self.started)
        self.started = True

    @rule(good=st.booleans())
    def edit(self, *, good: bool) -> None:
        """Write a setting that is right or wrong."""
        if self.started:
            path = self.place / "job" / "job.toml"
            setting = f"rmse_m = {0.1 if good else -0.1}"
            path.write_text(re.sub(r"(?m)^#? ?rmse_m = .*$", setting, path.read_text()))
            self.good = good

    @rule(overwrite=st.booleans())
    def run(self, *, overwrite: bool) -> None:
        """Succeeds if the job is right, also over its own result."""
        if not self.started:
            return
        flags = ["--overwrite"] if overwrite else []
        code = self.command("run", self.place / "job", "-q", "--no-pack", *flags)
        assert code == (0 if self.good else 1)
        self.results += code == 0

    @invariant()
    def the_result_is_whole(self) -> None:
        """What a successful run has written stays whole whatever fails later."""
        if getattr(self, "results", 0):
            assert verify_result(self.place / "job" / "result") == []

    def teardown(self) -> None:
        """Leave nothing."""
        shutil.rmtree(self.place)


TestJobFolder = pytest.mark.release(pytest.mark.nightly(JobFolder.TestCase))
TestJobFolder.settings = settings(max_examples=6, stateful_step_count=8, deadline=None)
