"""
The one door out: a result folder holds the old result, the new one, or says it is incomplete.

Every file is written into a staging folder, read back and compared; only then are the files
put in place one by one. Meanwhile the old summary says "being replaced"; the new summary, with
the hash of every file, comes last. Whatever stops a run before that leaves the old result.

Only what a run has written is replaced. What somebody has changed since, or put under one of the
names, gets another name in the same folder, and stays.

A whole result is replaced unasked by a new one of the same command and lot: it can be had again
from its inputs, and nothing of a person's is lost. Of another lot, or of another command, it is
replaced only where that is asked for: most likely the folder is the wrong one.
"""

from __future__ import annotations

import errno
import itertools
import os
import secrets
import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from lotflow.errors import InputError, OutputError
from lotflow.outputs.failures import explained, failure, require_unicode
from lotflow.outputs.folder_lock import held
from lotflow.outputs.manifest import (
    BEING_REPLACED,
    COMPLETE,
    CONTENTS,
    LARGEST_MANIFEST_BYTES,
    MANIFEST,
    MOVED_ASIDE,
    NEXT_FILES,
    SIDE_FILES,
    Subject,
    content_of,
    content_of_summary,
    file_entry,
    has_content,
    is_plain_name,
    read_manifest,
    subject_of,
)
from lotflow.outputs.result_file import ResultFile
from lotflow.outputs.summary import json_text

STAGING: Final = ".lotflow-staging-"
#: Note on what stops a run when its result is in place already.
IN_PLACE: Final = "the new result is whole"
_KEPT: Final = "replaced"
_MARK: Final = "mark"
_COPY: Final = "copy"


def check_result_folder(
    folder: Path,
    names: Sequence[str],
    *,
    subject: Subject = Subject(),  # noqa: B008 - frozen, and says that nothing is known
    overwrite: bool = False,
    inputs: Sequence[Path] = (),
) -> Path:
    """
    Refuse a folder a result must not be written to, before anything is computed.

    Parameters
    ----------
    folder
        Where the result is to go; it or its parent exists.
    names
        Names of the files to be written.
    subject
        What the new result will be about, as far as it is known.
    overwrite
        Whether a result that is about something else may be replaced.
    inputs
        Files the run reads: none of them may be one that is replaced.

    Returns
    -------
    folder
        The folder with symbolic links resolved.

    Raises
    ------
    OutputError
        If the folder is one that no result belongs in, if it holds a result about something else
        and `overwrite` is not set, if it holds none and a file there would be replaced, if an
        input would be, or if the folder cannot be made or written to.
    """
    with explained(folder):
        target = _resolved(folder)
        old = _replaceable(target, names, subject, overwrite=overwrite)
        _keep_inputs(target, {*names, *old.get("files", {}), *old.get(NEXT_FILES, {})}, inputs)
        place = target if target.exists() else target.parent
        if not os.access(place, os.W_OK | os.X_OK):
            raise OSError(errno.EACCES, os.strerror(errno.EACCES), str(place))
    return target


def write_result_set(
    folder: Path,
    files: Sequence[ResultFile],
    summary: Mapping[str, Any],
    *,
    overwrite: bool = False,
    inputs: Sequence[Path] = (),
    tell_kept: Callable[[Mapping[str, str]], None] = lambda _: None,
) -> Path:
    """
    Write a result and put it in place as a whole.

    Parameters
    ----------
    folder
        Where the result is to go; made where it does not exist and its parent does.
    files
        The files besides the summary.
    summary
        Content of `summary.json`; `state` and `files` are added.
    overwrite
        Whether a complete result about something else may be replaced. One of the same command
        and lot always may, and one that an interrupted run has left incomplete.
    inputs
        Files the run has read: none of them may be one that is replaced or moved aside.
    tell_kept
        Called when all is in place, with the new name of each file that was there under one of
        the result's names and is not what a run has written: it stays under that name.

    Returns
    -------
    folder
        The folder with symbolic links resolved.

    Raises
    ------
    OutputError
        If the folder is refused, another run is writing to it, a file cannot be written, or
        does not read back the same. The folder then holds the result it held before.

    Notes
    -----
    Whatever else stops it, such as an interrupt, carries the note `IN_PLACE` where it came too
    late to stop anything.
    """
    names = [file.name for file in files]
    if len({*names, MANIFEST}) <= len(names) or not all(map(is_plain_name, names)):
        raise TypeError(f"names of result files must be plain and unique, not {names}")
    with explained(folder):
        target = _resolved(folder)
        with held(target):
            old = _replaceable(target, names, subject_of(summary), overwrite=overwrite)
            _keep_inputs(target, names, inputs)
            for stale in target.glob(f"{STAGING}*"):
                _remove(stale)
            staging = target / f"{STAGING}{os.getpid()}-{secrets.token_hex(4)}"
            entries: dict[str, dict[str, Any]] = {}
            kept: dict[str, str] = {}
            try:
                try:
                    staging.mkdir()
                    entries = _stage(staging, files, summary)
                    kept = _to_be_kept(target, names, old)
                    coming = {**summary, "files": entries, MOVED_ASIDE: kept}
                    _prepare_mark(target, staging, old, coming)
                    _put_in_place(target, staging, names, _dropped(target, names, old), kept)
                finally:
                    in_place = bool(entries) and not (staging / MANIFEST).exists()
                    _remove(staging)
            except BaseException as stop:
                _remove(staging)  # that may be what it was stopped in
                if in_place:
                    stop.add_note(IN_PLACE)
                raise
    if kept:
        tell_kept(kept)
    return target


