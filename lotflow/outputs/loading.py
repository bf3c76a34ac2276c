"""Loading slow libraries sooner."""

from __future__ import annotations

import gc
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextmanager
def loading() -> Iterator[None]:
    """
    Look for no garbage within the block: what a library makes of itself stays anyway.

    Saves about an eighth of the time of importing the libraries of a study.

    Examples
    --------
    >>> import gc
    >>> with loading():
    ...     gc.isenabled()
    False
    >>> gc.isenabled()
    True
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()
