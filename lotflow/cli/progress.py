"""How far a command has come, on stderr, for whatever takes longer than a second."""

from __future__ import annotations

from contextlib import contextmanager
from threading import Timer
from time import monotonic
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lotflow.study.chapter import Tell

#: Nothing is shown before [s].
_DELAY_S: Final = 1.0
#: Parts of a step follow one another faster than they can be read [s].
_PART_S: Final = 0.2


@contextmanager
def progress(steps: int, *, quiet: bool) -> Iterator[Tell]:
    """
    Show the step that is being taken, where somebody looks: on a terminal, unless quiet.

    Parameters
    ----------
    steps
        How many there are.
    quiet
        Whether nothing is to be shown.

    Yields
    ------
    tell
        Called with the name of each step as it begins, and with what is looked at of it.
    """
    from tqdm import tqdm  # noqa: PLC0415 - only where something is computed

    # disable=None: silent where stderr is no terminal
    bar = tqdm(
        total=steps, delay=_DELAY_S, disable=True if quiet else None, leave=False,
        bar_format="{desc} {bar} {n_fmt}/{total_fmt}",
    )  # fmt: skip
    # the step that is being taken when the delay is over is shown then, not at its end
    first_look = Timer(_DELAY_S, bar.refresh)
    first_look.daemon = True

    shown_at = monotonic()

    def tell(step: str, part: str = "", /) -> None:
        nonlocal shown_at
        if part and (bar.disable or monotonic() - shown_at < _PART_S):
            return
        shown_at = monotonic()
        text = f"{step}: {part}" if part else step
        bar.set_description_str(text, refresh=first_look.finished.is_set())
        if not part:
            bar.update()

    with bar:
        if not bar.disable:
            first_look.start()
        try:
            yield tell
        finally:
            first_look.cancel()
