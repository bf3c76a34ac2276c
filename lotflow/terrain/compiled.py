"""How functions are compiled, and where the compiler keeps what it made."""

from __future__ import annotations

import hashlib
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

from lotflow.terrain.compiler import load_compiler
from lotflow.terrain.machine_code import cache_folder

if TYPE_CHECKING:
    from collections.abc import Callable

Function = TypeVar("Function", bound="Callable[..., Any]")


def _fingerprint() -> str:
    """Give a short word that changes when any kernel does: numba looks at single files only."""
    folder = Path(__file__).parent
    sources = sorted([*folder.glob("realisation_*.py"), *folder.glob("loops/*.py")])
    return hashlib.sha256(b"".join(path.read_bytes() for path in sources)).hexdigest()[:16]


# numba fails at import where neither the package nor the home folder is writable, so the folder
# is chosen and tried here, before any kernel is declared
_FOLDER = cache_folder()
_numba = load_compiler()
if _FOLDER is not None:
    _numba.config.CACHE_DIR = str(_FOLDER / _fingerprint())


def compiled(function: Function) -> Function:
    """
    Compile a kernel when it is first called, without the interpreter lock.

    Dividing by zero gives infinity or, of whole numbers, 0; it raises nothing.

    Parameters
    ----------
    function
        Written in the part of Python and numpy that numba compiles.
    """
    decorated: Any = _numba.njit(nogil=True, error_model="numpy", cache=_FOLDER is not None)(
        function
    )
    if _FOLDER is not None:
        _forgive_damage(decorated)
    return cast("Function", decorated)


def _forgive_damage(decorated: Any) -> None:
    """Compile again what was kept and cannot be read, or could not be kept; numba would give up."""
    kept = decorated._cache  # noqa: SLF001 - numba has no other way to say it
    load, save = kept.load_overload, kept.save_overload

    def load_or_forget(*arguments: Any) -> Any:
        try:
            return load(*arguments)
        except Exception:  # noqa: BLE001 - a damaged pickle may raise anything
            kept.flush()
            return None

    def save_if_there_is_room(*arguments: Any) -> None:
        with suppress(OSError):  # a full disk: it is compiled again next time
            save(*arguments)

    kept.load_overload, kept.save_overload = load_or_forget, save_if_there_is_room
