"""What the designer carries away: plan page, waypoints, tables of places."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from lotflow.outputs.field_sheet.content import FieldSheetContent
from lotflow.outputs.plan_page.document import PageContent, plan_page_file
from lotflow.outputs.positions import Waypoint, gpx_text, place_table, waypoints
from lotflow.outputs.result_file import ResultFile, text_file
from lotflow.outputs.styles import STYLED, layer_rules, sld_text
from lotflow.outputs.summary_text import CAUTIONS
from lotflow.study.cases import in_case
from lotflow.units import shown

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lotflow.grid import Grid
    from lotflow.study.lot_water import LotWater
    from lotflow.study.main_job import Study
    from lotflow.units import UnitSystem

#: Files of the pack, which `--no-pack` leaves out.
PACK_FILES: Final = (
    "plan.html", "field_sheet.pdf", "waypoints.gpx", "low_spots.csv", "inlets.csv",
    *(f"{layer}.sld" for layer in STYLED),
)  # fmt: skip

#: Site layers that the field sheet asks about.
_ON_THE_SHEET: Final = ("downspouts", "inlets", "drain_lines", "outlets", "constraints")


#: Systems of units a page can be switched to.
_SYSTEMS: Final[tuple[UnitSystem, ...]] = ("us", "metric")


def made_from(lot: LotWater, units: UnitSystem) -> str:
    """
    Tell what a result was made from.

    Parameters
    ----------
    lot
        With its elevation.
    units
        "us" or "metric".
    """
    elevation = lot.job.elevation
    return (
        f"{', '.join(path.name for path in elevation.file)}, "
        f"cells of {shown(lot.window.surface.ground.cell_m, 'elevation', units)}, "
        f"vertical accuracy {shown(elevation.rmse_m, 'depth', units)} RMSE"
    )


def pack_files(
    study: Study, content: Mapping[str, Any], exact: Mapping[str, Any], depth: Grid
) -> list[ResultFile]:
    """
    Make the files to carry away.

    Parameters
    ----------
    study
        What was computed.
    content
        Content of `summary.json`.
    exact
        The same with all digits, for the page, which rounds once: to what it shows.
    depth
        Depth of low spots below their spill level [m].
    """
    lot, crs = study.lot, study.lot.window.surface.ground.crs
    title = lot.job.job.name or "Lot"
    points = waypoints(content, _outlets(lot), lot.job.job.units)
    tables = [
        text_file(f"{name}.csv", place_table(content[name], crs))
        for name in ("low_spots", "inlets")
        if content[name]  # a table of nothing would be an empty file
    ]
    styles = [
        text_file(f"{name}.sld", sld_text(name, rules))
        for name, rules in layer_rules(lot.job.job.units).items()
        if len(study.layers.get(name, ()))
    ]
    return [
        plan_page_file("plan.html", _page(study, exact, depth)),
        text_file("waypoints.gpx", gpx_text(points, crs, title=title)),
        *tables,
        *styles,
    ]


def sheet_content(study: Study, content: Mapping[str, Any], note: str) -> FieldSheetContent:
    """
    Give what the field sheet says; the map is put in when it is drawn.

    Parameters
    ----------
    study
        What was computed.
    content
        Content of `summary.json`.
    note
        What the result was made from.
    """
    lot = study.lot
    return FieldSheetContent(
        summary=content,
        layers=study.layers,
        picture=b"",
        title=lot.job.job.name or "Lot",
        note=note,
        units=lot.job.job.units,
        site={name: getattr(lot.site, name) for name in _ON_THE_SHEET},
    )


def _page(study: Study, exact: Mapping[str, Any], depth: Grid) -> PageContent:
    """What the plan page shows."""
    lot, accuracy = study.lot, study.lot.job.elevation
    return PageContent(
        summary=exact,
        layers=study.layers,
        ground=lot.window.surface.ground,
        depth=depth,
        routing=lot.inlets.routing,
        names=lot.names,
        error={
            "rmse": accuracy.rmse_m,
            "correlation": accuracy.correlation_m,
            "whiteShare": accuracy.white_share,
        },
        title=lot.job.job.name or "Lot",
        note={units: made_from(lot, units) for units in _SYSTEMS},
        doubt={units: _doubt(accuracy.rmse_m, units) for units in _SYSTEMS},
        cautions=CAUTIONS,
        units=lot.job.job.units,
    )


def _doubt(rmse_m: float, units: UnitSystem) -> str:
    """What the accuracy of the elevation data means to a reader."""
    return (
        f"Elevations are good to about {shown(rmse_m, 'depth', units)} (RMSE): a shallower dip, "
        "or a smaller fall, may be an error of the survey."
    )


def _outlets(lot: LotWater) -> list[Waypoint]:
    """Drawn ends of drain lines, as far as they have a place."""
    frame = in_case(lot.site.outlets, lot.case)
    return [
        Waypoint(
            str(name), "outlet", str(kind or ""), point.x, point.y,
            None if invert != invert else float(invert),  # noqa: PLR0124 - a missing number
        )
        for name, kind, invert, point in zip(
            frame["name"], frame["kind"], frame["invert_m"], frame.geometry, strict=True
        )
    ]  # fmt: skip
