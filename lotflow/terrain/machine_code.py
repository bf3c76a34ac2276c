"""
Machine code of the loops over cells, kept from one run to the next.

The compiler takes most of a second to load even where it has nothing to compile: more than all
the loops of a small lot together. So what it makes of a loop is kept as a plain object file,
which the linker beneath it loads in a millisecond.
"""

from __future__ import annotations

import ctypes
import hashlib
import os
import secrets
import stat
import tempfile
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from importlib import import_module, resources
from importlib.metadata import version
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, Any, Final, cast

import llvmlite.binding as llvm
import numpy as np

from lotflow.errors import EngineError
from lotflow.terrain.compiler import load_compiler

if TYPE_CHECKING:
    from collections.abc import Callable

_LOOPS: Final = "lotflow.terrain.loops"
_ONE_AT_A_TIME: Final = Lock()
_OTHERS: Final = stat.S_IWGRP | stat.S_IWOTH
_REACHED: Final = stat.S_IXGRP | stat.S_IXOTH


@dataclass(frozen=True)
class Loop:
    """
    A loop over cells, ready to be called.

    Parameters
    ----------
    module, name
        Where in `loops` it is written.
    arguments
        Types of its arguments by numpy's names, those of arrays with a `*`.
    counts
        Whether it returns a number, an int64.

    Examples
    --------
    >>> double = np.array([1.0, 2.0])
    >>> way, order = np.array([0, 1], dtype=np.uint8), np.array([0, 1])
    >>> types = "uint8* int64* int64 int64 float64*"
    >>> sum_down = Loop("ways", "sum_down", types)
    >>> sum_down(way, order, 2, 2, double)
    0
    >>> double  # direction 1 is west
    array([3., 2.])
    """

    module: str
    name: str
    arguments: str
    counts: bool = False

    @property
    def kinds(self) -> list[str]:
        """Types of its arguments, one by one."""
        return self.arguments.split()

    def __call__(self, *arguments: Any) -> int:
        """
        Run the loop, without the interpreter lock.

        Parameters
        ----------
        arguments
            Arrays must be contiguous and of the type declared.

        Returns
        -------
        number
            What the loop returns, 0 for nothing.
        """
        number, failure = ctypes.c_int64(0), ctypes.c_void_p(0)
        if _loaded(self)(ctypes.byref(number), ctypes.byref(failure), *arguments):
            raise EngineError(f"the compiled loop {self.name} failed.")
        return number.value


def cache_folder() -> Path | None:
    """
    Find a folder that is ours alone to keep machine code in; None where there is none.

    What lies there is run, so nobody else may be able to put anything there: else it is kept
    only in memory. That it can be written is tried, since on some disks only that tells.
    """
    base = os.environ.get("XDG_CACHE_HOME") or "~/.cache"
    try:
        above = Path(base).expanduser()
        above.mkdir(parents=True, exist_ok=True)
        folder = above.resolve() / "lotflow" / "kernels"
        for made in (folder.parent, folder):
            made.mkdir(mode=0o700, exist_ok=True)
        if not _is_ours_alone(folder):
            return None
        with tempfile.TemporaryFile(dir=folder):
            return folder
    except (OSError, RuntimeError):
        return None


def _is_ours_alone(folder: Path) -> bool:
    """
    Tell whether nobody but we and the system's owner can change what lies in a folder.

    It is ours if we own it and all in it, and nobody else may write to it; and no folder above it
    may let others put another one in its place.
    """
    if not hasattr(os, "geteuid"):  # such a system has neither owners nor modes to look at
        return True
    mine = os.geteuid()
    # the group that many systems give each user for himself, of the same number
    alone = os.getegid() if os.getegid() == mine else None
    for place in (folder, *folder.parents):
        found = place.lstat()
        inner = place in (folder, folder.parent)
        others = found.st_mode & (stat.S_IWOTH if found.st_gid == alone else _OTHERS)
        kept = bool(found.st_mode & stat.S_ISVTX) and not inner  # others' names stay as they are
        owned = found.st_uid == mine or (found.st_uid == 0 and not inner)
        if not stat.S_ISDIR(found.st_mode) or not owned or (others and not kept):
            return False
    # what somebody has put there while he could, or can put deeper inside
    within = [path.lstat() for path in folder.rglob("*")]
    return all(one.st_uid == mine and not stat.S_ISLNK(one.st_mode) for one in within) and not (
        folder.stat().st_mode & _REACHED
        and any(stat.S_ISDIR(one.st_mode) and one.st_mode & _OTHERS for one in within)
    )


@cache
def _folder_of(_base: str | None) -> Path | None:
    """Look once: all that lies in the folder is looked at."""
    return cache_folder()


