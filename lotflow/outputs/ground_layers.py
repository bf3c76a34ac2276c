"""The result layers about the ground: low spots, inlets, outlets, and the house."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.advice.first_levels import place_words
from lotflow.layers import RESULT_LAYERS
from lotflow.outputs import palette
from lotflow.outputs.result_layers import cell_centres, layer_frame
from lotflow.terrain.catchments import label_polygons, simplified_outlines, weighed
from lotflow.terrain.low_spots import Artefact

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    import geopandas as gpd
    from numpy.typing import NDArray

    from lotflow.drains.earthworks import JudgedEarthwork
    from lotflow.drains.first_levels import FirstLevel
    from lotflow.drains.stakes import Stake
    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.terrain.catchments import CatchmentCells
    from lotflow.terrain.freeboard import OpeningLevels
    from lotflow.terrain.house_ring import Facade
    from lotflow.terrain.inlet_places import SetInlet
    from lotflow.terrain.low_spots import InnerLowSpot, LowSpots
    from lotflow.terrain.outlet_search import OutletOption
    from lotflow.terrain.routing import Routing
    from lotflow.terrain.swale_ways import SwaleWay


#: Colours of catchments.
_TINTS: Final = len(palette.CATCHMENTS)


@dataclass(frozen=True, eq=False)
class LowSpotFacts:
    """
    What is known of low spots beside their shape; one entry per low spot.

    Parameters
    ----------
    on_lot
        Cells on the lot.
    cut
        Whether the catchment is cut by the edge of the data.
    not_closed
        Whether the basin is not closed by the data.
    inlets
        Names of the inlets in each, joined by commas.
    own_edge
        Cell of the lowest place of the edge on the lot's own ground, -1 for none.
    behind_edge
        Level to which water falls behind that place [m].
    deepest_on_lot
        Greatest depth on the lot [m].
    """

    on_lot: NDArray[np.int64]
    cut: BoolArray
    not_closed: BoolArray
    inlets: Sequence[str]
    own_edge: NDArray[np.int64] | None = None
    behind_edge: FloatArray | None = None
    deepest_on_lot: FloatArray | None = None


def low_spots_layer(
    spots: LowSpots,
    grid: Grid,
    facts: LowSpotFacts,
    inner: Sequence[InnerLowSpot],
    buildings: gpd.GeoDataFrame,
) -> gpd.GeoDataFrame:
    """
    Give the low spots as polygons, deepest first.

    Parameters
    ----------
    spots, grid
        The low spots and their cells.
    facts
        What is known of them beside.
    inner
        Low spots nested in them.
    buildings
        Footprints in the grid's CRS.
    """
    labels, polygons = label_polygons(spots.number, grid)
    # a low spot under a roof may be covered by another one, and then has no cells of its own
    shape = dict(zip(labels, polygons, strict=True))
    x, y = cell_centres(grid, spots.bed_cell)
    spill_x, spill_y = cell_centres(grid, spots.spill_cell)
    edge = np.full(len(spots), -1) if facts.own_edge is None else facts.own_edge
    edge_x, edge_y = cell_centres(grid, edge)
    has_edge, nothing = edge >= 0, np.full(len(spots), np.nan)
    geometry = [shape.get(i + 1, shapely.Point(x[i], y[i]).buffer(grid.transform.a / 2, 1))
                for i in range(len(spots))]  # fmt: skip
    nested = np.bincount([spot.low_spot for spot in inner], minlength=len(spots) + 1)[1:]
    area = spots.contributing * grid.cell_m2
    volume = spots.volume * grid.cell_m2
    columns = {
        "id": np.arange(1, len(spots) + 1),
        "x": x,
        "y": y,
        "depth_m": spots.depth,
        "area_m2": spots.cells * grid.cell_m2,
        "volume_m3": volume,
        "bed_elevation_m": spots.bed,
        "spill_elevation_m": spots.spill,
        "spill_x": spill_x,
        "spill_y": spill_y,
        "own_edge_m": np.where(has_edge, grid.values.ravel()[edge], np.nan),
        "own_edge_x": np.where(has_edge, edge_x, np.nan),
        "own_edge_y": np.where(has_edge, edge_y, np.nan),
        "behind_own_edge_m": nothing if facts.behind_edge is None else facts.behind_edge,
        "contributing_area_m2": area,
        "runoff_to_fill_mm": np.divide(
            volume * 1000, area, out=np.full(len(spots), np.nan), where=area > 0
        ),
        "on_lot_m2": facts.on_lot * grid.cell_m2,
        "on_lot_depth_m": nothing if facts.deepest_on_lot is None else facts.deepest_on_lot,
        "building_distance_m": _distances(geometry, buildings, grid),
        "inner_low_spots": nested,
        "inlets": list(facts.inlets),
        "artefact": spots.artefact,
        "inside_building": [note == Artefact.IN_BUILDING for note in spots.artefact],
        "cut_by_edge": facts.cut,
        "not_closed": facts.not_closed,
        "probability": np.full(len(spots), np.nan),
    }
    return layer_frame("low_spots", columns, geometry, grid.crs)


def _distances(geometry: list[Any], buildings: gpd.GeoDataFrame, grid: Grid) -> FloatArray:
    """Distance to the nearest building [m]; NaN where there is none."""
    if not len(buildings) or not geometry:
        return np.full(len(geometry), np.nan)
    tree = shapely.STRtree(buildings.geometry.to_numpy())
    _, away = tree.query_nearest(np.asarray(geometry), return_distance=True, all_matches=False)
    return np.asarray(away * grid.metres_per_unit, dtype=float)


def inner_low_spots_layer(inner: Sequence[InnerLowSpot], grid: Grid) -> gpd.GeoDataFrame:
    """
    Give nested low spots as points.

    Parameters
    ----------
    inner, grid
        The nested low spots and their cells.
    """
    x, y = cell_centres(grid, np.array([spot.bed_cell for spot in inner], dtype=np.int64))
    columns = {
        "id": np.arange(1, len(inner) + 1),
        "low_spot": np.array([spot.low_spot for spot in inner], dtype=int),
        "x": x,
        "y": y,
        "depth_m": np.array([spot.sill - spot.bed for spot in inner], dtype=float),
        "volume_m3": np.array([spot.volume * grid.cell_m2 for spot in inner], dtype=float),
        "bed_elevation_m": np.array([spot.bed for spot in inner], dtype=float),
        "sill_elevation_m": np.array([spot.sill for spot in inner], dtype=float),
    }
    return layer_frame("inner_low_spots", columns, shapely.points(x, y), grid.crs)


def spill_points_layer(spots: LowSpots, grid: Grid) -> gpd.GeoDataFrame:
    """
    Give the points over which low spots overflow.

    Parameters
    ----------
    spots, grid
        The low spots and their cells.
    """
    columns = {"id": np.arange(1, len(spots) + 1), "spill_elevation_m": spots.spill}
    points = shapely.points(*cell_centres(grid, spots.spill_cell))
    return layer_frame("spill_points", columns, points, grid.crs)


@dataclass(frozen=True, eq=False)
class InletFacts:
    """
    What is known of inlets beside their place; one entry per inlet.

    Parameters
    ----------
    kind
        Kind of inlet, or None.
    cells
        Catchments.
    not_closed
        Whether the catchment, or the low spot it stands in, is not closed by the data.
    before_move
        Cells of the catchment where each was drawn.
    residual
        Depth that stays standing beside it [m].
    """

    kind: Sequence[str | None]
    cells: CatchmentCells
    not_closed: Sequence[bool]
    before_move: FloatArray
    residual: FloatArray


def inlets_layer(
    placed: Sequence[SetInlet], routing: Routing, facts: InletFacts
) -> gpd.GeoDataFrame:
    """
    Give the inlets where they were drawn, and what they take where they were set.

    Parameters
    ----------
    facts
        What is known of them beside.
    """
    grid = routing.surface.ground
    first = np.array([inlet.cells[0] for inlet in placed], dtype=np.int64)
    set_x, set_y = cell_centres(grid, first)
    # the pipe is where it was drawn, whichever cell gives the catchment
    geometry = [inlet.drawn.geometry for inlet in placed]
    x, y = _places(geometry)
    area = facts.cells.total * grid.cell_m2
    ground = [float(grid.values.ravel()[inlet.cells].min()) for inlet in placed]
    columns = {
        "name": [inlet.drawn.name for inlet in placed],
        "kind": list(facts.kind),
        "x": x,
        "y": y,
        "set_x": set_x,
        "set_y": set_y,
        "moved_m": np.array([inlet.moved_m for inlet in placed], dtype=float),
        "ground_elevation_m": np.array(ground, dtype=float),
        "rim_elevation_m": np.array(
            [ground[i] if inlet.level is None else inlet.level for i, inlet in enumerate(placed)],
            dtype=float,
        ),
        "catchment_m2": area,
        "catchment_before_move_m2": facts.before_move * grid.cell_m2,
        "roof_connected_m2": np.zeros(len(placed)),
        "on_lot_m2": facts.cells.on_lot * grid.cell_m2,
        "off_lot_m2": (facts.cells.total - facts.cells.on_lot) * grid.cell_m2,
        "cut_by_edge": facts.cells.cut_by_edge,
        "not_closed": list(facts.not_closed),
        "residual_depth_m": facts.residual,
        "runoff_coefficient": np.full(len(placed), np.nan),
        "flow_m3s": np.full(len(placed), np.nan),
        "flow_per_10mm_h_m3s": np.full(len(placed), np.nan),
    }
    return layer_frame("inlets", columns, geometry, grid.crs)


def _places(shapes: Sequence[Any]) -> tuple[FloatArray, FloatArray]:
    """Easting and northing of points, of the middle of lines, of the inside of polygons."""
    points = [
        shape.interpolate(0.5, normalized=True) if shape.geom_type == "LineString"
        else shape if shape.geom_type == "Point"
        else shape.representative_point()
        for shape in shapes
    ]  # fmt: skip
    return (
        np.array([point.x for point in points], dtype=float),
        np.array([point.y for point in points], dtype=float),
    )


def catchment_layers(
    routing: Routing, names: Sequence[str], cut: BoolArray
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """
    Give catchments with simplified outlines, and as exact cells.

    Parameters
    ----------
    cut
        Whether each catchment is cut by the edge of the data.
    """
    grid = routing.surface.ground
    known = np.where(routing.surface.missing, 0, routing.label)
    labels, polygons = label_polygons(known, grid)
    cells = weighed(routing, ~routing.surface.missing)
    columns = {
        "name": [names[label - 1] for label in labels],
        "area_m2": np.array([cells[label] * grid.cell_m2 for label in labels], dtype=float),
    }
    outlines = simplified_outlines(polygons, float(grid.transform.a))
    flags = np.array([bool(cut[label - 1]) for label in labels], dtype=bool)
    return (
        layer_frame(
            "catchments",
            {
                **columns,
                "cut_by_edge": flags,
                "tint": [(label - 1) % _TINTS + 1 for label in labels],
            },
            outlines,
            grid.crs,
        ),
        layer_frame("catchment_cells", columns, polygons, grid.crs),
    )


def outlet_options_layer(options: Sequence[Sequence[OutletOption]], crs: Any) -> gpd.GeoDataFrame:
    """
    Give the ways to lower places.

    Parameters
    ----------
    options
        Per low spot and inlet, best first.
    """
    ranked = [(rank, one) for of_start in options for rank, one in enumerate(of_start, 1)]
    rows = [one for _, one in ranked]
    columns: dict[str, Any] = {
        "subject": [one.start.name for one in rows],
        "rank": np.array([rank for rank, _ in ranked], dtype=int),
        "kind": [one.place.kind for one in rows],
        "place": [one.place.name for one in rows],
        "verdict": [one.verdict for one in rows],
    }
    numbers = {
        "x": [one.place.x for one in rows],
        "y": [one.place.y for one in rows],
        "level_m": [one.place.level for one in rows],
        "run_m": [one.run_m for one in rows],
        "surface_fall_m": [one.surface_fall_m for one in rows],
        "fall_m": [one.fall_m for one in rows],
        "least_fall_m": [one.fall_m - one.left_m for one in rows],
        "left_m": [one.left_m for one in rows],
        "left_low_m": [one.left_low_m for one in rows],
        "left_high_m": [one.left_high_m for one in rows],
        "deepest_m": [one.deepest_m for one in rows],
        "off_lot_m": [one.off_lot_m for one in rows],
    }
    columns |= {name: np.array(values, dtype=float) for name, values in numbers.items()}
    return layer_frame("outlet_options", columns, [one.way for one in rows], crs)


def swale_ways_layer(ways: Sequence[SwaleWay], crs: Any) -> gpd.GeoDataFrame:
    """Give the ways along which swales could lead water off walls."""
    columns: dict[str, Any] = {"wall": [one.wall for one in ways]}
    columns |= {
        name: np.array([getattr(one, name) for one in ways], dtype=float)
        for name in ("length_m", "fall_m", "cut_m")
    }
    return layer_frame("swale_ways", columns, [one.line for one in ways], crs)


def facades_layer(facades: Sequence[Facade], crs: Any) -> gpd.GeoDataFrame:
    """Give the facades with the fall of the ground before them."""
    columns: dict[str, Any] = {
        "name": [one.name for one in facades],
        "building": [one.building for one in facades],
        "surface": ["paving" if one.is_paved else "soil" for one in facades],
        "verdict": [one.verdict for one in facades],
    }
    numbers = {
        "x": [one.x for one in facades],
        "y": [one.y for one in facades],
        "length_m": [one.length_m for one in facades],
        "reach_m": [one.reach_m for one in facades],
        "fall_m": [one.fall_m for one in facades],
        **{
            f"{end}_{axis}": [one.level_places[at][of] for one in facades]
            for at, end in enumerate(("foot", "out"))
            for of, axis in enumerate(("x", "y"))
        },
        "out_m": [one.level_places[1][2] for one in facades],
        "slope": [one.slope for one in facades],
        "slope_low": [one.slope_low for one in facades],
        "slope_high": [one.slope_high for one in facades],
        "slope_limit": [one.slope_limit for one in facades],
    }
    columns |= {name: np.array(values, dtype=float) for name, values in numbers.items()}
    return layer_frame("facades", columns, [one.line for one in facades], crs)


def openings_layer(openings: Sequence[OpeningLevels], crs: Any) -> gpd.GeoDataFrame:
    """
    Give the openings with their freeboard.

    Parameters
    ----------
    openings
        With the levels round them.
    """
    columns: dict[str, Any] = {
        "name": [one.name for one in openings],
        "kind": [one.kind for one in openings],
        "low_spot": [one.low_spot for one in openings],
        "is_touched": [one.is_touched for one in openings],
        "not_closed": [one.not_closed for one in openings],
    }
    numbers = {
        "sill_m": [one.sill for one in openings],
        "ground_m": [one.ground for one in openings],
        "ground_spread_m": [one.spread for one in openings],
        "above_ground_m": [one.above_ground for one in openings],
        "spill_elevation_m": [one.spill for one in openings],
        "freeboard_m": [one.freeboard for one in openings],
        "freeboard_low_m": [one.freeboard_low for one in openings],
        "freeboard_high_m": [one.freeboard_high for one in openings],
    }
    columns |= {name: np.array(values, dtype=float) for name, values in numbers.items()}
    return layer_frame("openings", columns, [one.point for one in openings], crs)


def shots_layer(
    shots: gpd.GeoDataFrame, raster: FloatArray, there: Sequence[Any]
) -> gpd.GeoDataFrame:
    """
    Give the levels measured on site as they were read.

    Parameters
    ----------
    shots
        The site layer, levels in the raster's datum.
    raster
        Elevation of the data at each [m]; NaN where there is none to compare with.
    there
        What is drawn where each stands.
    """
    same = ("name", "subject", "surface_kind", "level_m", "datum", "deviation_m",
            "placed_within_m", "line", "line_part", "taken_on", "counts")  # fmt: skip
    columns: dict[str, Any] = {name: shots[name].tolist() for name in same}
    columns |= {
        "x": shots.geometry.x.tolist(),
        "y": shots.geometry.y.tolist(),
        "stands_on": list(there),
        "ground_m": raster,
        "difference_m": shots["level_m"].to_numpy(dtype=float) - raster,
        "read_from": ["level notes" if noted else "drawing" for noted in shots["is_noted"]],
    }
    return layer_frame("shots", columns, shots.geometry, shots.crs)


def earthwork_layers(works: Sequence[JudgedEarthwork], crs: Any) -> dict[str, gpd.GeoDataFrame]:
    """
    Give the earthworks, those along lines and those over areas, and the lines cut open.

    Parameters
    ----------
    works
        Judged, in the order of the drawn rows.
    """
    lines = [one for one in works if one.work.is_line]
    areas = [one for one in works if not one.work.is_line]
    return {
        "earthwork_lines": _earthworks(
            "earthwork_lines", lines, crs,
            {
                "length_m": [one.length_m for one in lines],
                "width_m": [one.work.width_m for one in lines],
                "side_slope": [one.work.side for one in lines],
                "level_up_m": [_end_level(one, 0) for one in lines],
                "level_down_m": [_end_level(one, -1) for one in lines],
                "depth_m": [one.bank_m for one in lines],
                "fall": [one.fall for one in lines],
                "capacity_m3s": [one.capacity_m3s for one in lines],
                "flow_m3s": [one.flow_m3s for one in lines],
                "freeboard_m": [one.freeboard_m for one in lines],
                "standing_m": [one.standing_m for one in lines],
            },
            {
                "lining": [one.work.lining if one.work.kind == "swale" else None for one in lines],
                "leads_to": [one.work.leads_to or None for one in lines],
                "goes_to": [one.end or None for one in lines],
            },
        ),
        "earthwork_areas": _earthworks(
            "earthwork_areas", areas, crs,
            {
                "share_met": [one.met_share for one in areas],
                "holds_m3": [one.holds_m3 for one in areas],
                "empties_h": [one.empties_h for one in areas],
                "building_m": [one.wall_m for one in areas],
            },
            {},
        ),
        "earthwork_profiles": _earthwork_profiles(lines, crs),
    }  # fmt: skip


def _end_level(one: JudgedEarthwork, end: int) -> float:
    """Level of an end of the bed or top, as it is dug."""
    return np.nan if one.done is None else float(one.done[end])


def _earthwork_profiles(lines: Sequence[JudgedEarthwork], crs: Any) -> gpd.GeoDataFrame:
    """Give swales and berms cut open along their line, station by station."""
    columns: dict[str, list[Any]] = {
        column.name: [] for column in RESULT_LAYERS["earthwork_profiles"].columns
    }
    shapes: list[Any] = []
    for one in lines:
        if one.section is None or one.done is None:
            continue
        station, work = one.section.station, one.work
        crosses: list[str | None] = [None] * station.size
        for name, along in one.crossed_at:
            free = np.array([other is None for other in crosses])
            if free.any():
                crosses[int(np.where(free, np.abs(station - along), np.inf).argmin())] = name
        unknown = np.full(station.size, np.nan)
        columns["name"] += [work.name] * station.size
        columns["distance_m"] += station.tolist()
        columns["ground_m"] += one.section.ground.tolist()
        columns["level_m"] += one.done.tolist()
        columns["water_m"] += (unknown if one.water is None else one.water).tolist()
        columns["stands_m"] += (unknown if one.stands is None else one.stands).tolist()
        columns["crosses"] += crosses
        shapes += list(
            shapely.line_interpolate_point(work.geometry, station / station[-1], normalized=True)
        )
    return layer_frame("earthwork_profiles", columns, shapes, crs)


def _earthworks(
    name: str,
    works: Sequence[JudgedEarthwork],
    crs: Any,
    numbers: Mapping[str, Sequence[float]],
    texts: Mapping[str, Sequence[str | None]],
) -> gpd.GeoDataFrame:
    """Give one layer of earthworks, with what all of them have."""
    common = {
        "cut_m3": [one.cut_m3 for one in works],
        "fill_m3": [one.fill_m3 for one in works],
        "area_m2": [one.area_m2 for one in works],
        "deepest_m": [one.deepest_m for one in works],
        "x": [one.x for one in works],
        "y": [one.y for one in works],
    }
    columns: dict[str, Any] = {
        "name": [one.work.name for one in works],
        "kind": [one.work.kind for one in works],
        "status": [one.work.status for one in works],
        "crosses": [", ".join(name for _, name, _ in one.crosses) or None for one in works],
        "verdict": [one.verdict for one in works],
        **texts,
    }
    for key, values in {**numbers, **common}.items():
        known = np.array(values, dtype=float)
        columns[key] = np.where(np.isfinite(known), known, np.nan)
    return layer_frame(name, columns, [one.work.geometry for one in works], crs)


def stakes_layer(staked: Sequence[Stake], crs: Any) -> gpd.GeoDataFrame:
    """Give the stakes of what is proposed, numbered in the order in which they are listed."""
    ties = [one.tie for one in staked]
    columns: dict[str, Any] = {
        "id": list(range(1, len(staked) + 1)),
        "subject": [one.subject for one in staked],
        "part": [one.part for one in staked],
        "level_of": [one.level_of or None for one in staked],
        "level_basis": [one.level_basis or None for one in staked],
        "corner_a": [None if tie is None else tie.first.name for tie in ties],
        "corner_b": [None if tie is None else tie.second.name for tie in ties],
        "side": [None if tie is None else tie.side for tie in ties],
    }
    numbers = {
        "distance_m": [one.distance_m for one in staked],
        "ground_m": [one.ground_m for one in staked],
        "level_m": [one.level_m for one in staked],
        "cut_m": [one.ground_m - one.level_m for one in staked],
        "tie_a_m": [np.nan if tie is None else tie.first_m for tie in ties],
        "tie_b_m": [np.nan if tie is None else tie.second_m for tie in ties],
        "between_m": [np.nan if tie is None else tie.between_m for tie in ties],
        "angle_deg": [np.nan if tie is None else tie.angle_deg for tie in ties],
        "corner_a_x": [np.nan if tie is None else tie.first.x for tie in ties],
        "corner_a_y": [np.nan if tie is None else tie.first.y for tie in ties],
        "corner_b_x": [np.nan if tie is None else tie.second.x for tie in ties],
        "corner_b_y": [np.nan if tie is None else tie.second.y for tie in ties],
        "x": [one.x for one in staked],
        "y": [one.y for one in staked],
    }
    columns |= {name: np.array(values, dtype=float) for name, values in numbers.items()}
    shapes = [shapely.Point(one.x, one.y) for one in staked]
    return layer_frame("stakes", columns, shapes, crs)


def levels_to_take_layer(
    levels: Sequence[FirstLevel], crs: Any, to_come: Collection[str] = ()
) -> gpd.GeoDataFrame:
    """
    Give the levels to take first.

    Parameters
    ----------
    levels
        In their order.
    to_come
        Names of inlets and outlets that are not there yet.
    """
    places = [one.place for one in levels]
    columns: dict[str, Any] = {
        "rank": np.array([one.rank for one in levels], dtype=int),
        "place": [place_words(one, to_come=one.name in to_come) for one in places],
        "named": [one.name for one in places],
        "kind": [one.kind for one in places],
        "question": [one.question for one in levels],
        "subject": [one.subject for one in levels],
        "together_with": [one.together_with for one in levels],
    }
    numbers = {
        "away_m": [one.away_m or np.nan for one in places],
        "x": [one.x for one in places],
        "y": [one.y for one in places],
        "level_m": [one.level_m for one in levels],
        "yes_share": [one.yes_share for one in levels],
        "open_share": [one.open_share for one in levels],
        "settles": [one.settles for one in levels],
    }
    columns |= {name: np.array(values, dtype=float) for name, values in numbers.items()}
    points = [shapely.Point(one.x, one.y) for one in places]
    return layer_frame("levels_to_take", columns, points, crs)
