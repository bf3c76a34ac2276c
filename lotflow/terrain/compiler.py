"""The compiler, loaded without what it would only look for."""

from __future__ import annotations

import sys
from typing import Any


def load_compiler() -> Any:
    """
    Import numba.

    Where the package `coverage` is installed numba imports it, to tell it of compiled lines, and
    that fails in a folder that is gone; so it finds none, unless lines are really counted.

    Returns
    -------
    numba
        The module.
    """
    hidden = "coverage" not in sys.modules
    if hidden:
        not_there: Any = None  # which is how the import system is told so
        sys.modules["coverage"] = not_there
    try:
        import numba  # noqa: PLC0415 - that is the point
    finally:
        if hidden:
            del sys.modules["coverage"]
    return numba
