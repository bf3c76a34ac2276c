"""An interrupt that comes while a library runs must not be lost."""

from __future__ import annotations

import os
import signal
import sys
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import TracebackType

#: Time after which a lost interrupt comes again: the library has come back by then [s].
_AGAIN_S = 0.02


@contextmanager
def interrupts_kept() -> Iterator[None]:
    """
    Have an interrupt come again that a compiled library has swallowed.

    A library that calls back into Python while it works, to log a line, say, can hand no
    exception on: it prints it, reports it as one that nobody can catch, and goes on.
    """
    usual_print, usual = sys.excepthook, sys.unraisablehook

    def prints(
        kind: type[BaseException], value: BaseException, trace: TracebackType | None
    ) -> None:
        if not isinstance(value, KeyboardInterrupt):
            usual_print(kind, value, trace)

    def ignored(unraisable: sys.UnraisableHookArgs) -> None:
        if isinstance(unraisable.exc_value, KeyboardInterrupt):
            threading.Timer(_AGAIN_S, os.kill, (os.getpid(), signal.SIGINT)).start()
        else:
            usual(unraisable)

    sys.excepthook, sys.unraisablehook = prints, ignored
    try:
        yield
    finally:
        sys.excepthook, sys.unraisablehook = usual_print, usual


def is_interrupt(error: BaseException | None) -> bool:
    """
    Tell whether an error is an interrupt that a library has wrapped in an error of its own.

    Parameters
    ----------
    error
        What was raised.

    Examples
    --------
    >>> is_interrupt(ValueError("error calling a function: KeyboardInterrupt: "))
    True
    >>> is_interrupt(ValueError("a number is wrong"))
    False
    """
    while error is not None:
        if isinstance(error, KeyboardInterrupt) or "KeyboardInterrupt" in str(error):
            return True
        error = error.__cause__ or error.__context__
    return False
