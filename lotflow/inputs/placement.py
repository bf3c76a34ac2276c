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
                  "shots"):  # fmt: skip
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