def _resolved(folder: Path) -> Path:
    """Follow symbolic links, so that a linked folder stays a link; the parent must exist."""
    target = Path(folder).resolve()
    require_unicode(target)
    if target.exists() and not target.is_dir():
        raise OutputError(f"{folder} is not a folder. Choose another one with -o.")
    if not target.parent.is_dir():
        raise OutputError(f"the folder {target.parent} does not exist. Make it first.")
    if target in _places_of_others() and not os.path.lexists(target / MANIFEST):
        raise OutputError(
            f"{target} is no folder for a result: other things belong there. Name a new folder in "
            "it with -o."
        )
    return target


def _places_of_others() -> set[Path]:
    """Folders in which there is always something else: home, and all above it and above here."""
    places = {Path(os.sep)}
    with suppress(OSError, RuntimeError):
        home = Path.home().resolve()
        places |= {home, *home.parents}
    with suppress(OSError):
        places |= set(Path.cwd().parents)
    return places


def _keep_inputs(target: Path, names: Iterable[str], inputs: Sequence[Path]) -> None:
    """Refuse to replace a file that the run reads, by whatever name it reads it."""
    read = {_identity(path): path for path in inputs}
    for name in sorted(names):
        path = read.get(_identity(target / name))
        if path is not None and os.path.lexists(target / name):
            raise OutputError(
                f"{path} is an input of this run and lies in the folder of the result that would "
                f"be replaced, as {name}. Move it elsewhere, or choose another folder with -o."
            )


