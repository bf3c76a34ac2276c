"""The window of a study: basins that cross its first edge, what is drawn, and where data end."""

import sys
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine

from lotflow.errors import InputError
from lotflow.inputs.job import read_job, screening_job, with_realisations
from lotflow.study import run_study
from lotflow.study.lot_water import study_lot
from lotflow.terrain import drainage

CRS = "EPSG:26917"
EAST, NORTH = 500_000.0, 4_000_000.0
MIDDLE = np.array([EAST, NORTH])
RAIN = Path(__file__).parents[2] / "data_samples" / "alder_court" / "rainfall.csv"
LOT = shapely.box(-10, -10, 10, 10)


def turned(east, north, degrees):
    """Coordinates turned about the middle: along and across."""
    angle = np.radians(degrees)
    return (east * np.cos(angle) + north * np.sin(angle),
            -east * np.sin(angle) + north * np.cos(angle))  # fmt: skip


def raster(folder, height, *, cell=1.0, half=200.0, west=None):
    """Write `height(east, north)`, metres from the middle, `half` metres each way."""
    count = round(2 * half / cell)
    centres = (np.arange(count) + 0.5) * cell - half
    east, north = np.meshgrid(centres, -centres)
    values = height(east, north).astype(np.float32)
    cut = 0 if west is None else round((half - west) / cell)
    path = folder / f"dem{cell}{half}{west}.tif"
    transform = Affine(cell, 0, EAST - half + cut * cell, 0, -cell, NORTH + half)
    with rasterio.open(
        path, "w", driver="GTiff", width=count - cut, height=count, count=1, dtype="float32",
        crs=CRS, transform=transform,
    ) as target:  # fmt: skip
        target.write(values[:, cut:], 1)
        target.units = ("metre",)
    return path


def layer(folder, called, shapes, **columns):
    """Write a site layer; shapes in metres from the middle."""
    moved = [shapely.affinity.translate(shape, *MIDDLE) for shape in shapes]
    columns = {key: list(values) for key, values in columns.items()}
    path = folder / f"{called}.gpkg"
    gpd.GeoDataFrame(columns, geometry=moved, crs=CRS).to_file(path, layer=called)
    return path


def job_of(folder, dem, *, margin=None, **layers):
    files = {"lot": layer(folder, "lot", [LOT], name=["lot"])}
    for name, (shapes, columns) in layers.items():
        files[name] = layer(folder, name, shapes, **columns)
    return with_realisations(screening_job((dem,), files, margin_m=margin), 0)


def sag(length, depth, degrees, centre=0.0):
    """A street whose low point lies `depth` below its ends; ridges 60 m to its sides."""

    def height(east, north):
        along, across = turned(east, north, degrees)
        bowl = depth * (np.cos(2 * np.pi * np.clip((along - centre) / length, -0.5, 0.5)) + 1) / 2
        beyond = np.maximum(np.abs(along - centre) - length / 2, 0)
        side = 60.0 - np.abs(60.0 - np.abs(across))
        return 50.0 - bowl - 0.02 * beyond + 0.05 * side

    return height


def near_spots(study):
    lot = study.lot.site.lot.geometry.union_all()
    spots = study.layers["low_spots"]
    return spots[spots.geometry.distance(lot) <= 10.0]


@pytest.mark.parametrize(
    ("length", "depth", "cell", "degrees", "centre"),
    [(140, 0.4, 1.0, 0, 0), (180, 0.5, 0.5, 35, 40), (240, 0.6, 2.0, 90, -60)],
)
def test_a_sag_far_longer_than_the_first_window_is_found_whole(
    tmp_path, length, depth, cell, degrees, centre
):
    """Its depth is known beforehand; drained by the window's edge there was none at all."""
    dem = raster(tmp_path, sag(length, depth, degrees, centre), cell=cell)
    study = run_study(job_of(tmp_path, dem), use_covers=False)
    spot = near_spots(study).iloc[0]
    # the corners of cells on a turned valley lie up to half a diagonal beside its bottom
    assert spot.depth_m == pytest.approx(depth, abs=0.04 * cell + 0.005)
    assert not spot.not_closed
    assert not study.layers["low_spots"].cut_by_edge.iloc[0]


