"""Where compiled kernels are kept, so that the second run need not compile them again."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import numba

if TYPE_CHECKING:
    from collections.abc import Callable

Function = TypeVar("Function", bound="Callable[..., Any]")


def cache_folder() -> Path | None:
    """
    Find a folder that is ours to keep compiled kernels in; None where none can be written.

    numba fails at import where neither the package nor the home folder is writable, so the
    folder is chosen and tried here, before any kernel is declared.
    """
    base = os.environ.get("XDG_CACHE_HOME") or "~/.cache"
    try:
        folder = Path(base).expanduser() / "lotflow" / f"kernels-{numba.__version__}"
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return folder
    except (OSError, RuntimeError):
        return None


_FOLDER = cache_folder()
if _FOLDER is not None:
    # numba builds its settings at run time, so they cannot be checked
    numba.config.CACHE_DIR = str(_FOLDER)  # type: ignore[attr-defined, unused-ignore]


def compiled(function: Function) -> Function:
    """
    Compile a kernel when it is first called, without the interpreter lock.

    Parameters
    ----------
    function
        Written in the part of Python and numpy that numba compiles.
    """
    decorated: Any = numba.njit(nogil=True, cache=_FOLDER is not None)(function)
    return cast("Function", decorated)