def _identity(path: Path) -> tuple[int, int] | None:
    """Tell a file by where it lies on the disk; None where there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _replaceable(
    target: Path, names: Sequence[str], subject: Subject, *, overwrite: bool
) -> dict[str, Any]:
    """Give the manifest of what may be replaced, empty where there is none."""
    old: dict[str, Any] = {}
    own: set[str] = set()
    if os.path.lexists(target / MANIFEST):
        try:
            old = read_manifest(target)
        except InputError as error:
            raise OutputError(f"{error} It will not be replaced: choose another folder.") from error
        other = subject_of(old).difference(subject) if old["state"] == COMPLETE else ""
        if other and not overwrite:
            raise OutputError(
                f"{target} already holds {other}. Choose another folder with -o, or use "
                "--overwrite to replace it."
            )
        if old["state"] == COMPLETE and _is_regular(target / MANIFEST):
            return old  # what is not as a run has left it is kept
        own = {MANIFEST, *old["files"], *old.get(NEXT_FILES, {})}
        own = {*_with_side_names(own)}
    for name in _with_side_names([MANIFEST, *names]):
        path = target / name
        if os.path.lexists(path) and not (name in own and _is_regular(path)):
            raise OutputError(
                f"{path} is not lotflow's own and would be replaced. Move it away, or choose "
                "another folder with -o."
            )
    if not old and target.exists() and any(map(_is_shown, target.iterdir())):
        if overwrite:
            raise OutputError(
                f"{target} holds files, and no result that could be replaced. Choose another "
                "folder with -o, or an empty one."
            )
        if target.stat().st_uid != os.geteuid():
            raise OutputError(
                f"{target} belongs to somebody else, who keeps other files in it. Name a new "
                "folder in it with -o, or another one."
            )
    return old


def _is_shown(path: Path) -> bool:
    """Tell whether a file is more than what systems and stopped runs leave hidden."""
    return not path.name.startswith(".")


def _to_be_kept(target: Path, names: Sequence[str], old: Mapping[str, Any]) -> dict[str, str]:
    """
    Find what is in the place of a new file and is not what a run has written; name it anew.

    In a folder that an interrupted run has left every file of these names is one of a run, but
    for what that run was about to move aside.
    """
    if old.get("state") != COMPLETE:
        return {
            name: new
            for name, new in old.get(MOVED_ASIDE, {}).items()
            if os.path.lexists(target / name) and not os.path.lexists(target / new)
        }
    kept: dict[str, str] = {}
    said = content_of_summary(old)
    if old.get(CONTENTS, {}).get(MANIFEST, said) != said:
        kept[MANIFEST] = _free_name(target / MANIFEST)
    for name in names:
        path = target / name
        if os.path.lexists(path) and not _is_as_written(path, old):
            new = _free_name(path)
            beside = zip(_side_names(name), _side_names(new), strict=True)
            kept |= {name: new} | {a: b for a, b in beside if os.path.lexists(target / a)}
    return kept


def _is_as_written(path: Path, old: Mapping[str, Any]) -> bool:
    """Tell whether a file is one of the result: its bytes, or at least all that is in it."""
    entry = old["files"].get(path.name)
    if entry is None or not _is_regular(path):
        return False
    beside = any(os.path.lexists(path.with_name(name)) for name in _side_names(path.name))
    if not beside and _same_bytes(path, entry):
        return True
    return has_content(path, old.get(CONTENTS, {}).get(path.name))


def _same_bytes(path: Path, entry: Mapping[str, Any]) -> bool:
    """Compare a file with its entry."""
    found = file_entry(path)
    return found == {key: entry.get(key) for key in found}


def _free_name(path: Path) -> str:
    """Give a name for a file that is kept: the next one that nothing has."""
    numbers = itertools.count(1)
    names = (f"{path.stem}.kept-{number}{path.suffix}" for number in numbers)
    return next(name for name in names if not _taken(path.with_name(name)))


def _taken(path: Path) -> bool:
    """Tell whether there is something of a name, or beside it."""
    return any(
        os.path.lexists(path.with_name(name)) for name in (path.name, *_side_names(path.name))
    )


def _side_names(name: str) -> list[str]:
    """Name what may stand beside a database; other files have nothing beside them."""
    return [name + end for end in SIDE_FILES] if name.endswith(".gpkg") else []


def _with_side_names(names: Iterable[str]) -> list[str]:
    """Put what may stand beside a database before it: it must not be taken for the new one's."""
    return [part for name in names for part in (*_side_names(name), name)]


def _dropped(target: Path, names: Sequence[str], old: Mapping[str, Any]) -> list[str]:
    """
    Files of the old result that the new one has no more.

    Only what is still, byte for byte, the file a run has written is lotflow's to remove.
    """
    return [
        name
        for entries in (old.get("files", {}), old.get(NEXT_FILES, {}))
        for name, entry in entries.items()
        if name not in names and _is_regular(target / name) and entry == file_entry(target / name)
    ]


def _stage(
    staging: Path, files: Sequence[ResultFile], summary: Mapping[str, Any]
) -> dict[str, dict[str, Any]]:
    """Write, read back and flush every file and the manifest; give the manifest's entries."""
    entries: dict[str, dict[str, Any]] = {}
    for done, file in enumerate(files):
        path = staging / file.name
        try:
            file.write(path)
            if not _is_regular(path) or path.stat().st_size == 0:
                raise OutputError("nothing was written")
            file.verify(path)
            _flush(path)
            entries[file.name] = file_entry(path)
        except (OSError, MemoryError) as error:
            needed = sum(entry["bytes"] for entry in entries.values())
            needed += sum(late.estimate for late in files[done:])
            raise failure(error, staging.parent, name=file.name, needed_bytes=needed) from error
    contents = {name: content_of(staging / name) for name in entries if name.endswith(".gpkg")}
    whole = {**summary, "state": COMPLETE, "files": entries}
    contents[MANIFEST] = content_of_summary(whole)
    data = json_text({**whole, CONTENTS: contents}).encode("utf-8")
    if len(data) > LARGEST_MANIFEST_BYTES:
        raise OutputError(
            f"{MANIFEST} would hold {len(data):,} bytes, more than the {LARGEST_MANIFEST_BYTES:,} "
            "that are read again. Study the lot in parts, with fewer inlets or storms at a time."
        )
    _write(staging / MANIFEST, data)
    return entries


