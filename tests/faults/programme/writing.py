"""Writing a known result while something goes wrong."""

from __future__ import annotations

import ctypes
import dataclasses
import io
import itertools
import os
import random
import resource
import signal
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext
from importlib import import_module
from pathlib import Path
from typing import Any, Final

from PIL import Image
from programme.cases import command, flushed
from programme.power_cut import recorded
from programme.spies import replace, spy

#: Studies that were computed once for all children, and the commands that write them: only
#: writing is disturbed.
_STUDIES: dict[str, tuple[list[str], Any]] = {}
#: What was drawn of them, which takes most of the time, by where it is drawn; drawn anew only where
#: a case says so.
_DRAWN: dict[str, dict[tuple[str, str], bytes]] = {}
#: Their GeoPackages, which take most of the time of writing; used only where a case says so.
_PACKED: Final[dict[str, bytes]] = {}

#: Where a GeoPackage is made ready to be written.
_PACK: Final = ("lotflow.outputs.geopackage", "geopackage_file")
#: Where map and field sheet are drawn, and the process that else does it meanwhile.
_MAP: Final = ("lotflow.outputs.drawings", "map_bytes")
_SHEET: Final = ("lotflow.outputs.drawings", "field_sheet_bytes")
_SECOND_PROCESS: Final = ("lotflow.cli.report", "drawing_process")

#: Calls by which Python changes the disk.
CALLS: Final = ("open", "write", "fsync", "replace", "mkdir", "unlink", "rmdir", "ftruncate")


def know_study(letter: str, job: str, drawn: bool) -> None:
    """
    Compute a job and draw it once for all children.

    Parameters
    ----------
    letter
        That of its result.
    job
        Its folder.
    drawn
        Whether it is drawn at all; else something stands in for the map, and there is no pack.
    """
    from lotflow.inputs.job import read_job  # noqa: PLC0415
    from lotflow.study import run_study, write_study  # noqa: F401, PLC0415

    order = ["run", job, "--overwrite", "-q", *([] if drawn else ["--no-pack"])]
    _STUDIES[letter] = (order, run_study(read_job(Path(job))))
    if not drawn:
        _DRAWN[letter] = stand_in(letter)
        return
    places = (_MAP, _SHEET, _SECOND_PROCESS)
    real = {place: getattr(import_module(place[0]), place[1]) for place in places}
    replace(*_SECOND_PROCESS, _no_second_process)
    _DRAWN[letter] = {}
    for place in (_MAP, _SHEET):
        spy(*place, lambda drawn, place=place: _DRAWN[letter].update({place: drawn}))
    try:
        with tempfile.TemporaryDirectory() as folder:
            code = command(["run", job, "-o", str(Path(folder) / "result"), "-q"])
    finally:
        for place, function in real.items():
            replace(*place, function)
    assert code == 0
    assert len(_DRAWN[letter]) == 2


def know_geopackage(letter: str, path: str) -> None:
    """Keep a GeoPackage that was written for all children."""
    _PACKED[letter] = Path(path).read_bytes()


def _no_second_process(*_: Any, **__: Any) -> Any:
    return nullcontext()


def run_alone(arguments: list[str]) -> None:
    """Run a command without a second process, and leave with its exit code."""
    from lotflow.study import write_study  # noqa: F401, PLC0415 - so that its parts are there

    replace(*_SECOND_PROCESS, _no_second_process)
    os._exit(flushed(command(arguments)))


def run_undrawn(arguments: list[str]) -> None:
    """Run a command in the server itself; something stands in for map and field sheet."""
    from lotflow.study import write_study  # noqa: F401, PLC0415

    with _in_place({_SECOND_PROCESS: _no_second_process, **_known(stand_in("plain"))}):
        assert command(arguments) == 0


def stand_in(seed: str) -> dict[tuple[str, str], bytes]:
    """Give what stands in for drawings where nobody looks at them: noise of about their size."""
    rng, picture = random.Random(seed), io.BytesIO()
    noise = Image.frombytes("RGB", (300, 200), rng.randbytes(180_000))
    noise.save(picture, "png", dpi=(150, 150))
    return {_MAP: picture.getvalue(), _SHEET: b"%PDF-" + rng.randbytes(180_000) + b"%%EOF"}


def _known(drawn: dict[tuple[str, str], bytes]) -> dict[tuple[str, str], Any]:
    """Give what was drawn in the place of drawing it."""
    return {place: lambda *_, given=given: given for place, given in drawn.items()}


