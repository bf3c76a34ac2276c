"""How loops over cells are compiled, and where the compiler keeps what it made."""

from __future__ import annotations

import hashlib
import os
import stat
import sys
import tempfile
import warnings
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar, cast

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

Function = TypeVar("Function", bound="Callable[..., Any]")

_OTHERS: Final = stat.S_IWGRP | stat.S_IWOTH
_REACHED: Final = stat.S_IXGRP | stat.S_IXOTH


def load_compiler() -> Any:
    """
    Import numba without what it would only look for.

    Where the package `coverage` is installed numba imports it, to tell it of compiled lines, and
    that fails in a folder that is gone; so it finds none, unless lines are really counted. Nor
    does it find the parser of its settings file, which it looks for in the folder the program is
    started in, whoever has put it there; that it cannot read one is no news. Nor scipy.linalg, for
    which it looks before it compiles anything: that is a third of the time that it takes to load,
    and what calls for linear algebra looks again.
    """
    hidden = ["yaml"] if "coverage" in sys.modules else ["yaml", "coverage"]
    with _hidden(hidden), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "A Numba config file is found")
        import numba  # noqa: PLC0415 - that is the point
    with _hidden(["scipy.linalg"]):
        from numba.np import arraymath  # noqa: PLC0415 - as above
    arraymath._HAVE_BLAS = True  # noqa: SLF001 - as scipy is always there, see pyproject.toml
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


def cache_folder() -> Path | None:
    """
    Find a folder that is ours alone to keep machine code in; None where there is none.

    What lies there is run, so nobody else may be able to put anything there: else it is kept
    only in memory. That it can be written is tried, since on some disks only that tells. Any
    change of a loop asks for a new folder: numba looks at single files only, while a loop takes
    in the code and the constants of those it calls.
    """
    base = os.environ.get("XDG_CACHE_HOME") or "~/.cache"
    try:
        above = Path(base).expanduser()
        above.mkdir(parents=True, exist_ok=True)
        folder = above.resolve() / "lotflow" / "kernels" / _fingerprint()
        inner = (folder.parents[1], folder.parent, folder)
        for made in inner:
            made.mkdir(mode=0o700, exist_ok=True)
        if not _is_ours_alone(inner):
            return None
        with tempfile.TemporaryFile(dir=folder):
            return folder
    except (OSError, RuntimeError):
        return None


def _is_ours_alone(inner: tuple[Path, ...]) -> bool:
    """
    Tell whether nobody but we and the system's owner can change what lies in the last folder.

    It is ours if we own it, the other inner ones above it, and all in it, and nobody else may
    write to them; and no folder above these may let others put another one in its place.
    """
    if not hasattr(os, "geteuid"):  # such a system has neither owners nor modes to look at
        return True
    mine = os.geteuid()
    # the group that many systems give each user for himself, of the same number
    alone = os.getegid() if os.getegid() == mine else None
    folder = inner[-1]
    for place in (folder, *folder.parents):
        found = place.lstat()
        others = found.st_mode & (stat.S_IWOTH if found.st_gid == alone else _OTHERS)
        kept = (
            bool(found.st_mode & stat.S_ISVTX) and place not in inner
        )  # others' names stay as they are
        owned = found.st_uid == mine or (found.st_uid == 0 and place not in inner)
        if not stat.S_ISDIR(found.st_mode) or not owned or (others and not kept):
            return False
    # what somebody has put there while he could, or can put deeper inside
    within = [
        os.lstat(f"{place}/{name}")
        for place, folders, files in os.walk(folder)
        for name in (*folders, *files)
    ]
    return all(one.st_uid == mine and not stat.S_ISLNK(one.st_mode) for one in within) and not (
        folder.stat().st_mode & _REACHED
        and any(stat.S_ISDIR(one.st_mode) and one.st_mode & _OTHERS for one in within)
    )


def _fingerprint() -> str:
    """Give a short word that changes when the source of any loop does."""
    sources = sorted((Path(__file__).parent / "loops").glob("*.py"))
    return hashlib.sha256(b"".join(path.read_bytes() for path in sources)).hexdigest()[:16]


# numba fails at import where neither the package nor the home folder is writable, so the folder
# is chosen and tried here, before any loop is declared
_FOLDER = cache_folder()
_numba = load_compiler()
if _FOLDER is not None:
    _numba.config.CACHE_DIR = str(_FOLDER)


def compiled(function: Function) -> Function:
    """
    Compile a loop when it is first called, without the interpreter lock.

    Dividing by zero gives infinity or, of whole numbers, 0; it raises nothing.
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
