"""What must change nothing: where the ground lies, and in which order rows were drawn."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rasterio.transform import Affine

from lotflow.inputs.job import screening_job, with_realisations
from lotflow.study import run_study

SAMPLE = Path(__file__).parents[1] / "data_samples" / "alder_court"
LAYERS = ("lot", "buildings", "walls", "inlets")
SLOW = settings(max_examples=4, deadline=None,
                suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip


def frames():
    listed = set(pyogrio.list_layers(SAMPLE / "site.gpkg")[:, 0])
    return {name: gpd.read_file(SAMPLE / "site.gpkg", layer=name) for name in LAYERS
            if name in listed}  # fmt: skip


def studied(folder, layers, east=0, north=0):
    """The sample, its layers as given, all of it moved."""
    with rasterio.open(SAMPLE / "dem.tif") as source:
        profile, values, units = source.profile, source.read(), source.units
    profile["transform"] = Affine.translation(east, north) @ profile["transform"]
    raster = folder / f"dem{east}{north}.tif"
    with rasterio.open(raster, "w", **profile) as target:
        target.write(values)
        target.units = units
    files = {}
    for name, frame in layers.items():
        files[name] = folder / f"{name}{east}{north}.gpkg"
        moved = frame.set_geometry(frame.translate(east, north))
        moved.to_file(files[name], layer=name)
    return run_study(with_realisations(screening_job((raster,), files), 0), use_covers=False)


@pytest.fixture(scope="module")
def usual(tmp_path_factory):
    return studied(tmp_path_factory.mktemp("usual"), frames())


@SLOW
@given(east=st.integers(-20_000, 20_000), north=st.integers(-30_000, 30_000))
def test_moving_everything_moves_the_answer_and_changes_nothing_else(usual, tmp_path, east, north):
    """Depths, areas and catchments stay; places move by as much."""
    moved = studied(tmp_path, frames(), east, north)
    assert moved.lot.balance == usual.lot.balance
    for name, columns in {
        "low_spots": ("depth_m", "area_m2", "volume_m3", "contributing_area_m2", "on_lot_m2"),
        "inlets": ("catchment_m2", "on_lot_m2", "off_lot_m2", "moved_m"),
        "lot_line_crossings": ("area_m2", "elevation_m"),
    }.items():
        before, after = usual.layers[name], moved.layers[name]
        for column in columns:
            np.testing.assert_array_equal(before[column], after[column])
    for axis, by in (("x", east), ("y", north)):
        spots = moved.layers["low_spots"][axis] - by
        np.testing.assert_allclose(spots, usual.layers["low_spots"][axis], atol=1e-6)


@SLOW
@given(seed=st.integers(0, 1000))
def test_the_order_in_which_rows_were_drawn_changes_nothing(usual, tmp_path, seed):
    """Buildings, walls and inlets in another order: the same low spots and catchments."""
    drawn = {name: frame.sample(frac=1, random_state=seed) for name, frame in frames().items()}
    other = studied(tmp_path, drawn)
    assert other.lot.balance == usual.lot.balance
    before, after = (study.layers["inlets"].set_index("name") for study in (usual, other))
    for column in ("catchment_m2", "on_lot_m2", "moved_m", "residual_depth_m"):
        np.testing.assert_array_equal(before[column], after.loc[before.index, column])
    spots = [study.layers["low_spots"] for study in (usual, other)]
    for column in ("depth_m", "area_m2", "volume_m3", "spill_elevation_m"):
        np.testing.assert_array_equal(spots[0][column], spots[1][column])
    assert spots[0].geometry.geom_equals(spots[1].geometry).all()