@cache
def _loaded(loop: Loop) -> Callable[..., int]:
    """Load a loop from its file; compile it where there is none."""
    with _ONE_AT_A_TIME:
        folder = _folder_of(os.environ.get("XDG_CACHE_HOME"))
        path = folder / f"{loop.name}-{_fingerprint(loop)}.o" if folder else None
        code = _kept(path) if path else None
        if code is None:
            code = compile_loop(loop)
            if path:
                _keep(path, code)
        return _linked(loop, code)


def _fingerprint(loop: Loop) -> str:
    """Tell apart all that the machine code depends on: source, compiler, processor."""
    parts = (loop.arguments, _sources(), version("numba"), llvm.get_default_triple())
    return hashlib.sha256("\0".join((*parts, *_processor())).encode()).hexdigest()[:24]


@cache
def _sources() -> str:
    """Give the source of all loops, since they share parts."""
    files = [f for f in resources.files(_LOOPS).iterdir() if f.name.endswith(".py")]
    return "\0".join(
        file.read_text(encoding="utf-8") for file in sorted(files, key=lambda file: file.name)
    )


@cache
def _processor() -> tuple[str, str]:
    """Name and abilities of the processor."""
    return llvm.get_host_cpu_name(), llvm.get_host_cpu_features().flatten()


def _kept(path: Path) -> bytes | None:
    """Read machine code that was kept; None where there is none, or it is not what was kept."""
    try:
        content = path.read_bytes()
    except OSError:
        return None
    proof, code = content[:32], content[32:]
    return code if hashlib.sha256(code).digest() == proof else None


def _keep(path: Path, code: bytes) -> None:
    """Keep machine code with its hash, whole or not at all."""
    fresh = path.with_name(f".{path.name}-{secrets.token_hex(4)}")
    try:
        fresh.write_bytes(hashlib.sha256(code).digest() + code)
        fresh.replace(path)
    except OSError:  # a full disk, say: it is compiled again next time
        with suppress(OSError):
            fresh.unlink(missing_ok=True)


def compile_loop(loop: Loop) -> bytes:
    """
    Compile a loop to an object file that needs nothing but itself.

    Parameters
    ----------
    loop
        Which.

    Raises
    ------
    EngineError
        If the compiler made something else of it than is called here.
    """
    numba = load_compiler()  # slow to import, and seldom needed
    kinds: Any = numba.types
    arguments = [
        kinds.CPointer(getattr(kinds, kind[:-1])) if kind.endswith("*") else getattr(kinds, kind)
        for kind in loop.kinds
    ]
    result = kinds.int64 if loop.counts else kinds.void
    function = getattr(import_module(f"{_LOOPS}.{loop.module}"), loop.name).py_func
    made = numba.cfunc(result(*arguments), error_model="numpy")(function)
    module = llvm.parse_assembly(made.inspect_llvm())
    # of the two forms the compiler makes, the one called from C brings in its run-time library
    # to report errors; the inner one gives a status and needs nothing
    module.get_function(made.native_name).linkage = "available_externally"
    inner = module.get_function(made.native_name.removeprefix("cfunc."))
    inner.name = loop.name
    form = ["ptr", "ptr", *("ptr" if kind.endswith("*") else "i64" for kind in loop.kinds)]
    if [str(argument.type) for argument in inner.arguments] != form:
        raise EngineError(f"this version of numba compiles {loop.name} to another form.")
    return bytes(_machine(jit=False).emit_object(module))


def _machine(*, jit: bool) -> Any:
    """Describe this machine to the linker."""
    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    name, features = _processor()
    target = llvm.Target.from_default_triple()
    return target.create_target_machine(cpu=name, features=features, opt=3, reloc="pic", jit=jit)


@cache
def _linker() -> Any:
    """Give the linker of this process."""
    return llvm.create_lljit_compiler(_machine(jit=True))


def _linked(loop: Loop, code: bytes) -> Callable[..., int]:
    """Put machine code in place."""
    builder = llvm.JITLibraryBuilder().add_object_img(code).export_symbol(loop.name)
    library = builder.link(_linker(), loop.name)
    # what every compiled function takes first: places for its result and for a failure
    kinds: list[Any] = [ctypes.POINTER(ctypes.c_int64), ctypes.POINTER(ctypes.c_void_p)]
    for kind in loop.kinds:
        array = np.ctypeslib.ndpointer(np.dtype(kind.rstrip("*")), flags="C")
        kinds.append(array if kind.endswith("*") else ctypes.c_int64)
    entry: Any = ctypes.CFUNCTYPE(ctypes.c_int32, *kinds)(library[loop.name])
    entry.library = library  # the code stays in place as long as it can be called
    return cast("Callable[..., int]", entry)
