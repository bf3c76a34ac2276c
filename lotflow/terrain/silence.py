"""Keeping a talkative library off the streams of the process."""

from __future__ import annotations

import contextlib
import io
import os
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextlib.contextmanager
def silenced() -> Iterator[None]:
    """
    Keep what compiled code prints off both streams; process-wide, not for threads.

    Examples
    --------
    >>> import os
    >>> with silenced():
    ...     written = os.write(1, b"progress")
    """
    sys.stdout.flush()
    sys.stderr.flush()
    kept: list[tuple[int, int]] = []
    null = os.open(os.devnull, os.O_WRONLY)
    try:
        for stream in (1, 2):
            with contextlib.suppress(OSError):  # a closed stream needs no silencing
                kept.append((stream, os.dup(stream)))
                os.dup2(null, stream)
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            yield
    finally:
        for stream, copy in kept:
            os.dup2(copy, stream)
            os.close(copy)
        os.close(null)
