"""The compiler, loaded without what it would only look for."""

from __future__ import annotations

import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any


def load_compiler() -> Any:
    """
    Import numba.

    Where the package `coverage` is installed numba imports it, to tell it of compiled lines, and
    that fails in a folder that is gone; so it finds none, unless lines are really counted. Nor
    does it find the parser of its settings file, which it looks for in the folder the program is
    started in, whoever has put it there; that it cannot read one is no news.

    Returns
    -------
    numba
        The module.
    """
    hidden = ["yaml"] if "coverage" in sys.modules else ["yaml", "coverage"]
    with _hidden(hidden), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "A Numba config file is found")
        import numba  # noqa: PLC0415 - that is the point
    # it looks for the file again whenever it compiles: now under a name that no file has
    numba.core.config._config_fname = ""  # noqa: SLF001 - numba has no other way to say it
    return numba


@contextmanager
def _hidden(names: list[str]) -> Iterator[None]:
    """Have the import system find no modules of these names within the block."""
    not_there: Any = None  # which is how the import system is told so
    kept = {name: sys.modules[name] for name in names if name in sys.modules}
    sys.modules.update(dict.fromkeys(names, not_there))
    try:
        yield
    finally:
        for name in names:
            del sys.modules[name]
        sys.modules.update(kept)
