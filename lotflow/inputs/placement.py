"""What is drawn must lie on the elevation data, and near the lot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import shapely

from lotflow.errors import Fault, InputError
from lotflow.units import both_units

if TYPE_CHECKING:
    from lotflow.grid import BoolArray, Grid
    from lotflow.inputs.elevation import ElevationSource
    from lotflow.inputs.site import Site

#: Fewer cells than this tell nothing of a lot.
_LEAST_LOT_CELLS: Final = 20
#: What is drawn farther from the lot than this is not of this lot [m].
_REACH_M: Final = 300.0


def require_near(site: Site, lot: shapely.Geometry, unit: float) -> None:
    """
    Refuse what is drawn far from the lot: it belongs to another one, or lies wrongly.

    Parameters
    ----------
    site, lot
        What is drawn, and the outline of the lot, in the CRS of the grid.
    unit
        Metres of a unit of that CRS.

    Raises
    ------
    InputError
        With all that lies more than 300 m off.
    """
    faults = []
    for layer in ("inlets", "drain_lines", "outlets", "openings", "downspouts", "earthworks",
                  "shots", "observations"):  # fmt: skip
        frame = getattr(site, layer)
        for row, (name, shape) in enumerate(zip(frame["name"], frame.geometry, strict=True), 1):
            away = _farthest(shape, lot)
            if away * unit > _REACH_M:
                faults.append(
                    Fault(
                        f"lies {both_units(away * unit, 'distance')} from the lot, outside the "
                        f"window of the study; at most {both_units(_REACH_M, 'distance')} are "
                        "taken",
                        "Check its position and CRS",
                        layer=layer, row=row, column="name" if name else None, value=name or None,
                    )
                )  # fmt: skip
    if faults:
        raise InputError(faults)


def require_covered(lot: shapely.Geometry, source: ElevationSource) -> None:
    """
    Refuse a lot that the elevation data do not cover.

    Parameters
    ----------
    lot
        Its outline, in the CRS of the data.
    source
        The data.

    Raises
    ------
    InputError
        If a part of it lies outside.
    """
    data = shapely.box(*source.bounds)
    outside = lot.difference(data).area / lot.area
    # a rounded corner may stick out by a hair
    if outside > 1e-4:
        where = "outside" if outside > 0.9999 else f"partly outside ({outside:.0%})"
        raise InputError(
            Fault(
                f"lies {where} the elevation data, which reach from "
                f"{source.bounds[0]:.1f}, {source.bounds[1]:.1f} to {source.bounds[2]:.1f}, "
                f"{source.bounds[3]:.1f} in {source.crs.name}",
                "Check the CRS of both files, or give the neighbouring tile too",
                layer="lot",
            )
        )


def require_seen_on_data(site: Site, source: ElevationSource) -> None:
    """
    Refuse observations off the raster: nothing can be predicted there.

    Parameters
    ----------
    site, source
        What is drawn, and the data.

    Raises
    ------
    InputError
        With every one that does not lie on the data as a whole.
    """
    data = shapely.box(*source.bounds)
    _refuse_seen(
        site,
        [not shape.within(data) for shape in site.observations.geometry],
        "lies off the elevation data, which reach from "
        f"{source.bounds[0]:.1f}, {source.bounds[1]:.1f} to {source.bounds[2]:.1f}, "
        f"{source.bounds[3]:.1f}: nothing can be predicted there",
    )


def require_seen_on_ground(site: Site, missing: BoolArray, grid: Grid) -> None:
    """
    Refuse observations where the elevation data have a gap.

    Parameters
    ----------
    site
        What is drawn.
    missing, grid
        Cells of the window without an elevation, and the window.

    Raises
    ------
    InputError
        With every one of which neither middle nor corners lie on a known elevation.
    """
    in_gap = []
    for shape in site.observations.geometry:
        x, y = shapely.get_coordinates([shape, shape.representative_point()]).T
        rows, columns = grid.row_column(x, y)
        known = grid.contains(rows, columns)
        in_gap.append(bool(missing[rows[known], columns[known]].all()))
    _refuse_seen(
        site, in_gap, "lies where the elevation data have a gap: nothing can be predicted there"
    )


def _refuse_seen(site: Site, wrong: list[bool], rule: str) -> None:
    """Refuse the observations that are wrong."""
    faults = [
        Fault(
            rule, "Check its position and CRS, or give the neighbouring tile too",
            layer="observations", row=row, column="name" if name else None, value=name or None,
        )
        for row, (name, is_wrong) in enumerate(
            zip(site.observations["name"], wrong, strict=True), 1
        )
        if is_wrong
    ]  # fmt: skip
    if faults:
        raise InputError(faults)


def require_ground(lot: BoolArray, missing: BoolArray, grid: Grid) -> None:
    """
    Refuse a lot of too few cells, or without any elevation.

    Parameters
    ----------
    lot, missing
        Its cells, and those without an elevation.
    grid
        Gives the size of a cell.

    Raises
    ------
    InputError
        If fewer than 20 cells lie on the lot, or none of them has an elevation.
    """
    cells = int(lot.sum())
    if cells < _LEAST_LOT_CELLS:
        raise InputError(
            Fault(
                f"the lot has only {cells} cells of {both_units(grid.cell_m, 'elevation')}; at "
                f"least {_LEAST_LOT_CELLS} are needed",
                "Use finer elevation data, or check the CRS of the lot",
                layer="lot",
            )
        )
    if missing[lot].all():
        raise InputError(
            Fault(
                "no cell of the lot has an elevation: all are nodata",
                "Use elevation data that cover the lot, or check its CRS",
                layer="lot",
            )
        )


def _farthest(shape: shapely.Geometry, lot: shapely.Geometry) -> float:
    """Distance from the lot to the farthest corner of something drawn."""
    corners = shapely.points(shapely.get_coordinates(shape))
    return float(shapely.distance(corners, lot).max(initial=0.0))