def test_a_sag_that_the_data_cut_is_said_to_be_at_least(tmp_path):
    """They end half way up one side of it: whether water reaches the door cannot be told."""
    dem = raster(tmp_path, sag(240, 0.6, 0), west=60.0)
    house = ([shapely.box(-5, 1, 5, 9)], {"name": ["house"], "threshold_m": [50.1]})
    door = ([shapely.Point(0, 1)], {"name": ["door"], "kind": ["door"], "sill_m": [50.1]})
    job = job_of(tmp_path, dem, buildings=house, openings=door)
    study = run_study(job)
    spot = near_spots(study).iloc[0]
    assert spot.not_closed
    assert 0.05 < spot.depth_m < 0.5
    assert "not-closed" in {finding.rule for finding in study.findings}
    opening = study.layers["openings"].iloc[0]
    assert opening.not_closed
    assert "opening-beside-not-closed" in {finding.rule for finding in study.findings}


def test_a_lot_on_the_side_of_a_basin_that_no_storm_fills_is_told_so_and_stays_dry(tmp_path):
    """A cone 10 m deep with its bottom 100 m off: two wedges of its side drain over the lot."""

    def cone(east, north):
        away = np.hypot(east - 100.0, north)
        return np.where(away < 150, 0.0667 * away, 10.0 - 0.02 * (away - 150))

    dem = raster(tmp_path, cone, half=300.0)
    study = run_study(job_of(tmp_path, dem), use_covers=False)
    (told,) = [one for one in study.findings if one.rule == "closed-basin"]
    assert told.severity == "warn"
    assert told.facts["depth_m"] == pytest.approx(10.0, abs=0.1)
    assert (told.x, told.y) == pytest.approx((EAST + 100.0, NORTH), abs=1.0)
    # a cone holds a third of its depth over its base
    assert told.facts["rain_m"] == pytest.approx(10.0 / 3, rel=0.1)
    assert not len(near_spots(study))
    # what lies behind the lot on the rays to the bottom that cross it
    out, side = np.meshgrid(np.arange(0.5, 160), np.arange(-79.5, 80))
    behind = (np.hypot(out, side) < 150) & (np.abs(side) * 90 <= 10 * out)
    behind &= (out > 90) & ~((out < 110) & (np.abs(side) < 10))
    assert study.lot.balance.on == pytest.approx(behind.sum(), rel=0.1)


def test_where_the_data_end_in_a_sag_too_low_for_a_low_spot_it_is_said_of_the_lot(tmp_path):
    """They end 5 cm above its bottom, less than the accuracy: what is left of it is no low spot."""
    dem = raster(tmp_path, sag(240, 0.6, 0), west=22.0)
    study = run_study(job_of(tmp_path, dem), use_covers=False)
    assert not len(near_spots(study))
    assert ("not-closed", "lot") in {(found.rule, found.subject) for found in study.findings}
    whole = run_study(job_of(tmp_path, raster(tmp_path, lambda e, n: 50 + 0.02 * e), margin=30.0),
                      use_covers=False)  # fmt: skip
    assert "not-closed" not in {found.rule for found in whole.findings}


def rained_on(folder, dem, threshold=50.4):
    """A job with a house, its threshold, and two storms."""
    files = {
        "lot": layer(folder, "lot", [LOT], name=["lot"]),
        "buildings": layer(folder, "buildings", [shapely.box(-5, 2, 5, 9)], name=["house"],
                           threshold_m=[threshold]),
    }  # fmt: skip
    (folder / "job.toml").write_text(
        f'[job]\nname = "sag"\nground = "lawn"\nsoil_group = "C"\n[elevation]\n'
        f'file = "{dem.name}"\n[layers]\n'
        + "".join(f'{name} = "{path.name}"\n' for name, path in files.items())
        + f'[rainfall]\nfile = "{RAIN}"\nstorms = [2, 10]\n[confidence]\nrealisations = 0\n'
    )
    return read_job(folder / "job.toml")


def test_no_pond_that_is_not_closed_is_said_not_to_reach_a_building(tmp_path):
    study = run_study(rained_on(tmp_path, raster(tmp_path, sag(240, 0.6, 0), west=60.0)))
    ponds = study.layers["ponds"]
    assert len(ponds)
    assert ponds.not_closed.all()
    assert ponds.reaches_building.isna().all()
    walls = study.layers["wall_water"]
    assert "house" in set(walls.name)
    assert walls.not_closed.all()
    assert walls.is_reached.isna().all()
    assert "pond-not-closed" in {finding.rule for finding in study.findings}


