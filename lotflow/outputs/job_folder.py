"""Writing job folders: new files only, all of them or none."""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from lotflow.errors import OutputError
from lotflow.layers import SITE_LAYERS
from lotflow.outputs.failures import explained, require_unicode

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import geopandas as gpd

    from lotflow.layers import Layer


@dataclass(frozen=True)
class JobFile:
    """
    One file of a job folder.

    Parameters
    ----------
    name
        Without any folder.
    content
        All of it.
    """

    name: str
    content: bytes


def _geometry_type(layer: Layer) -> str:
    """Geometry type of a layer to draw in; several families need the general one."""
    if len(layer.geometries) > 1:
        return "Unknown"
    return {"point": "Point", "line": "LineString", "polygon": "Polygon"}[layer.geometries[0]]


def layers_file(name: str, layers: Mapping[str, gpd.GeoDataFrame]) -> JobFile:
    """
    Make a GeoPackage of layers to draw in.

    Parameters
    ----------
    name
        Name of the file.
    layers
        Site layers by name, with or without rows.
    """
    import pyogrio  # noqa: PLC0415 - slow to import

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "layers.gpkg")
        for layer, frame in layers.items():
            pyogrio.write_dataframe(
                frame,
                path,
                layer=layer,
                driver="GPKG",
                geometry_type=_geometry_type(SITE_LAYERS[layer]),
                dataset_options={"VERSION": "1.2"},
                layer_options={"DESCRIPTION": SITE_LAYERS[layer].meaning},
                append=path.exists(),
            )
        return JobFile(name, path.read_bytes())


def write_job_folder(
    folder: Path, files: Sequence[JobFile], *, overwrite: bool | None = None
) -> None:
    """
    Write the files of a job; an existing file is never touched unless asked to.

    Parameters
    ----------
    folder
        Made where it does not exist and its parent does.
    files
        To be written.
    overwrite
        Whether existing files of these names may be replaced; None where nobody can ask for it.

    Raises
    ------
    OutputError
        If a file exists already, or something cannot be written; then none is left behind.
    """
    require_unicode(folder.resolve())
    with explained(folder):
        if folder.exists() and not folder.is_dir():
            raise OutputError(f"{folder} is not a folder. Choose another one.")
        parent = folder.resolve().parent
        if not parent.is_dir():
            raise OutputError(f"the folder {parent} does not exist. Make it first.")
        there = [file.name for file in files if os.path.lexists(folder / file.name)]
        if there and not overwrite:
            ways = "Choose another folder or move them away"
            ways += "" if overwrite is None else ", or use --overwrite to replace them"
            raise OutputError(f"{folder} already holds {', '.join(there)}. {ways}.")
        made = not folder.exists()
        folder.mkdir(exist_ok=True)
        staged: list[Path] = []
        try:
            for file in files:
                staged.append(folder / f".{file.name}.new")
                staged[-1].write_bytes(file.content)
            for file, path in zip(files, staged, strict=True):
                path.replace(folder / file.name)
        finally:
            for path in staged:
                path.unlink(missing_ok=True)
            if made and not any(folder.iterdir()):
                folder.rmdir()