def rewrite(letter: str, folder: str, disturbance: dict[str, Any]) -> Any:
    """
    Run a job over a result that may be there, by the command.

    Parameters
    ----------
    letter
        Whose result is written.
    folder
        Where it goes.
    disturbance
        `drawn`: map and field sheet are drawn anew. `packed`: the GeoPackage is not made anew but
        written like a text. `alternate`: one result replaces the other until somebody ends it.
        `file_bytes`: no file may grow larger. `strike`: number of the call of Python's that fails,
        and how, "kill" or an error number. `native`: the same for calls of the libraries. `count`:
        how many calls of Python's there are. `record`: folder for the order of what reached the
        disk. `lose`: name of a file of which the disk keeps half without a word.
    """
    letters = itertools.cycle(sorted(_STUDIES, key=lambda one: one != letter))
    with _disturbed(disturbance) as given:
        for letter_now in letters if disturbance.get("alternate") else [letter]:
            code = _written(letter_now, folder, drawn=bool(disturbance.get("drawn")),
                            packed=bool(disturbance.get("packed")))  # fmt: skip
            if code:
                break
    if given is not None:
        return {"code": code, **given}
    os._exit(flushed(code))


def _written(letter: str, folder: str, *, drawn: bool, packed: bool) -> int:
    """Write one result."""
    from lotflow.outputs.result_file import bytes_file  # noqa: PLC0415

    order, study = _STUDIES[letter]
    known: dict[tuple[str, str], Any] = {}
    known["lotflow.study.main_job", "run_study"] = lambda *_, **__: study
    if not drawn:
        known |= _known(_DRAWN[letter])
        known[_SECOND_PROCESS] = _no_second_process
    if packed:
        known[_PACK] = lambda name, *_, **__: bytes_file(name, _PACKED[letter])
    with _in_place(known):
        return command([*order, "-o", folder])


@contextmanager
def _in_place(known: dict[tuple[str, str], Any]) -> Iterator[None]:
    """Put other functions in the place of the program's own, and back."""
    real = {place: replace(*place, substitute) for place, substitute in known.items()}
    try:
        yield
    finally:
        for (module, name), function in real.items():
            assert replace(module, name, function) is known[module, name]


@contextmanager
def _disturbed(disturbance: dict[str, Any]) -> Iterator[dict[str, Any] | None]:
    """Arrange what goes wrong; give what is to be known afterwards, where it is asked for."""
    with ExitStack() as stack:
        if limit := disturbance.get("file_bytes"):
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
        if strike := disturbance.get("strike"):
            strike_at(*strike)
        if native := disturbance.get("native"):
            ctypes.CDLL(os.environ["LD_PRELOAD"]).arm(*native)
        if name := disturbance.get("lose"):
            stack.enter_context(_half_lost(name))
        given = None
        if record := disturbance.get("record"):
            given = {"events": stack.enter_context(recorded(Path(record)))}
        counted = strike_at(0, "kill") if disturbance.get("count") else None
        if counted is not None:
            given = {}
        yield given
        if counted is not None:
            given["calls"] = next(counted) - 1


def _half_lost(name: str) -> AbstractContextManager[None]:
    """Let a file of a result be cut as soon as it is written."""
    from lotflow.outputs.result_set import write_result_set  # noqa: PLC0415

    def cut(file: Any) -> Any:
        def write(path: Path) -> None:
            file.write(path)
            os.truncate(path, path.stat().st_size // 2)

        return dataclasses.replace(file, write=write) if file.name == name else file

    def spoilt(folder: Path, files: Sequence[Any], *more: Any, **options: Any) -> Path:
        return write_result_set(folder, [cut(file) for file in files], *more, **options)

    return _in_place({("lotflow.outputs.result_set", "write_result_set"): spoilt})


def strike_at(number: int, how: str | int) -> Iterator[int]:
    """Let the call of this number kill the process or fail; later ones succeed."""
    calls = itertools.count(1)

    def counted(call: Callable[..., Any]) -> Callable[..., Any]:
        def guarded(*arguments: Any, **options: Any) -> Any:
            if next(calls) == number:
                if how == "kill":
                    os.kill(os.getpid(), signal.SIGKILL)
                raise OSError(how, os.strerror(int(how)))
            return call(*arguments, **options)

        return guarded

    for name in CALLS:
        setattr(os, name, counted(getattr(os, name)))
    Path.write_bytes = counted(Path.write_bytes)  # type: ignore[method-assign]
    return calls
