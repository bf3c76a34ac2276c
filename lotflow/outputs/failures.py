"""Why a result could not be written, in one message with reason and remedy."""

from __future__ import annotations

import errno
import shutil
import sqlite3
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from lotflow.errors import LotflowError, OutputError
from lotflow.text import is_unicode

_NO_SPACE: Final = (errno.ENOSPC, errno.EDQUOT)
_REMEDIES: Final = {
    errno.EACCES: "Choose a folder you may write to with -o",
    errno.EPERM: "Choose a folder you may write to with -o",
    errno.EROFS: "The disk is mounted for reading only; choose another folder with -o",
    errno.EFBIG: "A limit on the size of files is set (see `ulimit -f`); raise it",
    errno.ENAMETOOLONG: "Choose a shorter path with -o",
    errno.EIO: "The disk reports a fault; choose another one with -o",
}
_LAST_REMEDY: Final = (
    "Run again; if it stays, choose another disk with -o, and see `ulimit -f` for a limit on "
    "the size of files"
)

#: Below this much free space, a failure whose reason the library does not tell is put down to
#: it: GDAL reports a full disk without the system's error number.
_SCARCE_BYTES: Final = 1024 * 1024


def deepest_reason(error: BaseException) -> str:
    """
    Give the text of the error an error goes back to.

    rasterio says "Read failed. See previous exception" and keeps the reason in the cause.

    Examples
    --------
    >>> outer = RuntimeError("See previous exception")
    >>> outer.__cause__ = OSError(28, "No space left on device")
    >>> deepest_reason(outer)
    'No space left on device'
    """
    error = _deepest(error)
    return getattr(error, "strerror", None) or str(error) or type(error).__name__


def _deepest(error: BaseException) -> BaseException:
    """Give the error that an error goes back to."""
    while error.__cause__ is not None:
        error = error.__cause__
    return error


@contextmanager
def explained(folder: Path) -> Iterator[None]:
    """
    Turn what the system refuses within the block into `OutputError`.

    Raises OutputError for every OSError and MemoryError; what lotflow raises itself passes as
    it is.
    """
    try:
        yield
    except LotflowError:
        raise
    except (OSError, MemoryError) as error:
        raise failure(error, folder) from error


def failure(
    error: BaseException, folder: Path, *, name: str = "", needed_bytes: int = 0
) -> OutputError:
    """
    Say what could not be written, why, and what to do.

    `folder`: where the result was being written to; `needed_bytes`: space the result takes
    beside what is there [bytes]; 0 where nobody knows.

    To be raised from `error`.
    """
    place = f"{name}: " if name else ""
    reason = deepest_reason(error).rstrip(".")
    text = f"{place}the result could not be written to {folder}: {reason}."
    code = getattr(error, "errno", None)
    free = free_bytes(folder)
    scarce: float = _SCARCE_BYTES
    if getattr(_deepest(error), "sqlite_errorcode", None) == sqlite3.SQLITE_FULL:
        scarce += 2 * needed_bytes  # it has given back by now what it had taken
    if code in _NO_SPACE or (code is None and free < scarce):
        lack = f", about {needed_bytes / 1e6:.1f} MB are needed" if needed_bytes > free else ""
        told = OutputError(f"{text} {free / 1e6:.1f} MB are free{lack}. Make room on the disk.")
        told.is_of_machine = True
        return told
    told = OutputError(f"{text} {_REMEDIES.get(code or 0, _LAST_REMEDY)}.")
    told.is_of_machine = code in (errno.EROFS, errno.EIO)
    return told


def require_unicode(folder: Path) -> None:
    """
    Refuse a folder whose name some of the libraries cannot be told.

    Raises OutputError if bytes in its path are no text in UTF-8, or are control characters, as
    a line break.
    """
    wrong = "" if is_unicode(str(folder)) else "is no text in UTF-8"
    if any(unicodedata.category(letter) == "Cc" for letter in str(folder)):
        wrong = "holds a line break or another control character"
    if wrong:
        raise OutputError(
            f"{folder} cannot be written to: its name, or that of a folder above it, {wrong}. "
            "Rename it, or choose another folder."
        )


def free_bytes(folder: Path) -> float:
    """
    Free space where a folder is or would be.

    `folder`: A folder; it need not exist.

    Returns space for an ordinary user [bytes]; infinite where it cannot be told.
    """
    for place in (folder, *folder.absolute().parents):
        with suppress(OSError):
            return shutil.disk_usage(place).free
    return float("inf")
