"""The downspouts of a site: which building each drains, where it leads, what is doubtful."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.errors import Fault, InputError
from lotflow.findings import Finding
from lotflow.layers.drawn import downspout_names, in_case
from lotflow.terrain.roofs import Downspout, RoofWater, roof_water
from lotflow.text import did_you_mean
from lotflow.units import both_units

if TYPE_CHECKING:
    from collections.abc import Iterable

    from geopandas import GeoDataFrame

    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.layers.drawn import Case, Drawn
    from lotflow.terrain.surface import Surface

#: A downspout without a building's name belongs to the nearest one within this distance [m].
_BUILDING_REACH_M: Final = 3.0
#: A line that begins this near to a downspout begins at it [m].
_AT_ITS_FOOT_M: Final = 0.5
#: A given roof area beyond this multiple of the footprint is a mistake, not an overhang.
_LARGEST_AREA_RATIO: Final = 1.5
#: A given roof area beyond the footprint by this share is spoken of.
_OVERHANG: Final = 0.05
#: Roof without a downspout is spoken of from this share of a footprint on.
_LEAST_EAVES: Final = 0.01

_OWN_RULE: Final = "lotflow's rule"


def case_roofs(site: Drawn, surface: Surface, case: Case) -> RoofWater:
    """
    Set the downspouts of a case on the ground.

    Parameters
    ----------
    site
        Gives downspouts, buildings and what downspouts may lead into.
    surface
        On which roofs still shed at their eaves.
    case
        State of the drain system.

    Raises
    ------
    InputError
        With every downspout of no building, off the elevation data, that leads to a node nobody
        has drawn, or is given more roof than its building has.
    """
    faults: list[Fault] = []
    found = []
    drawn = _with_replaced(in_case(site.downspouts, case), site.downspouts, faults)
    nodes, known = _nodes(site, case), _nodes(site, None)
    for index, row in drawn.rename(columns={"name": "name_"}).iterrows():
        if row["foot"] is None:  # it replaces none that there is
            continue
        reading = _Row(int(index) + 1, row, faults)
        building = reading.building(site, surface.ground.metres_per_unit)
        cell = reading.cell(surface.ground)
        node = reading.node(known)
        if building and cell is not None:
            found.append(
                Downspout(
                    name=downspout_name(row["name_"], int(index) + 1),
                    building=building,
                    cell=cell,
                    # a node of the other case is not there: the water runs out where it stands
                    node=_entered(site, case, node, row.geometry, surface) if node in nodes else "",
                    area_m2=float(row["roof_area_m2"]),
                    leader_m=float(row["leader_m"]),
                )
            )
    faults += _area_faults(site, found, surface.ground.metres_per_unit)
    if faults:
        raise InputError(faults)
    areas = footprint_areas(site, surface.ground) / surface.ground.cell_m2
    return roof_water(surface, found, areas.tolist())


def _with_replaced(drawn: Any, every: Any, faults: list[Fault]) -> Any:
    """Fill what rows that replace others leave empty; the foot of each is where its roof is."""
    filled = drawn.assign(foot=list(drawn.geometry))
    if "replaces" not in drawn:
        return filled
    known = dict(zip(downspout_names(every), every.index, strict=True))
    filled = filled.astype({"foot": object})
    for index, replaced in drawn["replaces"].items():
        if not replaced:
            continue
        if replaced not in known or known[replaced] == index:
            rule = "there is no other downspout of this name"
            remedy = did_you_mean(str(replaced), [*known])
            faults.append(
                Fault(rule, remedy, layer="downspouts", row=int(index) + 1, column="replaces",
                      value=replaced)
            )  # fmt: skip
            filled.at[index, "foot"] = None
            continue
        old = every.loc[known[replaced]]
        filled.at[index, "foot"] = old.geometry
        for column in ("building", "roof_area_m2", "leader_m"):
            empty = filled.at[index, column]
            if empty in (None, "") or (isinstance(empty, float) and np.isnan(empty)):
                filled.at[index, column] = old[column]
    return filled


def _entered(site: Drawn, case: Case, node: str, foot: Any, surface: Surface) -> str:
    """Name of the line that begins at a downspout and ends where it is led; else of that node."""
    lines = in_case(site.drain_lines, case)
    starts_free = lines["from_node"].fillna("") == ""
    begins = (lines["to_node"] == node) & starts_free & (lines["name"] != "")
    reach = _AT_ITS_FOOT_M / surface.ground.metres_per_unit
    for name, path in zip(lines["name"][begins], lines.geometry[begins], strict=True):
        if shapely.get_point(path, 0).distance(foot) <= reach:
            return str(name)
    return node


def footprint_areas(site: Drawn, grid: Grid) -> FloatArray:
    """Area of each footprint in the window, seen from above; overlaps count once [m^2]."""
    shapes = shapely.clip_by_rect(site.buildings.geometry.to_numpy(), *grid.bounds)
    later = shapely.STRtree(shapes)
    for position, shape in enumerate(shapes):
        over = [shapes[i] for i in later.query(shape, "intersects").tolist() if i > position]
        if over:
            shapes[position] = shapely.difference(shape, shapely.union_all(over))
    return np.asarray(shapely.area(shapes) * grid.metres_per_unit**2, dtype=np.float64)


def downspout_name(name: str | None, row: int) -> str:
    """
    Name a downspout in results, by its name or its row in the layer, from 1.

    Examples
    --------
    >>> downspout_name("DS1", 4), downspout_name(None, 4)
    ('DS1', 'downspout 4')
    """
    return str(name) if name else f"downspout {row}"


def _nodes(site: Drawn, case: Case | None) -> dict[str, None]:
    """Names a downspout may lead to, in a case or in any: nodes, and lines themselves."""
    layers: tuple[Any, ...] = (site.inlets, site.drain_lines, site.outlets)
    inlets, lines, outlets = layers if case is None else (in_case(one, case) for one in layers)
    named: Iterable[Any] = [*inlets["name"], *lines["from_node"], *lines["to_node"],
                            *outlets["name"], *lines["name"]]  # fmt: skip
    return dict.fromkeys(str(name) for name in named if name)


class _Row:
    """One row of the layer, whose faults go to the list of all."""

    def __init__(self, number: int, row: Any, faults: list[Fault]) -> None:
        self.number = number
        self.row = row
        self.faults = faults

    def _fault(self, rule: str, remedy: str, column: str, value: object) -> None:
        self.faults.append(
            Fault(rule, remedy, layer="downspouts", row=self.number, column=column, value=value)
        )

    def building(self, site: Drawn, metres_per_unit: float) -> int:
        """Find the number of its building; 0 after a fault."""
        name = self.row["building"]
        if name:  # that there is one of this name, reading the site has made sure
            return int(np.flatnonzero(site.buildings["name"] == name)[0]) + 1
        away = shapely.distance(site.buildings.geometry.to_numpy(), self.row["foot"])
        away = away * metres_per_unit
        if away.size and away.min() <= _BUILDING_REACH_M:
            return int(away.argmin()) + 1
        reach = both_units(_BUILDING_REACH_M, "length")
        self._fault(
            f"there is no building within {reach} whose roof it could drain",
            "Name its building, or draw it",
            "name", self.row["name_"],
        )  # fmt: skip
        return 0

    def cell(self, grid: Grid) -> int | None:
        """Find its cell; None after a fault."""
        point = shapely.get_coordinates(self.row["geometry"])[0]
        row, column = grid.row_column(*point)
        if grid.contains(row, column):
            return int(row * grid.shape[1] + column)
        self._fault(
            "lies outside the elevation data that was read",
            "Check its position and CRS",
            "name", self.row["name_"],
        )  # fmt: skip
        return None

    def node(self, known: dict[str, None]) -> str:
        """Find the node it leads to; empty for the ground."""
        name = self.row["leads_to"]
        if not name or str(name).casefold() == "surface":
            return ""
        if name not in known:
            self._fault(
                "there is no inlet, outlet, drain line or end of one of this name",
                did_you_mean(str(name), ["surface", *known]),
                "leads_to", name,
            )  # fmt: skip
        return str(name)


def _area_faults(site: Drawn, found: list[Downspout], metres_per_unit: float) -> list[Fault]:
    """Refuse more roof than a building can have."""
    faults = []
    for building in dict.fromkeys(downspout.building for downspout in found):
        given = float(np.nansum([d.area_m2 for d in found if d.building == building]))
        footprint = site.buildings.geometry.iloc[building - 1].area * metres_per_unit**2
        if given > _LARGEST_AREA_RATIO * footprint:
            faults.append(
                Fault(
                    f"the downspouts of {building_names(site.buildings)[building - 1]} are given "
                    f"{both_units(given, 'area')} of roof, its footprint has "
                    f"{both_units(footprint, 'area')}",
                    "Give the area seen from above, each part of the roof once",
                    layer="downspouts", column="roof_area",
                )
            )  # fmt: skip
    return faults


def building_names(buildings: GeoDataFrame) -> list[str]:
    """Names of the buildings, numbered where they have none."""
    return [str(name or f"building {i}") for i, name in enumerate(buildings["name"], 1)]


def roof_notes(site: Drawn, roofs: RoofWater, case: Case, lot: BoolArray) -> list[Finding]:
    """
    Say which roofs shed at their eaves, in part or whole, and which areas do not fit.

    Parameters
    ----------
    site
        Gives names and drawn areas.
    roofs
        From `case_roofs`.
    case
        The same.
    lot
        Cells of the lot: roofs of neighbours are not spoken of.
    """
    building, cell_m2 = roofs.surface.building, roofs.surface.ground.cell_m2
    areas, drained = footprint_areas(site, roofs.surface.ground), roofs.cells * cell_m2
    found = [*_missing_nodes(site, case), *_lost(roofs, areas)]
    for number in np.unique(building[lot & (building > 0)]).tolist():
        own = [d for d in roofs.downspouts if d.building == number]
        whole = float(areas[number - 1])
        eaves = whole - sum(
            area for d, area in zip(roofs.downspouts, drained.tolist(), strict=True)
            if d.building == number
        )  # fmt: skip
        name = building_names(site.buildings)[number - 1]
        if not own:
            found.append(_sheds(name, whole, has_downspouts=False))
        elif eaves > _LEAST_EAVES * whole:
            found.append(_sheds(name, eaves, has_downspouts=True))
        given = float(np.nansum([downspout.area_m2 for downspout in own]))
        if given > (1 + _OVERHANG) * whole:
            found.append(_overhangs(name, given, whole))
    return found


def _sheds(name: str, area_m2: float, *, has_downspouts: bool) -> Finding:
    """Say that a roof sheds at its eaves."""
    return Finding(
        "roof-sheds-at-eaves", "note", name,
        measured=round(area_m2, 2), unit="m2", source=_OWN_RULE,
        facts={"area_m2": area_m2, "has_downspouts": has_downspouts},
    )  # fmt: skip


def _overhangs(name: str, given_m2: float, footprint_m2: float) -> Finding:
    """Say that more roof was given than was drawn."""
    return Finding(
        "roof-areas-exceed-footprint", "warn", name,
        measured=round(given_m2, 2), limit=round(footprint_m2, 2), unit="m2", source=_OWN_RULE,
        facts={"given_m2": given_m2, "footprint_m2": footprint_m2},
    )  # fmt: skip


def _lost(roofs: RoofWater, areas_m2: FloatArray) -> list[Finding]:
    """Say which downspouts have no cell of a roof to drain."""
    found = []
    for downspout, cells in zip(roofs.downspouts, roofs.cells.tolist(), strict=True):
        wanted = downspout.area_m2
        if np.isnan(wanted):
            wanted = float(areas_m2[downspout.building - 1])
        is_built = bool((roofs.surface.building == downspout.building).any())
        if not cells and wanted > 0 and (np.isfinite(downspout.area_m2) or not is_built):
            found.append(
                Finding(
                    "roof-smaller-than-cell", "warn", downspout.name,
                    measured=round(wanted, 2), unit="m2", source=_OWN_RULE,
                    facts={"area_m2": wanted},
                )
            )  # fmt: skip
    return found


def unknown_ways(site: Drawn, case: Case) -> Any:
    """Rows of a case that lead into what it does not have: where they lead nobody gave."""
    rows, nodes = in_case(site.downspouts, case), _nodes(site, case)
    leads = rows["leads_to"].fillna("").astype(str)
    return rows[~leads.isin([*nodes, ""]) & (leads.str.casefold() != "surface")]


def _missing_nodes(site: Drawn, case: Case) -> list[Finding]:
    """Say which downspouts lead into something that is not there in this case."""
    rows = unknown_ways(site, case)
    return [
        Finding(
            "downspout-without-node", "warn", downspout_name(name, int(index) + 1),
            source=_OWN_RULE, facts={"leads_to": str(to), "case": case},
        )
        for index, name, to in zip(rows.index, rows["name"], rows["leads_to"], strict=True)
    ]  # fmt: skip
