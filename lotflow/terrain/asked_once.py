"""What is found when it is first asked for."""

from __future__ import annotations

from threading import Lock
from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

Found = TypeVar("Found")


class AskedOnce(Generic[Found]):
    """
    Something that is found when it is first asked for, once, whichever thread asks.

    Parameters
    ----------
    find
        Finds it. If it raises, the next to ask tries again.

    Examples
    --------
    >>> answer = AskedOnce(lambda: print("looking") or 42)
    >>> answer(), answer()
    looking
    (42, 42)
    """

    def __init__(self, find: Callable[[], Found]) -> None:
        self._find = find
        self._found: list[Found] = []
        self._one_at_a_time = Lock()

    def __call__(self) -> Found:
        """Give it; other threads wait until it is found."""
        with self._one_at_a_time:
            if not self._found:
                self._found.append(self._find())
            return self._found[0]
