"""How far a command has come, on stderr, for whatever takes longer than a second."""

from __future__ import annotations

from contextlib import contextmanager
from threading import Timer
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

#: Nothing is shown before [s].
_DELAY_S: Final = 1.0


@contextmanager
def progress(steps: int, *, quiet: bool) -> Iterator[Callable[[str], None]]:
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
        Called with the name of each step as it begins.
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

    def tell(step: str) -> None:
        bar.set_description_str(step, refresh=first_look.finished.is_set())
        bar.update()

    with bar:
        if not bar.disable:
            first_look.start()
        try:
            yield tell
        finally:
            first_look.cancel()