def _prepare_mark(
    target: Path, staging: Path, old: Mapping[str, Any], new: Mapping[str, Any]
) -> None:
    """Have ready what tells that the folder is changing, and the old manifest to go back to."""
    kept = staging / _KEPT
    kept.mkdir()
    if old:
        _write(kept / MANIFEST, (target / MANIFEST).read_bytes())
    told = old or {"schema_version": new["schema_version"], "files": {}}
    coming = {**old.get(NEXT_FILES, {}), **new["files"]}
    aside = {**old.get(MOVED_ASIDE, {}), **new[MOVED_ASIDE]}
    mark = json_text({**told, "state": BEING_REPLACED, NEXT_FILES: coming, MOVED_ASIDE: aside})
    _write(kept / _MARK, mark.encode("utf-8"))
    _flush(staging)


def _put_in_place(
    target: Path,
    staging: Path,
    names: Sequence[str],
    dropped: Sequence[str],
    renamed: Mapping[str, str],
) -> None:
    """Move the old files out and the new ones in, the manifest last; undo it if that fails."""
    kept = staging / _KEPT
    try:
        if MANIFEST in renamed:  # a copy, since the folder must never be without
            shutil.copyfile(kept / MANIFEST, kept / _COPY)
            _flush(kept / _COPY)
            (kept / _COPY).replace(target / renamed[MANIFEST])
        (kept / _MARK).replace(target / MANIFEST)
        _flush(target)
        for name, new in _without_manifest(renamed):
            (target / name).replace(target / new)
        for name in _with_side_names([*names, *dropped]):
            if os.path.lexists(target / name):
                (target / name).replace(kept / name)
            if name in names:
                (staging / name).replace(target / name)
        _flush(target)
        (staging / MANIFEST).replace(target / MANIFEST)
        _flush(target)
    except BaseException:
        try:
            _undo(target, staging, names, dropped, renamed)
        except OSError as error:
            raise OutputError(
                f"{target} is incomplete, and its {MANIFEST} says so: the old result could not "
                f"be put back ({error.strerror}). Run again."
            ) from error
        raise


def _undo(
    target: Path,
    staging: Path,
    names: Sequence[str],
    dropped: Sequence[str],
    renamed: Mapping[str, str],
) -> None:
    """
    Put the old files back and their manifest last; a failure here leaves the folder marked.

    What was moved is seen from where the files are, since an interrupt may come between a
    move and any note of it.
    """
    kept = staging / _KEPT
    if not (staging / MANIFEST).exists():
        return  # the new manifest is in place: the new result is whole
    for name in _with_side_names([*names, *dropped]):
        if os.path.lexists(kept / name):
            (kept / name).replace(target / name)
        elif name in names and not (staging / name).exists():
            (target / name).unlink(missing_ok=True)
    for name, new in _without_manifest(renamed):
        if os.path.lexists(target / new):
            (target / new).replace(target / name)
    _flush(target)
    if (kept / MANIFEST).exists():
        (kept / MANIFEST).replace(target / MANIFEST)
    elif not (kept / _MARK).exists():
        (target / MANIFEST).unlink(missing_ok=True)
    if MANIFEST in renamed:
        (target / renamed[MANIFEST]).unlink(missing_ok=True)


def _without_manifest(renamed: Mapping[str, str]) -> list[tuple[str, str]]:
    """Old and new names of what is moved aside as it is."""
    return [(name, new) for name, new in renamed.items() if name != MANIFEST]


def _is_regular(path: Path) -> bool:
    """Tell whether there is an ordinary file, not a link, folder or device."""
    return path.is_file() and not path.is_symlink()


def _write(path: Path, content: bytes) -> None:
    """Write a small file, read it back and flush it."""
    path.write_bytes(content)
    if path.read_bytes() != content:
        raise OutputError(f"{path.name}: what was written did not read back the same")
    _flush(path)


def _flush(path: Path) -> None:
    """Have the disk keep a file, or the names in a folder."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as error:
        # some file systems cannot flush a folder; they keep its names in order by themselves
        if error.errno != errno.EINVAL or not path.is_dir():
            raise
    finally:
        os.close(descriptor)


def _remove(folder: Path) -> None:
    """Remove a staging folder; a second try, since what stopped the first may be over."""
    for _ in range(2):
        shutil.rmtree(folder, ignore_errors=True)
