"""Other functions in the place of the program's own, wherever they are known."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any


def spy(module: str, name: str, look: Callable[[Any], None]) -> None:
    """Have every module that calls a function show what it gives back."""
    real = getattr(sys.modules[module], name)

    def watched(*arguments: Any, **options: Any) -> Any:
        given = real(*arguments, **options)
        look(given)
        return given

    replace(module, name, watched)


def replace(module: str, name: str, substitute: Any) -> Any:
    """Put another function in the place of one wherever it is known; give the real one."""
    real = getattr(sys.modules[module], name)
    for holder in list(sys.modules.values()):
        if getattr(holder, "__name__", "").startswith("lotflow"):
            for key, value in list(vars(holder).items()):
                if value is real:
                    setattr(holder, key, substitute)
    return real
