"""Two results that differ in every file, and which of them a folder holds."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import rasterio
from programme.server import Ended, Server
from programme.small_job import small_job, write_raster

from lotflow.outputs.manifest import MANIFEST, read_manifest, verify_result

#: What a folder holds besides the letter of a whole result.
NOTHING, INCOMPLETE, BROKEN = "nothing", "incomplete", "BROKEN"


class Results:
    """
    Two jobs whose results the server's children write, and what they write.

    Parameters
    ----------
    server
        That has them computed.
    folder
        For the jobs and one whole result of each.
    drawn
        Whether map and field sheet are drawn; else noise stands in for the map, there are neither
        pack nor realisations and, but where a case says so, the GeoPackage is made only once: half
        as many files, written as ever, in a fifth of the time.
    """

    def __init__(self, server: Server, folder: Path, *, drawn: bool = True) -> None:
        self.server = server
        self.whole: dict[str, dict[str, bytes]] = {}
        self.known = {"packed": False}
        for letter, units in (("A", "metric"), ("B", "us")):
            job = small_job(folder / letter)
            write_raster(job / "dem.tif", seed=ord(letter), compress="deflate")
            text = (job / "job.toml").read_text().replace('"Small"', f'"Lot {letter}"')
            text += "" if drawn else "[confidence]\nrealisations = 0\n"
            (job / "job.toml").write_text(text.replace("metric", units))
            server.prepare("programme.writing:know_study", letter, str(job), drawn)
            ended = self.write(letter, folder / f"result_{letter}", drawn=drawn)
            assert ended.code == 0, ended
            self.whole[letter] = contents(folder / f"result_{letter}")
            if not drawn:
                package = folder / f"result_{letter}" / "result.gpkg"
                server.prepare("programme.writing:know_geopackage", letter, str(package))
        assert not verify_result(folder / "result_A")
        self.known["packed"] = not drawn

    def write(self, letter: str, folder: Path, **disturbance: Any) -> Ended:
        """Write a result over what is there, disturbed as `programme.writing` says."""
        return self.server.run("programme.writing:rewrite", letter, str(folder),
                               self.known | disturbance, seconds=60.0,
                               memory_bytes=None)  # fmt: skip

    def start(self, letter: str, folder: Path, **disturbance: Any) -> int:
        """Begin to do so and give the number of the process."""
        return self.server.start("programme.writing:rewrite", letter, str(folder),
                                 self.known | disturbance)  # fmt: skip

    def put(self, letter: str, folder: Path) -> None:
        """Put a whole result into a folder that does not exist."""
        folder.mkdir()
        for name, data in self.whole[letter].items():
            (folder / name).write_bytes(data)

    def held(self, folder: Path) -> str:
        """Tell which result a folder holds: a letter, or one of the words above."""
        if not (folder / MANIFEST).exists():
            return BROKEN if folder.exists() and contents(folder) else NOTHING
        if read_manifest(folder)["state"] != "complete":
            return INCOMPLETE if verify_result(folder) else BROKEN
        try:
            found = contents(folder)
        except FileNotFoundError:  # another run has begun to replace it meanwhile: look again
            return self.held(folder)
        return next((letter for letter, whole in self.whole.items() if found == whole), BROKEN)


def contents(folder: Path) -> dict[str, bytes]:
    """Bytes of every file that shows in a folder."""
    return {path.name: path.read_bytes() for path in folder.iterdir()
            if path.is_file() and not path.name.startswith(".")}  # fmt: skip


def left_over(folder: Path) -> list[str]:
    """Names of what does not show in a folder."""
    if not folder.exists():
        return []
    return sorted(path.name for path in folder.iterdir() if path.name.startswith("."))


def size(results: Results) -> int:
    """Bytes of the larger result."""
    return max(sum(map(len, whole.values())) for whole in results.whole.values())


def names(folder: Path) -> set[str]:
    """Names of the files of a result, by its manifest."""
    return {MANIFEST, *json.loads((folder / MANIFEST).read_text())["files"]}


def reads_the_same(found: dict[str, bytes], whole: dict[str, bytes], folder: Path) -> bool:
    """
    Tell whether files hold the same, though a write that was tried twice has laid them out anew.

    Parameters
    ----------
    found, whole
        Bytes of the files of two results, by name.
    folder
        Empty one, for the files that libraries are to read.
    """
    if found.keys() != whole.keys():
        return False
    other = [name for name in found if found[name] != whole[name]]
    return all(_content(found[name], folder / name) == _content(whole[name], folder / name)
               for name in other)  # fmt: skip


def _content(data: bytes, path: Path) -> Any:
    """What a file says, whatever its layout; its bytes where that is not known."""
    path.write_bytes(data)
    if path.suffix == ".gpkg":
        with closing(sqlite3.connect(path)) as database:
            names = [row[0] for row in database.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]  # fmt: skip
            marks = [database.execute(f"PRAGMA {name}").fetchall()
                     for name in ("application_id", "user_version")]  # fmt: skip
            schema = sorted(map(str, database.execute("SELECT name, sql FROM sqlite_master")))
            rows = [database.execute(f'SELECT * FROM "{name}"').fetchall() for name in names]
        return marks, schema, rows
    if path.suffix == ".tif":
        with rasterio.open(path) as raster:
            return raster.profile, raster.tags(), raster.tags(1), raster.read().tobytes()
    if path.suffix == ".json":  # hashes follow the layout
        return {key: value for key, value in json.loads(data).items() if key != "files"}
    return data
