"""From the drawn site to a system of drain lines: nodes, levels, ground, inlets, receivers."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal, Protocol

import numpy as np
import pandas as pd
import shapely

from lotflow.drains.drain_lines import ground_at, ground_profile, read_drain_lines
from lotflow.drains.drain_system import DrainSystem
from lotflow.drains.inlet_checks import InletFacts
from lotflow.drains.judged import Limits
from lotflow.drains.levels import NodeLevel, level_findings
from lotflow.drains.network import Network, build_network, connection_findings
from lotflow.drains.network_flows import DrainWater
from lotflow.drains.nodes import DrainNode, EndReach, end_point, is_cleanout
from lotflow.drains.receivers import Receiver
from lotflow.drains.standing_water import soil_infiltration
from lotflow.drains.system_check import Surroundings
from lotflow.layers.drawn import in_case
from lotflow.terrain.level_error import SPREAD_95
from lotflow.units import to_si

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from lotflow.criteria import Criteria
    from lotflow.drains.house import PathOf
    from lotflow.findings import Finding
    from lotflow.grid import FloatArray, Grid
    from lotflow.layers.drawn import Case, Drawn
    from lotflow.rainfall import Rainfall
    from lotflow.runoff.covers import SoilGroup
    from lotflow.runoff.rational import RunoffParts
    from lotflow.terrain.inlets import InletStudy
    from lotflow.terrain.level_error import LevelError
    from lotflow.terrain.routing import Routing

#: Covers that people walk on.
_PAVED: Final = ("asphalt", "concrete", "pavers", "permeable pavers")
#: Length of the gutter over which its fall is taken from the ground [m].
_GUTTER_RUN_M: Final = 10.0
#: Outlets of one lot no farther apart along a curb run into one gutter, lotflow's rule [m].
_SAME_GUTTER_M: Final = 30.0


class Storms(Protocol):
    """What the drain check asks of the rain of a case."""

    @property
    def rainfall(self) -> Rainfall:
        """Table or formula."""

    @property
    def storms(self) -> Any:
        """Return periods [yr]."""

    @property
    def parts(self) -> RunoffParts:
        """Water that enters the drains."""


@dataclass(frozen=True, eq=False)
class DrawnSystem:
    """
    A system of drain lines with all that is known of it.

    Parameters
    ----------
    system
        Lines, ground, levels, water.
    around
        What it is judged by.
    inlets
        Facts of its inlets, without what storms do.
    status
        Of each line, by name.
    findings
        What was found while it was put together.
    """

    system: DrainSystem
    around: Surroundings
    inlets: tuple[InletFacts, ...]
    status: dict[str, str]
    findings: list[Finding]


def drawn_system(
    site: Drawn, case: Case, placed: InletStudy, storms: Storms | None, *, criteria: Criteria,
    error: LevelError,
) -> DrawnSystem:  # fmt: skip
    """
    Put together the system of a case.

    Parameters
    ----------
    site
        What is drawn, of all cases.
    case
        State of the drain system.
    placed
        Its inlets on their cells.
    storms
        Water that enters them; None where no rain is given.
    criteria
        What drains are judged by.
    error
        Of the elevation data.

    Raises
    ------
    InputError
        With every line that has no length or an unknown name, size or level.
    """
    grid = placed.routing.surface.ground
    inlets, outlets, drawn, downspouts = (
        in_case(frame, case)
        for frame in (site.inlets, site.outlets, site.drain_lines, site.downspouts)
    )
    lines, findings = read_drain_lines(drawn, grid.metres_per_unit)
    reach = EndReach(criteria.node_reach_m, criteria.node_reach_m / grid.metres_per_unit)
    led_to = {str(name) for name in downspouts["leads_to"] if isinstance(name, str)} - {"surface"}
    entries = led_to - (set(drawn["name"]) - {*drawn["from_node"], *drawn["to_node"]})
    network, found = build_network(
        lines,
        [*_placed(inlets, "inlet"), *_placed(outlets, "outlet")],
        reach,
        entries=entries,
        elsewhere={*site.inlets["name"], *site.outlets["name"]},
    )
    nodes = _node_levels(network, inlets, outlets, grid, _inlet_ground(placed, grid))
    ground = tuple(ground_profile(line.path, grid) for line in network.lines)
    findings += found + connection_findings(network, led_to)
    findings += level_findings(network, ground, nodes, rmse_m=error.rmse_m)
    facts = _facts(network, inlets, nodes, _walked_on(site), grid, error)
    footprints = site.buildings.geometry
    limits = Limits(
        criteria,
        error,
        shapely.union_all(footprints.to_numpy()) if len(footprints) else None,
        grid.metres_per_unit,
    )
    system = DrainSystem(
        network, ground, nodes, criteria.cover_m, _water(storms, inlets, network), error
    )
    around = Surroundings(
        limits,
        _access(network, facts, entries),
        dict(zip(outlets["name"], outlets["diameter_m"], strict=True)),
        dict(zip(outlets["name"], outlets["storage_m3"] / outlets["soaking_area_m2"], strict=True)),
    )
    status = {
        str(name): str(given) if isinstance(given, str) else "existing"
        for name, given in zip(drawn["name"], drawn["status"], strict=True)
    }
    return DrawnSystem(system, around, facts, status, findings)


def _water(storms: Storms | None, inlets: pd.DataFrame, network: Network) -> DrainWater | None:
    """Water that enters: rain, and flows given with inlets; what joins a line at its upper end."""
    if storms is None:
        return None
    given = {
        str(name): float(flow)
        for name, flow in zip(inlets["name"], inlets["inflow_m3s"], strict=True)
        if flow > 0
    }
    upper = {line.name: line.start for line in network.lines if line.name not in network.nodes}
    parts = storms.parts
    at_nodes = replace(parts, node=tuple(upper.get(name, name) for name in parts.node))
    periods = np.asarray(storms.storms, dtype=float)
    return DrainWater(at_nodes, storms.rainfall, periods, given)


def _placed(frame: Any, kind: Any) -> list[DrainNode]:
    """Inlets or outlets as nodes."""
    return [
        DrainNode(str(name), kind, shapely.force_2d(shape),
                  detail if isinstance(detail, str) else "")
        for name, detail, shape in zip(frame["name"], frame["kind"], frame.geometry, strict=True)
    ]  # fmt: skip


def _inlet_ground(study: InletStudy, grid: Grid) -> dict[str, float]:
    """Lowest ground of each inlet, on the cells it was set on."""
    values = grid.values.ravel()
    return {
        inlet.drawn.name: float(np.nanmin(values[inlet.cells], initial=np.inf))
        for inlet in study.placed
    }


def _node_levels(
    network: Network, inlets: Any, outlets: Any, grid: Grid, inlet_ground: dict[str, float]
) -> dict[str, NodeLevel]:
    """Levels of all nodes."""
    rims = {str(row["name"]): row for row in inlets.to_dict("records")}
    given = outlets.set_index("name")[["invert_m", "water_level_m"]]
    levels = {}
    for name, node in network.nodes.items():
        x, y = node.xy
        ground = float(ground_at(np.array([x]), np.array([y]), grid)[0])
        if name in rims:
            ground = inlet_ground.get(name, ground)
            levels[name] = _inlet_level(rims[name], ground)
        else:
            invert, water = given.loc[name] if name in given.index else (math.nan, math.nan)
            levels[name] = NodeLevel(ground, ground, invert_m=float(invert), water_m=float(water))
    return levels


def _inlet_level(row: dict[Any, Any], ground: float) -> NodeLevel:
    """Level of a grate: as measured, else above the ground as seen on site, else the ground."""
    if not math.isnan(row["rim_m"]):
        return NodeLevel(ground, float(row["rim_m"]), measured=True)
    above = row["rim_above_ground_m"]
    return NodeLevel(ground, ground + (0.0 if math.isnan(above) else float(above)))


def _access(network: Network, facts: tuple[InletFacts, ...], entries: Collection[str]) -> set[str]:
    """Nodes through which a line can be cleaned: grates, downspouts, what is called cleanout."""
    fixed = {inlet.name for inlet in facts if inlet.removable is False}
    named = {
        name
        for name, node in network.nodes.items()
        if node.kind == "junction" and is_cleanout(name)
    }
    inlets = {name for name, node in network.nodes.items() if node.kind == "inlet"}
    return ((inlets - fixed) | named | set(entries)) & set(network.nodes)


def _facts(
    network: Network, inlets: Any, nodes: dict[str, NodeLevel], walked_on: Any, grid: Grid,
    error: LevelError,
) -> tuple[InletFacts, ...]:  # fmt: skip
    """What is known of the inlets of a case."""
    facts = []
    for row in inlets.to_dict("records"):
        name, shape = str(row["name"]), row["geometry"]
        channel = row["kind"] == "channel drain" and shape.geom_type == "LineString"
        removable = row["grates_removable"]
        x, y = network.nodes[name].xy
        given = InletFacts(
            name=name, kind=row["kind"] if isinstance(row["kind"], str) else "", x=x, y=y,
            length_m=math.nan, removable=None if pd.isna(removable) else bool(removable),
            walked_on=walked_on is not None and bool(walked_on.intersects(shape)),
            rim_m=nodes[name].rim_m,
            grate_length_m=float(row["grate_length_m"]), grate_width_m=float(row["grate_width_m"]),
            open_share=float(row["open_share"]), opening_width_m=float(row["opening_width_m"]),
            channel_depth_m=float(row["channel_depth_m"]),
            channel_width_m=float(row["channel_width_m"]),
            gutter_slope=float(row["gutter_slope_pct"]) / 100.0,
            cross_slope=float(row["cross_slope_pct"]) / 100.0,
        )  # fmt: skip
        facts.append(_as_channel(given, shape, network, grid, error) if channel else given)
    return tuple(facts)


def _as_channel(
    inlet: InletFacts, shape: Any, network: Network, grid: Grid, error: LevelError
) -> InletFacts:
    """Facts of a channel drain: length, where lines leave it, how the ground falls along it."""
    profile = ground_profile(shape, grid)

    def ends_at(lines: Sequence[int], end: Literal["start", "end"]) -> tuple[float, ...]:
        points = [end_point(network.lines[i], end) for i in lines]
        return tuple(float(shape.project(point, normalized=True)) for point in points)

    first, *_, last = shapely.get_coordinates(shape).tolist()
    ends = (first[0], first[1]), (last[0], last[1])
    return replace(
        inlet,
        length_m=profile.length_m,
        outlets_at=ends_at(network.leaving.get(inlet.name, []), "start"),
        entries_at=ends_at(network.entering.get(inlet.name, []), "end"),
        top_fall_m=_fall_of_ground(profile.distance_m, profile.ground_m),
        top_doubt_m=SPREAD_95 * float(error.of_difference(profile.length_m, ends)),
    )


def _fall_of_ground(distance_m: FloatArray, ground_m: FloatArray) -> float:
    """Fall of the straight line that fits the ground best, from end to end [m]."""
    known = np.isfinite(ground_m)
    if known.sum() < 2:
        return math.nan
    slope = np.polyfit(distance_m[known], ground_m[known], 1)[0]
    return float(abs(slope) * distance_m[-1])


def _walked_on(site: Drawn) -> Any:
    """Paving and sidewalks as one geometry; None where there are none."""
    covers, constraints = site.covers, site.constraints
    shapes = [
        *covers.geometry[covers["cover"].isin(_PAVED)],
        *constraints.geometry[constraints["kind"] == "sidewalk"],
    ]
    return shapely.union_all(shapes) if shapes else None


def soil_rate(soil_group: SoilGroup, soak_test_m_s: float | None) -> float:
    """
    Infiltration of the soil below a dry well [m/s].

    Parameters
    ----------
    soil_group
        Of which the slowest soil counts.
    soak_test_m_s
        What a soak test gave, which goes before; None without one [m/s].
    """
    if soak_test_m_s is not None:
        return soak_test_m_s
    return to_si(soil_infiltration(soil_group).rate_in_h, "in_h")


def case_receivers(
    site: Drawn, case: Case, routing: Routing, path_of: PathOf, *, soil_rate_m_s: float
) -> list[Receiver]:
    """
    Tell what the outlets of a case run into: streets, dry wells, sewers.

    Parameters
    ----------
    site
        What is drawn, of all cases.
    case
        State of the drain system.
    routing
        With the inlets of the case.
    path_of
        Over the ground with these inlets.
    soil_rate_m_s
        Infiltration of the soil below [m/s].
    """
    outlets = in_case(site.outlets, case)
    curbs = outlets[outlets["kind"] == "curb"]
    reach = _SAME_GUTTER_M / routing.surface.ground.metres_per_unit
    found = []
    for row in outlets.to_dict("records"):
        point, kind = row["geometry"], row["kind"] if isinstance(row["kind"], str) else ""
        near = curbs[(curbs["name"] != row["name"]) & (curbs.distance(point) <= reach)]
        given = float(row["gutter_slope_pct"]) / 100.0
        measured = math.nan
        if kind == "curb" and math.isnan(given):
            measured = _fall_along(routing, path_of, point)
        found.append(
            Receiver(
                str(row["name"]), kind, float(point.x), float(point.y),
                water_level_m=float(row["water_level_m"]),
                gutter_slope=measured if math.isnan(given) else given,
                slope_is_given=not math.isnan(given),
                cross_slope=float(row["cross_slope_pct"]) / 100.0,
                curb_height_m=float(row["curb_height_m"]),
                gutter_flow_m3s=float(row["gutter_flow_m3s"]),
                same_gutter=tuple(near["name"]) if kind == "curb" else (),
                storage_m3=float(row["storage_m3"]),
                soaking_area_m2=float(row["soaking_area_m2"]),
                soil_rate_m_s=soil_rate_m_s,
            )
        )  # fmt: skip
    return found


def _fall_along(routing: Routing, path_of: PathOf, point: Any) -> float:
    """Fall of the way that water takes from a place on the ground; NaN where it has none [-]."""
    path = path_of((float(point.x), float(point.y)))
    if path is None or path.line is None:
        return math.nan
    grid = routing.surface.ground
    steps = np.diff(np.asarray(path.line.coords), axis=0)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*steps.T))]) * grid.metres_per_unit
    last = int(np.searchsorted(along, _GUTTER_RUN_M, side="right")) - 1
    if last < 1:
        return math.nan
    level = routing.field.filled.ravel()[path.cells[[0, last]]]
    return float((level[0] - level[1]) / along[last])
