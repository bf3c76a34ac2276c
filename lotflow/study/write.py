"""From a study to its result folder, with the pack that the designer carries away."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, partial
from typing import TYPE_CHECKING, Any, Final

from lotflow import __version__
from lotflow.advice.upkeep import upkeep
from lotflow.layers import RESULT_LAYERS
from lotflow.layers.drawn import in_case
from lotflow.outputs.drawings import field_sheet_bytes, map_bytes
from lotflow.outputs.field_sheet.content import FieldSheetContent
from lotflow.outputs.field_sheet.walk import sheet_places
from lotflow.outputs.geopackage import geopackage_file
from lotflow.outputs.grids import Raster, ground_rasters, low_spot_depth
from lotflow.outputs.level_book import LEVEL_BOOK_FILE
from lotflow.outputs.manifest import Subject, read_manifest
from lotflow.outputs.map.content import MapContent, map_drains, map_shots
from lotflow.outputs.papers import quote_text, upkeep_text
from lotflow.outputs.plan_page.document import PageContent, plan_page_file
from lotflow.outputs.positions import Waypoint, bounds_of, gpx_text, place_table, waypoints
from lotflow.outputs.provenance import provenance
from lotflow.outputs.rasters import cog_file
from lotflow.outputs.result_file import ResultFile, csv_file, late_file, text_file
from lotflow.outputs.result_layers import layers_to_write
from lotflow.outputs.result_set import check_result_folder, write_result_set
from lotflow.outputs.styles import STYLED, layer_rules, sld_text
from lotflow.outputs.summary import summary_content, summary_csv
from lotflow.outputs.summary_text import CAUTIONS, summary_text
from lotflow.outputs.viewer_files import PROJECT, project_text, raster_looks
from lotflow.outputs.viewer_styles import raster_style_text
from lotflow.study.chapter import inlet_share_file
from lotflow.units import shown

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from lotflow.grid import Grid
    from lotflow.inputs.job import Job
    from lotflow.outputs.side_process import SideProcess
    from lotflow.study.lot_water import LotWater
    from lotflow.study.main_job import Study
    from lotflow.units import UnitSystem

#: Files of the pack, which `--no-pack` leaves out.
_PACK_FILES: Final = (
    "plan.html", "field_sheet.pdf", "quote.txt", "upkeep.txt", "waypoints.gpx",
    "low_spots.csv", "inlets.csv",
    *(f"{layer}.sld" for layer in STYLED), PROJECT, "ground.qml", "low_spot_depth.qml",
)  # fmt: skip
#: Site layers that the field sheet asks about.
_ON_THE_SHEET: Final = ("downspouts", "inlets", "drain_lines", "outlets", "constraints", "openings")
#: Systems of units a page can be switched to.
_SYSTEMS: Final[tuple[UnitSystem, ...]] = ("us", "metric")

#: Files of a result besides its summary.
FILES: Final = (
    "result.gpkg", "ground.tif", "low_spot_depth.tif", "contributing_area.tif",
    "flow_direction.tif", "inlet.tif", "map.png", "summary.csv", "overview.txt",
    "quantities.csv", "runoff_sheets.txt", LEVEL_BOOK_FILE, *_PACK_FILES,
)  # fmt: skip

#: About what a drawing takes; it is not drawn yet when the space for it is asked after.
_DRAWN_BYTES: Final = 1_000_000


@dataclass(frozen=True)
class Written:
    """
    What was written.

    Parameters
    ----------
    content
        Content of `summary.json`.
    text
        Content of `overview.txt`, printed on the terminal.
    kept
        New name of each file that was in the folder under one of the result's names and was not
        as a run has written it.
    """

    content: dict[str, Any]
    text: str
    kept: Mapping[str, str]


def check_folder(job: Job, folder: Path, *, overwrite: bool, use_covers: bool = True) -> None:
    """
    Refuse a folder that the result must not be written to, before anything is computed.

    Parameters
    ----------
    job
        Names the inputs, none of which may be replaced.
    folder
        Where the result is to go.
    overwrite
        Whether a result of another lot or command there may be replaced.
    use_covers
        Option of the study: whether it is a run or a screening.
    """
    name = job.job.name if job.name_is_given else None  # else that of its layer, not read yet
    subject = Subject("run" if use_covers else "screening", name)
    check_result_folder(folder, FILES, subject=subject, overwrite=overwrite, inputs=job.files())


def study_rasters(study: Study) -> dict[str, Raster]:
    """Give the rasters of a result by the name of their file."""
    lot = study.lot
    ground = lot.window.surface.ground
    return {**ground_rasters(ground, lot.inlets.routing, lot.low_spots), **study.rasters}


def summary_of(study: Study, *, use_covers: bool, rounded: bool = True) -> dict[str, Any]:
    """
    Give the content of `summary.json`, without the hashes of files.

    `use_covers` is the option of the study, for the provenance; `rounded` whether numbers are
    rounded by their unit.
    """
    lot = study.lot
    content = summary_content(
        study.layers,
        balance=study.balance,
        sections=study.sections,
        provenance=provenance(
            lot.asked,
            lot.source,
            lot.site,
            program=f"lotflow {__version__}",
            use_covers=use_covers,
            hashes=study.hashes,
            units_because=lot.unit_choice.because,
        ),
        accuracy=study.accuracy,
        rounded=rounded,
    )
    content["lot"]["bounds_deg"] = bounds_of(study.layers["lot"])
    content |= study.answer.content(lot.job.units)
    return content | {"sheet_places": sheet_places(_sheet_content(study, content, ""))}


def _map_content(study: Study, grid_note: str) -> MapContent:
    """What the map shows."""
    layers, job = study.layers, study.lot.job
    return MapContent(
        ground=study.lot.window.surface.ground,
        depth=_depth(study),
        lot=layers["lot"],
        buildings=layers["buildings"],
        water=study.lot.site.water,
        low_spots=layers["low_spots"],
        flow_paths=layers["flow_paths"],
        crossings=layers["lot_line_crossings"],
        inlets=layers["inlets"],
        catchments=layers["catchments"],
        drains=map_drains(layers),
        earthworks=tuple(
            layers[name] for name in ("earthwork_areas", "earthwork_lines") if name in layers
        ),
        observations=layers.get("observations"),
        title=job.job.name or "Lot",
        note=grid_note,
        units=job.units,
        shares={
            name: study.rasters[inlet_share_file(number)].grid
            for number, name in enumerate(study.lot.names, start=1)
            if inlet_share_file(number) in study.rasters
        },
        shots=map_shots(layers),
    )


def write_study(
    study: Study,
    folder: Path,
    *,
    overwrite: bool,
    use_covers: bool = True,
    pack: bool = True,
    second: SideProcess | None = None,
) -> Written:
    """
    Write the result of a study.

    Parameters
    ----------
    study
        What was computed.
    folder
        Where it goes.
    overwrite
        Whether a result of another lot or command there may be replaced.
    use_covers
        Option of the study, for the provenance.
    pack
        Whether the files to carry away are written too: plan page, waypoints, tables of places.
    second
        Process that draws the map meanwhile; without one it is drawn here.

    Raises
    ------
    OutputError
        If the result cannot be written; an old one stays.
    """
    lot = study.lot
    job = lot.job
    note = _made_from(lot, job.units)
    on_map = _map_content(study, note)
    picture = _drawn(second, map_bytes, on_map)
    content = summary_of(study, use_covers=use_covers)
    if pack:
        on_sheet = replace(_sheet_content(study, content, note), map=on_map)
        sheet = _drawn(second, field_sheet_bytes, on_sheet)
    origin = content["provenance"]
    text = summary_text(
        content, job.units, is_screening=study.screening,
        opens=("result.gpkg", *(_PACK_FILES if pack else ())),
    )  # fmt: skip
    metadata = {"run_id": origin["run_id"], "program": origin["program"]}
    written = layers_to_write(study.layers, job.units)
    files = [
        geopackage_file("result.gpkg", written, metadata=metadata),
        *(
            cog_file(name, raster.grid, description=raster.description, unit=raster.unit)
            for name, raster in study_rasters(study).items()
        ),
        csv_file("summary.csv", summary_csv(content)),
        text_file("overview.txt", text + "\n"),
        *(
            (csv_file if name.endswith(".csv") else text_file)(name, told)
            for name, told in study.texts.items()
        ),
    ]
    if pack:
        unrounded = summary_of(study, use_covers=use_covers, rounded=False)
        files.extend(_pack_files(study, content, unrounded, written))
        files.extend(_viewer_files(study, written))
        files.extend([] if study.screening else _papers(study, content, note))
    files.append(late_file("map.png", picture, estimate=_DRAWN_BYTES))
    if pack:
        files.append(late_file("field_sheet.pdf", sheet, estimate=_DRAWN_BYTES))
    kept: dict[str, str] = {}
    target = write_result_set(
        folder, files, content, overwrite=overwrite, inputs=job.files(), tell_kept=kept.update
    )
    return Written(read_manifest(target), text, kept)


def _drawn(
    second: SideProcess | None, draw: Callable[[Any], bytes], content: object
) -> Callable[[], bytes]:
    """Have something drawn by the second process, or here when it is asked for; in this order."""
    if second is None:
        return cache(partial(draw, content))
    second.submit(draw, content)
    return cache(second.result)


def _depth(study: Study) -> Grid:
    """Depth of low spots below their spill level [m]."""
    return low_spot_depth(study.lot.window.surface.ground, study.lot.low_spots)


def _made_from(lot: LotWater, units: UnitSystem) -> str:
    """Tell what a result was made from."""
    elevation = lot.job.elevation
    return (
        f"{', '.join(path.name for path in elevation.file)}, "
        f"cells of {shown(lot.window.surface.ground.cell_m, 'elevation', units)}, "
        f"vertical accuracy {shown(elevation.rmse_m, 'depth', units)} RMSE"
    )


def _pack_files(
    study: Study, content: Mapping[str, Any], exact: Mapping[str, Any], written: Mapping[str, Any]
) -> list[ResultFile]:
    """
    Make the files to carry away, but for the field sheet, which is drawn.

    `exact` is the content of `summary.json` with all digits, for the page, which rounds once: to
    what it shows.
    """
    lot, crs = study.lot, study.lot.window.surface.ground.crs
    title = lot.job.job.name or "Lot"
    points = waypoints(content, _outlets(lot), lot.job.units)
    tables = [
        csv_file(f"{name}.csv", place_table(RESULT_LAYERS[name], content[name], crs, lot.job.units))
        for name in ("low_spots", "inlets")
        if content[name]  # a table of nothing would be an empty file
    ]
    styles = [
        text_file(f"{name}.sld", sld_text(name, rules))
        for name, rules in layer_rules(lot.job.units).items()
        if len(written.get(name, ()))
    ]
    return [
        plan_page_file("plan.html", _page(study, exact)),
        text_file("waypoints.gpx", gpx_text(points, crs, title=title)),
        *tables,
        *styles,
    ]


def _viewer_files(study: Study, written: Mapping[str, Any]) -> list[ResultFile]:
    """Make what a viewer opens the result with: looks of rasters, and a project of it all."""
    rasters, job = study_rasters(study), study.lot.job
    looks = raster_looks(rasters, job.units)
    return [
        *(
            text_file(f"{name.removesuffix('.tif')}.qml", raster_style_text(look))
            for name, look in looks.items()
        ),
        text_file(PROJECT, project_text(written, rasters, job.job.name or "Lot", job.units)),
    ]


def _papers(study: Study, content: Mapping[str, Any], note: str) -> list[ResultFile]:
    """Make the papers for the owner."""
    title = study.lot.job.job.name or "Lot"
    return [
        text_file("quote.txt", quote_text(content, made_from=note)),
        text_file("upkeep.txt", upkeep_text(upkeep(study.layers, study.findings), title)),
    ]


def _sheet_content(study: Study, content: Mapping[str, Any], note: str) -> FieldSheetContent:
    """What the field sheet says; the map is put in when it is drawn."""
    lot = study.lot
    return FieldSheetContent(
        summary=content,
        layers=study.layers,
        title=lot.job.job.name or "Lot",
        note=note,
        units=lot.job.units,
        site={name: getattr(lot.site, name) for name in _ON_THE_SHEET},
        is_screening=study.screening,
    )


def _page(study: Study, exact: Mapping[str, Any]) -> PageContent:
    """What the plan page shows."""
    lot, accuracy = study.lot, study.lot.job.elevation
    return PageContent(
        summary=exact,
        layers=study.layers,
        ground=lot.window.surface.ground,
        depth=_depth(study),
        routing=lot.inlets.routing,
        names=lot.names,
        error={
            "rmse": accuracy.rmse_m,
            "correlation": accuracy.correlation_m,
            "whiteShare": accuracy.white_share,
        },
        title=lot.job.job.name or "Lot",
        note={units: _made_from(lot, units) for units in _SYSTEMS},
        doubt={units: _doubt(accuracy.rmse_m, units) for units in _SYSTEMS},
        cautions=CAUTIONS,
        units=lot.job.units,
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
