"""What an earlier proposal in a job's folder says of the rows it added, as it was written."""

from __future__ import annotations

import hashlib
import json
import math
from pathlib import Path
from typing import Any, Final

from lotflow.errors import Fault, InputError
from lotflow.inputs.open import local_file, read_bytes, reading
from lotflow.layers.proposals import Earlier, EarlierRow, Rejected
from lotflow.text import clean_text

#: File of what was weighed, in the folder of a proposed job.
PROPOSAL_FILE: Final = "proposal.json"
_LARGEST: Final = 16 * 1024 * 1024
_MOST: Final = 10_000
_TABLES: Final = ("inlets", "drain_lines", "outlets")


def digest(content: dict[str, Any]) -> str:
    """
    SHA-256 of what a proposal says, but for the hash itself.

    Parameters
    ----------
    content
        Of `proposal.json`.
    """
    said = {key: value for key, value in content.items() if key != "sha256"}
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()


def read_earlier(job_path: Path) -> Earlier | None:
    """
    Read the proposal beside a job file; None where there is none.

    Parameters
    ----------
    job_path
        Folder of the job, or its job file.

    Raises
    ------
    InputError
        If it is no proposal as it was written.
    """
    folder = job_path if job_path.is_dir() else job_path.parent
    path = folder / PROPOSAL_FILE
    if not path.exists():
        return None
    data = read_bytes(local_file(path, "proposal"), _LARGEST, "proposal")
    with reading(path):
        content = json.loads(data)
    if not isinstance(content, dict) or content.get("sha256") != digest(content):
        raise InputError(
            Fault("the proposal is not as it was written: it was changed by hand, or damaged",
                  "Put it back, or delete it: then every row of the drawing counts as yours",
                  file=str(path))
        )  # fmt: skip
    try:
        rows = tuple(_row(one) for one in content["rows"][:_MOST])
        rejected = tuple(Rejected(_table(one), _points(one)) for one in content["rejected"][:_MOST])
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(
            Fault("the proposal lacks what a proposal says of its rows",
                  "Delete it: then every row of the drawing counts as yours", file=str(path))
        ) from error  # fmt: skip
    return Earlier(rows, rejected)


def _row(one: dict[str, Any]) -> EarlierRow:
    """One row that was added."""
    values = {str(key): clean_text(value) if isinstance(value, str) else value
              for key, value in one["values"].items()}  # fmt: skip
    return EarlierRow(_table(one), clean_text(one["name"]), _points(one), values)


def _table(one: dict[str, Any]) -> str:
    """Name of a table that rows are added to."""
    if one["table"] not in _TABLES:
        raise ValueError(one["table"])
    return str(one["table"])


def _points(one: dict[str, Any]) -> tuple[tuple[float, float], ...]:
    """Coordinates of a row."""
    points = tuple((float(x), float(y)) for x, y in one["at"][:_MOST])
    if not points or not all(math.isfinite(value) for point in points for value in point):
        raise ValueError("at")
    return points
