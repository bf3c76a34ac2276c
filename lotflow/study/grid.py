"""`lotflow grid`: lidar returns of the ground into a raster that tells how well it is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pyproj import CRS

from lotflow import __version__
from lotflow.advice.sentences import worded
from lotflow.errors import InputError
from lotflow.inputs.area import widened
from lotflow.inputs.georeference import cells_over
from lotflow.inputs.limits import DEFAULT_LIMITS
from lotflow.inputs.points import points_crs, read_ground, read_points_header
from lotflow.inputs.raster_tags import GRIDDED_TAG, Gridded, GriddedFile, GriddedLaw
from lotflow.outputs.fetched import check_target, write_raster
from lotflow.study.chapter import say_nothing
from lotflow.terrain.ground_points import (
    bounds_of_returns,
    grid_returns,
    in_metres,
    learned_law,
    thinned_returns,
)

if TYPE_CHECKING:
    from lotflow.findings import Finding
    from lotflow.inputs.area import Area
    from lotflow.study.chapter import Tell
    from lotflow.units import VerticalUnit

#: What stands for no elevation.
_NO_DATA: Final = -9999.0


@dataclass(frozen=True)
class Made:
    """
    What was made of returns.

    Parameters
    ----------
    gridded
        How.
    shape
        Rows and columns.
    crs
        Its name.
    missing
        Share of the cells without an elevation.
    findings
        What is to be known of it.
    """

    gridded: Gridded
    shape: tuple[int, int]
    crs: str
    missing: float
    findings: tuple[Finding, ...]


def grid(  # noqa: PLR0913 - what is known of points, each by its name
    points: Sequence[Path],
    output: Path,
    *,
    area: Area | None = None,
    cell_m: float = 0.5,
    reach_m: float = 10.0,
    crs: CRS | None = None,
    vertical_unit: VerticalUnit | None = None,
    overwrite: bool = False,
    tell: Tell = say_nothing,
) -> Made:
    """
    Make a raster of the ground returns in files of lidar points.

    Parameters
    ----------
    points
        Files, neighbouring tiles of one survey.
    output
        GeoTIFF to write: elevation [m], distance to the nearest return [m], returns per cell.
    area
        What is wanted; None for all.
    cell_m
        Side of a cell [m].
    reach_m
        Cells farther from every return have no elevation [m].
    crs
        Of the points, where the files do not say.
    vertical_unit
        Of the heights, where the files do not say.
    overwrite
        Whether a raster that was made before, and not changed, may be replaced.
    tell
        Called with the name of each step.

    Raises
    ------
    InputError
        If a file cannot be used.
    OutputError
        If the raster cannot be written.
    """
    check_target(output, overwrite=overwrite)
    DEFAULT_LIMITS.check("tiles", len(points), "{} files are given", file=points[0].name)
    headers = [read_points_header(path) for path in points]
    flat = points_crs(headers, crs)
    tell("reading")
    wanted = area.within(flat) if area is not None else None
    unit = float(flat.axis_info[0].unit_conversion_factor)
    # round the area too, so that triangles reach across its edge
    wide = None if wanted is None else widened(wanted, reach_m, unit)
    ground = read_ground(headers, flat, wide, vertical_unit=vertical_unit)
    xyz = thinned_returns(in_metres(ground.xyz, unit))
    cells = cells_over(wanted or bounds_of_returns(ground.xyz), cell_m, unit)
    name = headers[0].path.name
    DEFAULT_LIMITS.check("window_cells", cells.count, "the area holds {} cells", file=name)
    if len(xyz) < 3 or not cells.count:
        raise InputError("no ground returns lie in the area asked for",
                         "Check the lot and the CRS, or name the tile that holds it")  # fmt: skip
    tell("joining returns")
    made = grid_returns(xyz, cells.metres, cells.shape, reach_m)
    if made.missing_share == 1.0:
        raise InputError("no cell of the area lies among ground returns",
                         "Check the lot and the CRS, or name the tile that holds it")  # fmt: skip
    tell("leaving returns out")
    law = learned_law(xyz)
    gridded = Gridded(
        files=tuple(GriddedFile(**one) for one in ground.files),
        cell_m=cell_m,
        reach_m=reach_m,
        far_share=round(made.far_share, 4),
        law=GriddedLaw(**asdict(law)) if law else None,
    )
    findings = worded(gridded.findings(output.name))
    tell("writing")
    write_raster(
        output,
        made.bands(_NO_DATA),
        transform=cells.transform,
        crs=flat,
        nodata=_NO_DATA,
        units=("metre", "metre", ""),
        tags={GRIDDED_TAG: gridded.text()},
        record=_record(gridded, ground.vertical_datum, ground.vertical_unit, findings),
    )
    return Made(gridded, cells.shape, flat.name, made.missing_share, findings)


def _record(
    gridded: Gridded, datum: str, unit: VerticalUnit, findings: Sequence[Finding]
) -> dict[str, Any]:
    """Say all that is known of how a raster was made."""
    return {
        "lotflow": __version__,
        "vertical_unit_of_points": unit,
        "vertical_datum": datum,
        **gridded.model_dump(mode="json"),
        "findings": [one.as_dict() for one in findings],
    }
