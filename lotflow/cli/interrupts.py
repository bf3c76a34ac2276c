"""Ways to stop a run: Ctrl-C, TERM and HUP, also where they come while a library runs."""

from __future__ import annotations

import os
import re
import signal
import sys
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import FrameType, TracebackType

#: Time after which a lost interrupt comes again: the library has come back by then [s].
_AGAIN_S = 0.02

#: What asks a program to end, besides Ctrl-C; not every system has both.
_ENDING: Final = tuple(
    getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)
)


#: How a library names what it has caught, in the text of its own error.
_WRAPPED: Final = re.compile(r"\bKeyboardInterrupt\b|\bStopped: ")


class Stopped(KeyboardInterrupt):
    """An interrupt by another signal than that of Ctrl-C."""

    def __init__(self, number: int) -> None:
        super().__init__()
        self.number = number


def heed_signals() -> None:
    """
    Have TERM and HUP stop a program as Ctrl-C does, so that it clears away what is half done.

    What the one who has started it wants ignored, as `nohup` does, stays so.
    """

    def stops(number: int, _frame: FrameType | None) -> None:
        raise Stopped(number)

    for number in _ENDING:
        if signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, stops)


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
            number = signal_of(unraisable.exc_value)
            threading.Timer(_AGAIN_S, os.kill, (os.getpid(), number)).start()
        else:
            usual(unraisable)

    sys.excepthook, sys.unraisablehook = prints, ignored
    try:
        yield
    finally:
        sys.excepthook, sys.unraisablehook = usual_print, usual


def signal_of(stop: BaseException | None) -> int:
    """
    Tell which signal an interrupt came from.

    Examples
    --------
    >>> signal_of(Stopped(15)), signal_of(KeyboardInterrupt())
    (15, 2)
    """
    while stop is not None:
        if isinstance(stop, Stopped):
            return stop.number
        stop = stop.__cause__ or stop.__context__
    return int(signal.SIGINT)


def is_interrupt(error: BaseException | None) -> bool:
    """
    Tell whether an error is an interrupt that a library has wrapped in an error of its own.

    Examples
    --------
    >>> is_interrupt(ValueError("error calling a function: KeyboardInterrupt: "))
    True
    >>> is_interrupt(ValueError("a number is wrong"))
    False
    """
    while error is not None:
        if isinstance(error, KeyboardInterrupt) or _WRAPPED.search(str(error)):
            return True
        error = error.__cause__ or error.__context__
    return False
