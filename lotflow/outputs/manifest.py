"""What a result says of itself: its manifest, and whether the files are those it names."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any, Final, TypeGuard

from lotflow.errors import Fault, InputError

#: The summary carries the list of files with their hashes, and is put in place last.
MANIFEST: Final = "summary.json"
COMPLETE: Final = "complete"
BEING_REPLACED: Final = "being replaced"

#: Entries of the files that are about to come, while the state is `BEING_REPLACED`.
NEXT_FILES: Final = "next_files"

#: A summary of a lot has some hundred kilobytes; a larger file is something else.
LARGEST_MANIFEST_BYTES: Final = 64 * 1024 * 1024


def read_manifest(folder: Path) -> dict[str, Any]:
    """
    Read the summary of a result and check that it is one.

    Parameters
    ----------
    folder
        Folder of the result.

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

    Parameters
    ----------
    folder
        Folder of the result.

    Returns
    -------
    faults
        Empty where the result is complete and every file has the size and hash it had when it
        was written.
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
            faults.append(Fault(rule, "Run it again with --overwrite", name))
    return faults


def file_entry(path: Path) -> dict[str, Any]:
    """
    Describe a file as the manifest does.

    Parameters
    ----------
    path
        An existing file.

    Returns
    -------
    entry
        `sha256` as hexadecimal text and `bytes` as a whole number.
    """
    with path.open("rb") as stream:
        digest = hashlib.file_digest(stream, "sha256").hexdigest()
    return {"sha256": digest, "bytes": path.stat().st_size}


def is_plain_name(name: object) -> bool:
    """
    Tell whether a name stays within its folder and hides nothing.

    Parameters
    ----------
    name
        Anything; only text can be a name.

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
