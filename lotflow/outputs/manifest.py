"""What a result says of itself: its manifest, and whether the files are those it names."""

from __future__ import annotations

import hashlib
import json
import math
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeGuard

from lotflow.errors import Fault, InputError

#: The summary carries the list of files with their hashes, and is put in place last.
MANIFEST: Final = "summary.json"
COMPLETE: Final = "complete"
BEING_REPLACED: Final = "being replaced"

#: Entries of the files that are about to come, while the state is `BEING_REPLACED`.
NEXT_FILES: Final = "next_files"

#: Of files whose bytes a viewer changes though nothing in them changes: what is in them.
CONTENTS: Final = "contents"

#: New names of what is about to be moved aside, while the state is `BEING_REPLACED`.
MOVED_ASIDE: Final = "moved_aside"

#: A summary of a lot has some hundred kilobytes, of 50 ha of rough ground a hundred megabytes; a
#: larger file is something else.
LARGEST_MANIFEST_BYTES: Final = 192 * 1024 * 1024

#: What SQLite leaves beside a database that is open, or was not closed.
SIDE_FILES: Final = ("-wal", "-shm", "-journal")

#: Tables in which the library keeps its books, with the columns that say what is in the file.
_BOOKS: Final = {
    "gpkg_contents": ("table_name", "data_type", "identifier", "description", "srs_id"),
    "gpkg_ogr_contents": ("table_name",),
}
#: Time after which a database is taken for another one [s].
_LONGEST_S: Final = 20.0

#: Share of the smaller of two lots' bounds that both have, where they are one lot drawn twice.
_ONE_LOT: Final = 0.5


@dataclass(frozen=True)
class Subject:
    """
    What a result is about: which command computed it, and of which lot.

    Parameters
    ----------
    kind
        "run", "screening", "comparison", "batch"; None where nobody knows.
    name
        Of the job; None where nobody knows.
    bounds
        West, south, east and north of the lot [degrees]; None where nobody knows.

    Examples
    --------
    >>> old = Subject("run", "14 Alder Court", (-80.90001, 35.1, -80.9, 35.1001))
    >>> old.difference(Subject("run", "14 Alder Court", (-80.90002, 35.1, -80.90001, 35.1001)))
    'a result of another place'
    >>> old.difference(Subject("run", "16 Alder Court"))
    "a result of '14 Alder Court'"
    """

    kind: str | None = None
    name: str | None = None
    bounds: tuple[float, float, float, float] | None = None

    def difference(self, other: Subject) -> str:
        """Call this one by what it is and another is not; empty where both are one, if known."""
        if None not in (self.kind, other.kind) and self.kind != other.kind:
            return f"the result of a {self.kind}"
        if None not in (self.name, other.name) and self.name != other.name:
            return f"a result of {_quoted_name(self.name)}"
        if self.bounds and other.bounds and not _is_one_place(self.bounds, other.bounds):
            return "a result of another place"
        return ""


def subject_of(summary: Mapping[str, Any]) -> Subject:
    """
    Tell what a result is about.

    `summary`: its manifest, which anybody may have written: what is not as a run writes it is not
    known.
    """
    origin, lot = summary.get("provenance"), summary.get("lot")
    lot = lot if isinstance(lot, dict) else {}
    if isinstance(origin, dict):
        job = origin.get("job")
        general = job.get("job") if isinstance(job, dict) else None
        name = general.get("name") if isinstance(general, dict) else None
        kinds = {True: "run", False: "screening"}
        covers = origin.get("use_covers")
        kind = kinds[covers] if isinstance(covers, bool) else None
        kind = "batch" if "town" in summary else kind
    else:
        name = lot.get("name")
        kind = "comparison" if {"before", "after"} <= summary.keys() else None
    return Subject(kind, name if isinstance(name, str) else None, _bounds(lot.get("bounds_deg")))


def _bounds(given: object) -> tuple[float, float, float, float] | None:
    """Give four numbers of a manifest; None where they are none."""
    if not isinstance(given, list) or len(given) != 4:
        return None
    if not all(type(one) in (int, float) and math.isfinite(one) for one in given):
        return None
    west, south, east, north = map(float, given)
    return west, south, east, north


