"""One run at a time writes to a result folder; a second is refused at once."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from lotflow.errors import OutputError

LOCK: Final = ".lotflow.lock"


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """
    Hold a result folder for the time of the block.

    The lock is the system's, so it is free again when the run that held it was killed.

    `folder`: made where it does not exist and its parent does; gone again if it is left empty.

    Raises OutputError if another run holds it.
    """
    made = not folder.exists()
    folder.mkdir(exist_ok=True)
    try:
        descriptor = _lock(folder / LOCK)
        try:
            os.ftruncate(descriptor, 0)
            os.write(descriptor, str(os.getpid()).encode())
            yield
        finally:
            try:
                # taken away while held: whoever has opened it meanwhile sees that it is gone
                _remove(folder / LOCK)
            finally:
                os.close(descriptor)
    finally:
        if made:
            with suppress(OSError):
                folder.rmdir()


def _lock(path: Path) -> int:
    """Open and lock a file that is still the one of that name, or refuse at once."""
    while True:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o666)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if _is_at(descriptor, path):
                return descriptor
        except BlockingIOError:
            holder = os.pread(descriptor, 20, 0).decode("ascii", "replace") or "unknown"
            os.close(descriptor)
            raise OutputError(
                f"another run (process {holder}) is writing to {path.parent}. Wait until it is "
                "done, or choose another folder with -o."
            ) from None
        except BaseException:
            os.close(descriptor)
            raise
        os.close(descriptor)


def _remove(path: Path) -> None:
    """Remove a file; a second try where the first failed, since what stopped it may be over."""
    for _ in range(2):
        with suppress(OSError):
            path.unlink()
            return  # what is there from now on is another run's


def _is_at(descriptor: int, path: Path) -> bool:
    """Tell whether an open file is still the one of that name."""
    try:
        return os.path.samestat(os.fstat(descriptor), path.stat())
    except FileNotFoundError:
        return False
