"""What a batch has done so far, line by line, so that the same command goes on where it stopped."""

from __future__ import annotations

import json
import os
import re
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any, Final, Self, TypeGuard

from lotflow.errors import OutputError
from lotflow.layers.result_town import CONCERNS, TOWN_LAYER
from lotflow.outputs.failures import explained
from lotflow.outputs.folder_lock import held

#: Its name in the folder of a batch.
JOURNAL: Final = "progress.jsonl"
#: The overview, as layer and as GeoParquet.
GEOPACKAGE: Final = "town.gpkg"
PARQUET: Final = "town.parquet"
#: Lots that could not be studied, told on the terminal.
TOLD: Final = 10
#: Below the folder of a batch, the folders of its lots.
LOTS: Final = "lots"
#: So often the disk is waited for [s]: what a power cut costs is studied again.
_FLUSH_S: Final = 1.0
#: What every row has, and what a lot has that was studied.
_NEEDED: Final = {"parcel", "outcome", "concern", "folder"}
_FOUND: Final = _NEEDED | {"harm_rows", "deepest_m", "run_id"}
#: What JSON gives for a column of each kind.
_KINDS: Final[dict[str, tuple[type, ...]]] = {
    "text": (str,), "whole": (int,), "number": (int, float, type(None)),
}  # fmt: skip
#: Holds the journal's own lock, beside that of the result.
_LOCKED: Final = ".lotflow-batch"


class Journal:
    """
    Rows of a batch as they become known, on the disk within a second.

    Parameters
    ----------
    path
        The file.
    run_id
        Identity of the batch: rows of another are not taken for its own.
    rows
        What was found there, by the key of the lot.
    stream
        Open for more.
    """

    def __init__(
        self, path: Path, run_id: str, rows: dict[str, dict[str, Any]], stream: IO[str]
    ) -> None:
        self.path, self.run_id, self.rows, self._stream = path, run_id, rows, stream
        self._flushed = 0.0

    def add(self, row: Mapping[str, Any]) -> None:
        """
        Write a row down.

        Parameters
        ----------
        row
            With the key of the lot as "parcel".

        Raises
        ------
        OutputError
            If the disk does not take it.
        """
        self.rows[row["parcel"]] = dict(row)
        with explained(self.path.parent):
            self._stream.write(json.dumps(row, ensure_ascii=False) + "\n")
            self._stream.flush()
            if time.monotonic() - self._flushed > _FLUSH_S:
                os.fsync(self._stream.fileno())
                self._flushed = time.monotonic()

    def forget_failed(self) -> None:
        """Take lots that could not be studied for not known."""
        self.rows = {key: row for key, row in self.rows.items() if row["outcome"] == "done"}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        with explained(self.path.parent):
            os.fsync(self._stream.fileno())
            self._stream.close()


def made_lots_folder(folder: Path) -> Path:
    """
    Make the folder below that of a batch in which the results of its lots are kept.

    Parameters
    ----------
    folder
        Of the batch.
    """
    lots = folder / LOTS
    with explained(folder):
        lots.mkdir(exist_ok=True)
    return lots


@contextmanager
def journal_of(folder: Path, run_id: str, *, overwrite: bool) -> Iterator[Journal]:
    """
    Open the journal of a batch and hold its folder for the block.

    Parameters
    ----------
    folder
        Of the batch; made where it does not exist and its parent does.
    run_id
        Hash of all that the batch is made from.
    overwrite
        Whether the journal of another batch there may be begun anew.

    Raises
    ------
    OutputError
        If another batch was begun there, or is being run.
    """
    with explained(folder):
        folder.mkdir(exist_ok=True)
        with held(folder / _LOCKED):
            path = folder / JOURNAL
            rows = _read(path, run_id)
            if rows is None and path.exists() and not overwrite:
                raise OutputError(
                    f"{folder} holds a batch of other inputs, options or version. Choose another "
                    "folder with -o, or use --overwrite to begin anew there."
                )
            _rewrite(path, run_id, rows or {})
            with Journal(path, run_id, rows or {}, path.open("a", encoding="utf-8")) as journal:
                yield journal


def _read(path: Path, run_id: str) -> dict[str, dict[str, Any]] | None:
    """Read the rows of a journal; None where it is of another batch, or none."""
    try:
        lines = path.read_text("utf-8", errors="replace").splitlines()
        if not lines or json.loads(lines[0]).get("run_id") != run_id:
            return None
    except (OSError, ValueError, AttributeError, RecursionError):
        return None
    rows = {}
    for line in lines[1:]:
        # cut off when the power went, or changed since: that lot is studied again
        with suppress(ValueError, RecursionError):
            row = json.loads(line, parse_constant=_no_number)
            if _is_row(row):
                rows[row["parcel"]] = row
    return rows


def _no_number(text: str) -> float:
    """Refuse NaN and infinity, which no row has."""
    raise ValueError(text)


def _is_row(row: Any) -> bool:
    """Tell a row as a batch writes it: its values go into tables, its folder into a link."""
    return (
        isinstance(row, dict)
        and row.keys() >= (_NEEDED if row.get("outcome") == "failed" else _FOUND)
        and all(
            isinstance(row[column.name], _KINDS[column.kind])
            for column in TOWN_LAYER.columns
            if column.name in row
        )
        and row["outcome"] in ("done", "failed")
        and row["concern"] in CONCERNS
        and re.fullmatch(r"[A-Za-z0-9._-]*", row["folder"]) is not None
    )


def _rewrite(path: Path, run_id: str, rows: Mapping[str, Mapping[str, Any]]) -> None:
    """Write a journal anew, without the line that was cut off."""
    lines = [{"run_id": run_id}, *rows.values()]
    fresh = path.with_name(f"{path.name}.new")
    try:
        fresh.write_text(
            "".join(json.dumps(line, ensure_ascii=False) + "\n" for line in lines), encoding="utf-8"
        )
        fresh.replace(path)
    except OSError:
        fresh.unlink(missing_ok=True)
        raise


def is_told(told: Any) -> TypeGuard[dict[str, Any]]:
    """Tell what a summary tells of a batch, as `town_text` says it, from what somebody changed."""
    if not isinstance(told, dict):
        return False
    concerns, wrong = told.get("concerns"), told.get("not_studied")
    counts = [told.get("lots"), told.get("failed")]
    return (
        isinstance(concerns, dict)
        and concerns.keys() == set(CONCERNS)
        and all(type(one) is int for one in (*counts, *concerns.values()))
        and isinstance(wrong, list)
        and all(isinstance(row, dict) and isinstance(row.get(name), str) and row[name].isprintable()
                for row in wrong for name in ("parcel", "reason"))
        and isinstance(told.get("page"), dict)
    )  # fmt: skip


def town_text(told: Mapping[str, Any]) -> str:
    """
    Say what came of a batch in some lines.

    Parameters
    ----------
    told
        As "town" in its summary.
    """
    lines = [f"{told['lots']:,} lots", ""]
    lines += [f"  {count:>7,}  {name}" for name, count in told["concerns"].items() if count]
    if told["failed"]:
        lines += ["", "Not studied"]
        lines += [f"  {row['parcel'] or '(no key)'}: {row['reason']}"
                  for row in told["not_studied"]]  # fmt: skip
        if told["failed"] > TOLD:
            lines.append(f"  and {told['failed'] - TOLD:,} more in {GEOPACKAGE}")
    return "\n".join(lines)