@pytest.mark.parametrize(("near", "cell", "degrees"), [(30, 1.0, 0), (60, 0.5, 30), (86, 2.0, 90)])
def test_a_basin_uphill_that_spills_onto_the_lot_belongs_to_it(tmp_path, near, cell, degrees):
    """A bowl 60 m across on a slope; its only lip is on the side of the lot."""

    def height(east, north):
        along, across = turned(east, north, degrees)
        slope = 60.0 + 0.03 * along + 0.02 * np.abs(across)  # a valley that falls towards the west
        away = np.hypot(along - (near + 30.0 + 10.0), across)
        lip = 60.0 + 0.03 * (near + 10.0)
        bowl = lip - 0.6 * (1 - (away / 30.0) ** 2)
        return np.where(away < 30.0, np.minimum(slope, bowl), slope)

    dem = raster(tmp_path, height, cell=cell)
    usual = study_lot(job_of(tmp_path, dem))
    whole = study_lot(job_of(tmp_path, dem, margin=1000.0))
    cell_m2 = usual.window.surface.ground.cell_m2
    assert usual.balance.on * cell_m2 == pytest.approx(whole.balance.on * cell_m2, rel=1e-9)
    assert usual.balance.on * cell_m2 > np.pi * 30.0**2
    assert usual.window.surface.ground.values.size < whole.window.surface.ground.values.size


def test_where_water_leaves_downhill_the_window_does_not_grow(tmp_path):
    """A lot on a ridge: nothing comes to it, and nothing beyond can hold its water back."""
    dem = raster(tmp_path, lambda east, north: 80.0 - 0.05 * np.hypot(east, north))
    window = study_lot(job_of(tmp_path, dem)).window
    assert window.surface.ground.shape == (80, 80)
    assert not window.held.any()
    assert not window.entering.any()


def test_an_inlet_moved_into_the_street_has_the_catchment_of_its_place(tmp_path):
    """
    Drawn on the verge, where next to nothing comes; the street comes from 150 m away.

    From farther off than an inlet is moved the street is offered, with all that comes down it.
    """

    def height(east, north):
        street = np.abs(north + 15.0) < 1.0
        return 50.0 + 0.01 * east + 0.02 * np.abs(north + 15.0) - 0.15 * street

    dem = raster(tmp_path, height)
    places = [shapely.Point(0.5, -13.95), shapely.Point(20.5, -12.5)]
    inlets = (places, {"name": ["near", "far"], "kind": ["catch basin"] * 2})
    usual = run_study(job_of(tmp_path, dem, inlets=inlets), use_covers=False)
    whole = job_of(tmp_path, dem, inlets=inlets, margin=1000.0)
    whole = run_study(whole, use_covers=False)
    near, far = (s.layers["inlets"].catchment_m2.to_numpy() for s in (usual, whole))
    assert near.tolist() == far.tolist()
    assert usual.layers["inlets"].moved_m[0] > 0.4
    assert near[0] > 5_000.0
    assert usual.layers["inlets"].catchment_before_move_m2[0] < near[0] / 2
    offers = [
        [f.measured for f in s.findings if f.rule == "inlet-better-place"] for s in (usual, whole)
    ]
    assert offers[0] == offers[1]
    assert offers[0][0] > 5_000.0


def test_the_window_holds_what_is_drawn(tmp_path):
    """An outlet 70 m beyond the lot has ground under it."""
    dem = raster(tmp_path, lambda east, north: 80.0 - 0.05 * np.hypot(east, north))
    outlet = ([shapely.Point(80, 0)], {"name": ["OUT"], "kind": ["daylight"]})
    inlet = ([shapely.Point(0, 0)], {"name": ["CB"], "kind": ["area drain"]})
    line = ([shapely.LineString([(0, 0), (80, 0)])],
            {"name": ["L"], "from_node": ["CB"], "to_node": ["OUT"]})  # fmt: skip
    job = job_of(tmp_path, dem, outlets=outlet, inlets=inlet, drain_lines=line)
    grid = study_lot(job).window.surface.ground
    row, column = grid.row_column(np.array([EAST + 80]), np.array([NORTH]))
    assert grid.contains(row, column).all()


