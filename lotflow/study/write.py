"""From a study to its result folder."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.outputs.geopackage import geopackage_file
from lotflow.outputs.manifest import read_manifest
from lotflow.outputs.map_picture import MapContent, map_file
from lotflow.outputs.rasters import cog_file
from lotflow.outputs.result_file import ResultFile, text_file
from lotflow.outputs.result_set import check_result_folder, write_result_set
from lotflow.outputs.summary import summary_content
from lotflow.outputs.summary_csv import summary_csv
from lotflow.outputs.summary_text import summary_text
from lotflow.study.provenance import provenance
from lotflow.terrain.notes import balance_as_areas

if TYPE_CHECKING:
    from pathlib import Path

    from lotflow.study.main_job import Study

#: Files of a result besides its summary.
FILES: Final = (
    "result.gpkg", "ground.tif", "low_spot_depth.tif", "contributing_area.tif",
    "flow_direction.tif", "inlet.tif", "map.png", "summary.csv", "summary.txt",
)  # fmt: skip


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
    """

    content: dict[str, Any]
    text: str


def check_folder(folder: Path, *, overwrite: bool) -> None:
    """
    Refuse a folder that the result must not be written to, before anything is computed.

    Parameters
    ----------
    folder
        Where the result is to go.
    overwrite
        Whether a result there may be replaced.
    """
    check_result_folder(folder, FILES, overwrite=overwrite)


def _rasters(study: Study) -> list[ResultFile]:
    """The rasters of a result."""
    grid = study.window.surface.ground
    spots, routing = study.low_spots, study.inlets.routing
    depth = np.where(spots.number > 0, study.natural.depth, np.nan)
    area = np.where(study.window.surface.missing, np.nan, routing.total * grid.cell_m2)
    return [
        cog_file("ground.tif", grid, description="ground elevation", unit="m"),
        cog_file("low_spot_depth.tif", grid.with_values(depth),
                 description="depth of low spots below their spill level", unit="m"),
        cog_file("contributing_area.tif", grid.with_values(area),
                 description="contributing area", unit="m2"),
        cog_file("flow_direction.tif", grid.with_values(routing.field.direction),
                 description="1 to 8 for W NW N NE E SE S SW, 0 takes water", unit="code"),
        cog_file("inlet.tif", grid.with_values(routing.label.astype(np.int32)),
                 description="number of the inlet that takes the water, 0 for none", unit="code"),
    ]  # fmt: skip


def _map_content(study: Study, grid_note: str) -> MapContent:
    """What the map shows."""
    grid, layers = study.window.surface.ground, study.layers
    depth = np.where(study.low_spots.number > 0, study.natural.depth, np.nan)
    return MapContent(
        ground=grid,
        depth=grid.with_values(depth),
        lot=layers["lot"],
        buildings=layers["buildings"],
        low_spots=layers["low_spots"],
        flow_paths=layers["flow_paths"],
        crossings=layers["lot_line_crossings"],
        inlets=layers["inlets"],
        catchments=layers["catchments"],
        title=study.job.job.name or "Lot",
        note=grid_note,
        units=study.job.job.units,
    )


def write_study(study: Study, folder: Path, *, overwrite: bool, use_covers: bool = True) -> Written:
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

    Raises
    ------
    OutputError
        If the result cannot be written; an old one stays.
    """
    job, grid = study.job, study.window.surface.ground
    origin = provenance(job, study.source, study.site, use_covers=use_covers)
    content = summary_content(
        study.layers,
        balance=balance_as_areas(study.balance, grid.cell_m2),
        provenance=origin,
        accuracy={
            "rmse_m": job.elevation.rmse_m,
            "cell_m": grid.cell_m,
            "low_spot_limit_m": job.criteria.low_spot_limit_m(job.elevation.rmse_m),
        },
    )
    text = summary_text(content, job.job.units)
    note = (
        f"{', '.join(path.name for path in job.elevation.file)}, cells of {grid.cell_m:g} m, "
        f"vertical accuracy {job.elevation.rmse_m:g} m RMSE"
    )
    metadata = {"run_id": origin["run_id"], "program": origin["program"]}
    files = [
        geopackage_file("result.gpkg", study.layers, metadata=metadata),
        *_rasters(study),
        map_file("map.png", _map_content(study, note)),
        text_file("summary.csv", summary_csv(content)),
        text_file("summary.txt", text + "\n"),
    ]
    target = write_result_set(folder, files, content, overwrite=overwrite)
    return Written(read_manifest(target), text)
