"""Two results side by side: what `lotflow compare` and `lotflow.compare` come to."""

from __future__ import annotations

import html
import json
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from lotflow.advice.differences import Differences, differences, today_and_proposed
from lotflow.errors import InputError, OutputError
from lotflow.inputs.results import (
    COMPARISON,
    SHAPES,
    SUMMARY,
    read_result,
    result_folder,
    result_of,
)
from lotflow.outputs.comparison import (
    NAMES,
    comparison_files,
    comparison_summary,
    comparison_text,
)
from lotflow.outputs.manifest import Subject, has_content, read_manifest
from lotflow.outputs.result_set import check_result_folder, write_result_set
from lotflow.study.door import Result

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import pandas as pd

    from lotflow.inputs.results import StoredResult


class Comparison:
    """
    What differs between two results of one lot.

    Parameters
    ----------
    found
        What differs.
    read
        Files that the results were read from; none of them is ever replaced.
    """

    def __init__(self, found: Differences, read: tuple[Path, ...] = ()) -> None:
        self.found = found
        self._read = read

    @property
    def table(self) -> pd.DataFrame:
        """One row per difference, ordered by what matters; empty where there is none. SI."""
        return self.found.table

    @cached_property
    def text(self) -> str:
        """What the command prints."""
        return comparison_text(self.found)

    def write(
        self, folder: str | Path, *, overwrite: bool = False,
        tell_kept: Callable[[Mapping[str, str]], None] = lambda _: None,
    ) -> Path:  # fmt: skip
        """
        Write `compare.html`, `compare.csv`, `compare.json`, and a `summary.json` that lists them.

        Parameters
        ----------
        folder
            Where they go.
        overwrite
            Whether a comparison of another lot there may be replaced; a result never is.
        tell_kept
            Called with the new name of each file there that somebody has changed.

        Raises
        ------
        OutputError
            If the folder holds something else, or they cannot be written.
        """
        check_comparison_folder(Path(folder), overwrite=overwrite, read=self._read)
        return write_result_set(
            Path(folder), comparison_files(self.found), comparison_summary(self.found),
            overwrite=overwrite, inputs=self._read, tell_kept=tell_kept,
        )  # fmt: skip

    def __repr__(self) -> str:
        """Say how much differs."""
        return f"<lotflow comparison: {len(self.table)} differences>"

    def _repr_html_(self) -> str:
        """Show the text in a notebook."""
        return f"<pre>{html.escape(self.text)}</pre>"


def compare(before: str | Path | Result, after: str | Path | Result | None = None) -> Comparison:
    """
    Compare two results of one lot, or the drains of one as they are today and as proposed.

    Parameters
    ----------
    before, after
        Folders of results or of jobs with a result in them, or what `lotflow.run` and
        `lotflow.screen` gave. Without `after`, `before` is split into today and proposed.

    Raises
    ------
    InputError
        If one of them is not a whole result, or they are of different lots.

    Examples
    --------
    See `docs/compare.md`.
    """
    given = [one for one in (before, after) if one is not None]
    stored = [_stored(one) for one in given]
    pair = (stored[0], stored[1]) if len(stored) == 2 else today_and_proposed(stored[0])
    folders = [result_folder(one) for one in given if not isinstance(one, Result)]
    read = tuple(folder.joinpath(name) for folder in folders for name in (SUMMARY, SHAPES))
    return Comparison(differences(*pair), read)


def check_comparison_folder(folder: Path, *, overwrite: bool, read: tuple[Path, ...] = ()) -> None:
    """
    Refuse a folder that a comparison must not be written to; the folder of a result is one.

    Parameters
    ----------
    folder
        Where it is to go.
    overwrite
        Whether a comparison of another lot there may be replaced.
    read
        Files that the results were read from.

    Raises
    ------
    OutputError
        If it is refused.
    """
    try:
        there = read_manifest(folder)
    except InputError:
        there = {}  # whatever else there is will be refused
    listed = {*there.get("files", {}), *there.get("next_files", {})}
    if there and COMPARISON not in there and not listed <= {*NAMES}:
        raise OutputError(
            f"{folder} holds the result of a run, which a comparison never replaces. Choose "
            "another folder with -o."
        )
    subject = Subject("comparison")
    check_result_folder(folder, NAMES, subject=subject, overwrite=overwrite, inputs=read)


def _stored(given: str | Path | Result) -> StoredResult:
    """Give a result as it can be compared."""
    if not isinstance(given, Result):
        return read_result(given, same_content=has_content)
    # as it would be read again: numbers rounded as they are written, sets and arrays as lists
    return result_of(json.loads(json.dumps(given.summary)), given.layers, label="result")