@pytest.mark.parametrize("name", ["outlets", "inlets", "openings"])
def test_what_lies_far_from_the_lot_is_an_error_that_names_it(tmp_path, name):
    dem = raster(tmp_path, lambda east, north: 80.0 + 0.05 * east)
    kind = {"outlets": "daylight", "inlets": "area drain", "openings": "door"}[name]
    far = ([shapely.Point(50_000, 0)], {"name": ["STRAY"], "kind": [kind]})
    with pytest.raises(InputError, match=f"layer {name}.*STRAY.*from the lot"):
        study_lot(job_of(tmp_path, dem, **{name: far}))


class AskedError(Exception):
    """The engine was asked."""


def refuse(*_, **__):
    raise AskedError


@pytest.mark.parametrize(
    ("owner", "function"),
    [(drainage._hierarchy, "get_depression_hierarchy"), (drainage.richdem, "FlowAccumFromProps"),
     (drainage.richdem, "fill_spill_merge")],
)  # fmt: skip
def test_no_run_is_computed_without_the_engine(tmp_path, monkeypatch, owner, function):
    """Neither fill, nor accumulation, nor ponding in a depression that is not full."""
    job = rained_on(tmp_path, raster(tmp_path, sag(100, 0.5, 0), half=60.0))
    monkeypatch.setattr(owner, function, refuse)
    with pytest.raises(AskedError):
        run_study(job)


def test_what_the_engine_fills_is_what_is_written(tmp_path, monkeypatch):
    """An engine that fills 5 cm higher makes low spots 5 cm deeper."""
    job = job_of(tmp_path, raster(tmp_path, sag(60, 0.4, 0), half=60.0))
    honest = run_study(job, use_covers=False).layers["low_spots"]
    asked = drainage._hierarchy.get_depression_hierarchy
    names = ("dep_label", "ocean_parent", "parent", "lchild", "rchild", "pit_elev", "pit_cell",
             "out_cell", "dep_vol")  # fmt: skip

    def higher(*arguments):
        return [
            SimpleNamespace(out_elev=node.out_elev + 0.05, **{k: getattr(node, k) for k in names})
            for node in asked(*arguments)
        ]

    monkeypatch.setattr(drainage._hierarchy, "get_depression_hierarchy", higher)
    deeper = run_study(job, use_covers=False).layers["low_spots"]
    assert deeper.depth_m[0] == pytest.approx(honest.depth_m[0] + 0.05, abs=1e-4)


def test_what_the_engine_accumulates_is_what_is_written(tmp_path, monkeypatch):
    """An engine that adds up twice as much doubles the area that drains through each cell."""
    job = job_of(tmp_path, raster(tmp_path, lambda east, north: 60 + 0.05 * east, half=60.0))

    def contributing():
        return study_lot(job).inlets.routing.total  # as `contributing_area.tif`, in cells

    honest = contributing()
    add = drainage.richdem.FlowAccumFromProps
    monkeypatch.setattr(
        drainage.richdem, "FlowAccumFromProps",
        lambda *arguments, **options: 2.0 * np.array(add(*arguments, **options)),
    )  # fmt: skip
    doubled = contributing()
    known = np.isfinite(honest)
    assert honest[known].max() > 0
    assert np.allclose(doubled[known], 2.0 * honest[known])


def test_the_engines_own_direction_can_be_chosen(tmp_path):
    """Its lowest neighbour is another one than that of the default on ground off the axes."""
    job = job_of(tmp_path, raster(tmp_path, sag(60, 0.4, 0), half=60.0))
    chosen = job.terrain.model_copy(update={"direction": "richdem-d8"})
    usual, own = (
        study_lot(one).inlets.routing.field.direction
        for one in (job, job.model_copy(update={"terrain": chosen}))
    )
    assert (usual != own).any()


@pytest.mark.nightly
def test_random_lots_in_real_data_do_not_differ_unsaid():
    """36 and more lots: as by default, and with all data read."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
    import bench_random_lots as bench  # noqa: PLC0415

    if not bench.rasters():
        pytest.skip("no raster of real ground is there")
    told = [
        (raster.name, *bench.compared(bench.facts(usual[0]), bench.facts(whole[0]))[:2])
        for raster, usual, whole in bench.lots(9)
    ]
    assert len(told) > 8
    assert [one for one in told if one[1] or one[2]] == []