def _is_one_place(
    one: tuple[float, float, float, float], other: tuple[float, float, float, float]
) -> bool:
    """Tell whether bounds share most of the ground of the smaller."""
    wide = min(one[2], other[2]) - max(one[0], other[0])
    high = min(one[3], other[3]) - max(one[1], other[1])
    smaller = min((b[2] - b[0]) * (b[3] - b[1]) for b in (one, other))
    return wide >= 0 and high >= 0 and wide * high >= _ONE_LOT * smaller


def _quoted_name(name: str | None) -> str:
    """Quote a name so that it stays on its line and is not too long for one."""
    shown = repr((name or "")[:81])
    return shown if len(shown) <= 82 else f"{shown[:79]}..."


def read_manifest(folder: Path) -> dict[str, Any]:
    """
    Read the summary of a result and check that it is one.

    Returns
    -------
    summary
        The whole summary; its `state` tells whether the result is complete, its `files` name
        each file with `sha256` and `bytes`.

    Raises
    ------
    InputError
        If there is no summary, or it is none of lotflow's.
    """
    path = Path(folder) / MANIFEST
    try:
        size = path.stat().st_size
        summary = json.loads(path.read_bytes()) if size <= LARGEST_MANIFEST_BYTES else None
    except FileNotFoundError:
        raise InputError(
            Fault("the folder holds no result", "Name the folder a run has written", str(folder))
        ) from None
    except OSError as error:
        raise _not_a_result(path, f"could not be read ({error.strerror})") from error
    except (ValueError, RecursionError) as error:
        raise _not_a_result(path, "is not valid JSON") from error
    if not _is_manifest(summary):
        raise _not_a_result(path, "is not the summary of a result")
    return summary


def verify_result(folder: Path) -> list[Fault]:
    """
    Compare the files of a result with its manifest.

    No fault where the result is complete and every file has the size and hash it had when
    it was written.
    """
    try:
        manifest = read_manifest(folder)
    except InputError as error:
        return list(error.faults)
    faults = []
    if manifest["state"] != COMPLETE:
        faults.append(
            Fault("the result is incomplete: a run was interrupted", "Run it again", str(folder))
        )
    for name, entry in manifest["files"].items():
        rule = _difference(Path(folder) / name, entry)
        if rule:
            faults.append(Fault(rule, "Run it again", name))
    return faults


def file_entry(path: Path) -> dict[str, Any]:
    """
    Describe a file as the manifest does.

    Returns `sha256` as hexadecimal text and `bytes` as a whole number.
    """
    with path.open("rb") as stream:
        digest = hashlib.file_digest(stream, "sha256").hexdigest()
    return {"sha256": digest, "bytes": path.stat().st_size}


def content_of(path: Path) -> str | None:
    """
    Describe what is in a GeoPackage, whatever its bytes: its tables, their columns and rows.

    A viewer that opens a file for editing changes bytes of it, though nobody changes a row.

    `path`: an existing file; what SQLite left beside it counts. Neither is changed.

    Returns hash of the tables and their columns, and hash of the rows; None where the file is
    no GeoPackage or cannot be read to its end.
    """
    if path.suffix != ".gpkg":
        return None
    try:
        with tempfile.TemporaryDirectory(prefix="lotflow-") as folder:
            address = f"{path.absolute().as_uri()}?mode=ro&immutable=1"
            if any(_side_file(path, end).exists() for end in SIDE_FILES):
                copy = Path(folder) / "copy.gpkg"  # to open it would change them
                for end in ("", *SIDE_FILES):
                    if _side_file(path, end).is_file():
                        shutil.copyfile(_side_file(path, end), f"{copy}{end}")
                address = copy.as_uri()
            with closing(sqlite3.connect(address, uri=True)) as database:
                return _content(database)
    except (OSError, sqlite3.Error, MemoryError, OverflowError, UnicodeDecodeError):
        return None  # the library stumbles over its own message of a name that is no text


def content_of_summary(summary: Mapping[str, Any]) -> str:
    """Describe what a summary says, whatever its layout, but for what it says of such contents."""
    said = {key: value for key, value in summary.items() if key != CONTENTS}
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()


