"""From a study to its result folder."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.outputs.drawings import draw
from lotflow.outputs.geopackage import geopackage_file
from lotflow.outputs.manifest import read_manifest
from lotflow.outputs.map.content import MapContent, map_drains
from lotflow.outputs.rasters import cog_file
from lotflow.outputs.result_file import late_file, text_file
from lotflow.outputs.result_set import check_result_folder, write_result_set
from lotflow.outputs.summary import summary_content, summary_csv
from lotflow.outputs.summary_text import summary_text
from lotflow.study.chapter import Raster, inlet_share_file
from lotflow.study.field_pack import PACK_FILES, made_from, pack_files, sheet_content
from lotflow.study.provenance import provenance
from lotflow.terrain.notes import balance_as_areas

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from lotflow.grid import Grid
    from lotflow.inputs.job import Job
    from lotflow.outputs.side_process import SideProcess
    from lotflow.study.lot_water import LotWater
    from lotflow.study.main_job import Study

#: Files of a result besides its summary.
FILES: Final = (
    "result.gpkg", "ground.tif", "low_spot_depth.tif", "contributing_area.tif",
    "flow_direction.tif", "inlet.tif", "map.png", "summary.csv", "summary.txt",
    "quantities.csv", "runoff_sheets.txt", *PACK_FILES,
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
        Content of `summary.txt`, the table for the terminal.
    kept
        New name of each file that was in the folder under one of the result's names and was not
        as a run has written it.
    """

    content: dict[str, Any]
    text: str
    kept: Mapping[str, str]


def check_folder(job: Job, folder: Path, *, overwrite: bool) -> None:
    """
    Refuse a folder that the result must not be written to, before anything is computed.

    Parameters
    ----------
    job
        Names the inputs, none of which may be replaced.
    folder
        Where the result is to go.
    overwrite
        Whether a result there may be replaced.
    """
    check_result_folder(folder, FILES, overwrite=overwrite, inputs=job.files())


def study_rasters(study: Study) -> dict[str, Raster]:
    """
    Give the rasters of a result by the name of their file.

    Parameters
    ----------
    study
        What was computed.
    """
    lot = study.lot
    grid, routing = lot.window.surface.ground, lot.inlets.routing
    area = np.where(lot.window.surface.missing, np.nan, routing.total * grid.cell_m2)
    return {
        "ground.tif": Raster(grid, "ground elevation", "m"),
        "low_spot_depth.tif": Raster(
            _low_spot_depth(lot), "depth of low spots below their spill level", "m"
        ),
        "contributing_area.tif": Raster(grid.with_values(area), "contributing area", "m2"),
        "flow_direction.tif": Raster(
            grid.with_values(routing.field.direction),
            "1 to 8 for W NW N NE E SE S SW, 0 takes water", "code",
        ),
        "inlet.tif": Raster(
            grid.with_values(routing.label.astype(np.int32)),
            "number of the inlet that takes the water, 0 for none", "code",
        ),
        **study.rasters,
    }  # fmt: skip


def summary_of(study: Study, *, use_covers: bool, rounded: bool = True) -> dict[str, Any]:
    """
    Give the content of `summary.json`, without the hashes of files.

    Parameters
    ----------
    study
        What was computed.
    use_covers
        Option of the study, for the provenance.
    rounded
        Whether numbers are rounded by their unit.
    """
    lot = study.lot
    job, grid = lot.job, lot.window.surface.ground
    return summary_content(
        study.layers,
        balance=balance_as_areas(lot.balance, grid.cell_m2),
        sections=study.sections,
        provenance=provenance(
            lot.asked, lot.source, lot.site, use_covers=use_covers, hashes=study.hashes
        ),
        accuracy={
            "rmse_m": job.elevation.rmse_m,
            "cell_m": grid.cell_m,
            "low_spot_limit_m": job.criteria.low_spot_limit_m(job.elevation.rmse_m),
        },
        rounded=rounded,
    )


def _low_spot_depth(lot: LotWater) -> Grid:
    """Depth of low spots below their spill level."""
    depth = np.where(lot.low_spots.number > 0, lot.low_spots.water, np.nan)
    return lot.window.surface.ground.with_values(depth)


def _map_content(study: Study, grid_note: str) -> MapContent:
    """What the map shows."""
    layers, job = study.layers, study.lot.job
    return MapContent(
        ground=study.lot.window.surface.ground,
        depth=_low_spot_depth(study.lot),
        lot=layers["lot"],
        buildings=layers["buildings"],
        water=study.lot.site.water,
        low_spots=layers["low_spots"],
        flow_paths=layers["flow_paths"],
        crossings=layers["lot_line_crossings"],
        inlets=layers["inlets"],
        catchments=layers["catchments"],
        drains=map_drains(layers),
        title=job.job.name or "Lot",
        note=grid_note,
        units=job.job.units,
        shares={
            name: study.rasters[inlet_share_file(number)].grid
            for number, name in enumerate(study.lot.names, start=1)
            if inlet_share_file(number) in study.rasters
        },
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
        Whether a result there may be replaced.
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
    content = summary_of(study, use_covers=use_covers)
    origin = content["provenance"]
    text = summary_text(content, job.job.units)
    note = made_from(lot, job.job.units)
    shown_on = (_map_content(study, note), sheet_content(study, content, note) if pack else None)
    if second is not None:
        second.submit(draw, *shown_on)
    metadata = {"run_id": origin["run_id"], "program": origin["program"]}
    files = [
        geopackage_file("result.gpkg", study.layers, metadata=metadata),
        *(
            cog_file(name, raster.grid, description=raster.description, unit=raster.unit)
            for name, raster in study_rasters(study).items()
        ),
        text_file("summary.csv", summary_csv(content)),
        text_file("summary.txt", text + "\n"),
        *(text_file(name, content) for name, content in study.texts.items()),
    ]
    if pack:
        unrounded = summary_of(study, use_covers=use_covers, rounded=False)
        files += pack_files(study, content, unrounded, _low_spot_depth(lot))
    drawn = cache(partial(draw, *shown_on) if second is None else second.result)
    files.append(late_file("map.png", lambda: drawn().picture, estimate=_DRAWN_BYTES))
    if pack:
        files.append(late_file("field_sheet.pdf", lambda: drawn().sheet, estimate=_DRAWN_BYTES))
    kept: dict[str, str] = {}
    target = write_result_set(
        folder, files, content, overwrite=overwrite, inputs=job.files(), tell_kept=kept.update
    )
    return Written(read_manifest(target), text, kept)
