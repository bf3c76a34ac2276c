"""Writing job folders: new files only, all of them or none."""

from __future__ import annotations

import os
import secrets
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from lotflow.errors import OutputError
from lotflow.outputs.failures import explained, require_unicode
from lotflow.outputs.manifest import SIDE_FILES, content_of, file_entry, has_content

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import geopandas as gpd

    from lotflow.units import UnitSystem


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


def layers_file(name: str, tables: Mapping[str, gpd.GeoDataFrame], units: UnitSystem) -> JobFile:
    """
    Make a GeoPackage of tables to draw in.

    Parameters
    ----------
    tables
        Those of `DRAWN_TABLES` by name, with or without rows.
    units
        Of their columns.
    """
    from lotflow.outputs.drawing_tables import write_drawing  # noqa: PLC0415 - slow to import

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "layers.gpkg")
        write_drawing(path, tables, units)
        return JobFile(name, path.read_bytes())


def write_job_folder(
    folder: Path, files: Sequence[JobFile], *, overwrite: bool | None = None
) -> None:
    """
    Write the files of a job; a file that holds something else is never touched.

    Parameters
    ----------
    folder
        Made where it does not exist and its parent does; no link to another.
    overwrite
        Whether the same files may be there already, unchanged; None where nobody can ask for it.

    Raises
    ------
    OutputError
        If a file exists already, or something cannot be written; then none is left behind.
    """
    require_unicode(folder.resolve())
    with explained(folder):
        if folder.is_symlink():
            raise OutputError(f"{folder} is a link. Name the folder itself, or another one.")
        if folder.exists() and not folder.is_dir():
            raise OutputError(f"{folder} is not a folder. Choose another one.")
        parent = folder.resolve().parent
        if not parent.is_dir():
            raise OutputError(f"the folder {parent} does not exist. Make it first.")
        _require_free(folder, files, overwrite=overwrite)
        made = not folder.exists()
        folder.mkdir(exist_ok=True)
        staged: list[Path] = []
        try:
            for file in files:
                path = folder / f".{file.name}-{secrets.token_hex(4)}"
                with path.open("xb") as stream:  # a new file, and nothing that a link leads to
                    staged.append(path)
                    stream.write(file.content)
            for file, path in zip(files, staged, strict=True):
                path.replace(folder / file.name)
        finally:
            for path in staged:
                path.unlink(missing_ok=True)
            if made and not any(folder.iterdir()):
                folder.rmdir()


def _require_free(folder: Path, files: Sequence[JobFile], *, overwrite: bool | None) -> None:
    """Refuse a folder in which files of these names are, unless they are these and may be."""
    there = [file for file in files if os.path.lexists(folder / file.name)]
    if not there:
        return
    if not overwrite:
        ways = "Choose another folder or move them away"
        ways += "" if overwrite is None else ", or use --overwrite to replace them"
        names = ", ".join(file.name for file in there)
        raise OutputError(f"{folder} already holds {names}. {ways}.")
    changed = [file.name for file in there if not _holds(folder / file.name, file)]
    if changed or len(there) < len(files):
        what = f"{', '.join(changed)} there" if changed else "part of it"
        raise OutputError(
            f"{folder} holds a job that is not the unchanged sample ({what}), and stays as it is. "
            "Choose another folder."
        )


def _holds(path: Path, file: JobFile) -> bool:
    """Tell whether a file is the one to be written: its bytes, or at least all that is in it."""
    if path.is_symlink() or not path.is_file():
        return False
    with tempfile.TemporaryDirectory(prefix="lotflow-") as folder:
        fresh = Path(folder, file.name)
        fresh.write_bytes(file.content)
        beside = any(os.path.lexists(f"{path}{end}") for end in SIDE_FILES)
        if not beside and file_entry(path) == file_entry(fresh):
            return True
        return has_content(path, content_of(fresh))