def has_content(path: Path, content: str | None) -> bool:
    """
    Tell whether what is in a GeoPackage is still what it was.

    `content`: as `content_of` gave it; None where nobody knows.
    """
    return content is not None and content_of(path) == content


def _side_file(path: Path, end: str) -> Path:
    """Name what SQLite leaves beside a database."""
    return path.with_name(path.name + end)


def _content(database: sqlite3.Connection) -> str:
    """Hash tables and rows of a database."""
    database.execute("PRAGMA trusted_schema = OFF")
    deadline = time.monotonic() + _LONGEST_S
    database.set_progress_handler(lambda: time.monotonic() > deadline, 100_000)
    database.text_factory = bytes  # text that is none is a value like any other
    schema, rows = hashlib.sha256(), hashlib.sha256()
    for name, sql, columns in _stored_tables(database):
        schema.update(repr((name, sql)).encode())
        listed = ", ".join(map(_quoted, columns)) if columns else "*"
        rows.update(repr(name).encode())
        # names are quoted, and a table's own
        for row in database.execute(f"SELECT {listed} FROM {_quoted(name)}"):  # noqa: S608
            rows.update(repr(row).encode())
    return f"{schema.hexdigest()} {rows.hexdigest()}"


def _stored_tables(database: sqlite3.Connection) -> Iterator[tuple[str, bytes, tuple[str, ...]]]:
    """List what is stored, and views as tables; the columns of the library's books that count."""
    listed = database.execute(
        "SELECT name, sql FROM sqlite_master WHERE type IN ('table', 'view') ORDER BY name"
    ).fetchall()
    virtual = {name for name, sql in listed if sql and sql.upper().startswith(b"CREATE VIRTUAL")}
    indices = {name for name in virtual if name.startswith(b"rtree_")}  # others hold somebody's own
    kept = {name + end for name in indices for end in (b"_node", b"_parent", b"_rowid")}
    for name, sql in listed:
        if name not in virtual | kept and not name.startswith(b"sqlite_"):
            text = name.decode()
            yield text, sql, _BOOKS.get(text, ())


def _quoted(name: str) -> str:
    """Quote a name for SQL."""
    return '"' + name.replace('"', '""') + '"'


def is_plain_name(name: object) -> bool:
    """
    Tell whether a name stays within its folder and hides nothing.

    `name`: anything; only text can be a name.

    Examples
    --------
    >>> is_plain_name("result.gpkg"), is_plain_name("../result.gpkg"), is_plain_name(".lock")
    (True, False, False)
    """
    return (
        isinstance(name, str)
        and name != ""
        and Path(name).name == name
        and not name.startswith(".")
        and name.isprintable()
    )


def _is_manifest(summary: object) -> TypeGuard[dict[str, Any]]:
    """Tell whether a parsed file has the parts of a manifest and only harmless names."""
    if not isinstance(summary, dict) or "schema_version" not in summary:
        return False
    listings = (summary.get("files"), summary.get(NEXT_FILES, {}))
    aside = summary.get(MOVED_ASIDE, {})
    if not isinstance(summary.get(CONTENTS, {}), dict) or not isinstance(aside, dict):
        return False
    if not all(map(is_plain_name, (*aside, *aside.values()))):
        return False
    return summary.get("state") in (COMPLETE, BEING_REPLACED) and all(map(_is_listing, listings))


def _is_listing(files: object) -> bool:
    """Tell whether a part of a manifest names plain files, each with its entry."""
    return isinstance(files, dict) and all(
        is_plain_name(name) and name != MANIFEST and isinstance(entry, dict)
        for name, entry in files.items()
    )


def _difference(path: Path, entry: dict[str, Any]) -> str:
    """Say how a file differs from its entry; empty where it does not."""
    if path.is_symlink() or not path.is_file():
        return "the file is missing"
    try:
        found = file_entry(path)
    except OSError as error:
        return f"the file cannot be read ({error.strerror})"
    if found != {key: entry.get(key) for key in found}:
        return "the file is not the one the run has written"
    return ""


def _not_a_result(path: Path, rule: str) -> InputError:
    return InputError(Fault(rule, "Name the folder a run has written", str(path)))
