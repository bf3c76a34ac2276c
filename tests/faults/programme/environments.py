"""Surroundings in which a program must work, or say clearly why it cannot."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

#: Enough for one run with everything imported and compiled anew.
SECONDS: Final = 120.0

#: The command, whether or not it is installed.
PROGRAM: Final = "from lotflow.cli import main; main()"


class UnavailableError(Exception):
    """These surroundings cannot be had on this machine."""


@dataclass
class Surroundings:
    """
    How a command is started.

    Parameters
    ----------
    folder
        A new folder for this case.
    job
        The job that is run; may be moved elsewhere.
    environment
        Variables.
    output
        Where the result goes.
    prefix
        Commands before it, such as one that changes the user.
    options
        Of the process.
    """

    folder: Path
    job: Path
    environment: dict[str, str] = field(default_factory=lambda: dict(os.environ))
    output: Path | None = None
    prefix: list[str] = field(default_factory=list)
    options: dict[str, Any] = field(default_factory=dict)


def run(around: Surroundings, *more: str) -> tuple[subprocess.CompletedProcess[str], Path]:
    """Run the job in these surroundings; give how it ended and where the result is."""
    output = around.output or around.folder / "result"
    options = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "cwd": around.folder,
               "env": around.environment, **around.options}  # fmt: skip
    done = subprocess.run(
        [*around.prefix, sys.executable, "-c", PROGRAM, "run", str(around.job), "-o",
         str(output), *more],
        text=True, timeout=SECONDS, check=False, **options,
    )  # fmt: skip
    return done, output


def _variables(**given: str | None) -> Callable[[Surroundings], None]:
    """Set variables, or take them away."""

    def change(around: Surroundings) -> None:
        for name, value in given.items():
            if value is None:
                around.environment.pop(name, None)
            else:
                around.environment[name] = value.replace("FOLDER", str(around.folder))

    return change


def _cache(spoil: Callable[[Path], None]) -> Callable[[Surroundings], None]:
    """Give the program a cache of machine code that something has happened to."""

    def change(around: Surroundings) -> None:
        base = around.environment.get("XDG_CACHE_HOME") or "~/.cache"
        there = Path(base).expanduser() / "lotflow"
        shutil.copytree(there, around.folder / "cache" / "lotflow")
        around.environment["XDG_CACHE_HOME"] = str(around.folder / "cache")
        files = [path for path in (around.folder / "cache").rglob("*") if path.is_file()]
        assert files
        for path in files:
            spoil(path)

    return change


def _cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def _nonsense(path: Path) -> None:
    path.write_bytes(b"no cache" * 100)


def _empty(path: Path) -> None:
    path.write_bytes(b"")


def _cache_is_a_file(around: Surroundings) -> None:
    (around.folder / "cache").write_text("x")
    around.environment["XDG_CACHE_HOME"] = str(around.folder / "cache")


def _job_at(name: str) -> Callable[[Surroundings], None]:
    """Move the job, and put the result beside it."""

    def change(around: Surroundings) -> None:
        place = around.folder / name
        place.parent.mkdir(parents=True, exist_ok=True)
        shutil.copytree(around.job, place)
        around.job, around.output = place, place.parent / f"{place.name} out"[-200:]

    return change


def _deleted_folder(around: Surroundings) -> None:
    """Start in a folder that is gone."""
    gone = around.folder / "gone"
    gone.mkdir()
    around.prefix = ["sh", "-c", f'cd "{gone}" && rmdir "{gone}" && exec "$@"', "sh"]


def _read_only_home(around: Surroundings) -> None:
    """A home that cannot be written to, as another user."""
    home = around.folder / "home"
    home.mkdir(mode=0o555)
    around.environment["HOME"] = str(home)
    around.environment.pop("XDG_CACHE_HOME", None)


def _closed_input(around: Surroundings) -> None:
    around.options["stdin"] = subprocess.DEVNULL


def _umask(around: Surroundings) -> None:
    around.options["umask"] = 0o077


def _little_memory_map(around: Surroundings) -> None:
    """Few files may be open at once."""
    around.prefix = ["sh", "-c", 'ulimit -n 64; exec "$@"', "sh"]


def one_processor(around: Surroundings) -> None:
    """
    Have one processor, and so one worker, where the system can give a process fewer.

    Raises
    ------
    UnavailableError
        If it cannot.
    """
    taskset = shutil.which("taskset")
    if taskset is None:
        raise UnavailableError("there is no taskset")
    allowed = min(os.sched_getaffinity(0))
    around.prefix = [taskset, "-c", f"{allowed}"]


def workers(processors: list[int]) -> list[int]:
    """Count the workers that the program would start on so many of the processors it may use."""
    from lotflow.terrain.confidence import _processors  # noqa: PLC0415 - loads the compiler

    allowed, counts = sorted(os.sched_getaffinity(0)), []
    for number in processors:
        os.sched_setaffinity(0, allowed[:number])
        counts.append(_processors())
    return counts


def _other_gdal_data(around: Surroundings) -> None:
    """Data of another GDAL and PROJ, which are not there."""
    _variables(GDAL_DATA="FOLDER/none", PROJ_DATA="FOLDER/none", PROJ_LIB="FOLDER/none")(around)


#: Surroundings in which the numbers are the same and findings tell what is wrong.
SAID: Final[dict[str, Callable[[Surroundings], None]]] = {
    "data of another GDAL and PROJ": _other_gdal_data,
}  # fmt: skip

#: Surroundings in which every byte is the same.
WORKS: Final[dict[str, Callable[[Surroundings], None]]] = {
    "LANG=C": _variables(LANG="C", LC_ALL="C"),
    "no locale at all": _variables(LANG=None, LC_ALL=None, PYTHONUTF8="0"),
    "decimal comma": _variables(LANG="de_DE.UTF-8", LC_ALL="de_DE.UTF-8"),
    "no HOME": _variables(HOME=None, XDG_CACHE_HOME=None),
    "HOME that does not exist": _variables(HOME="FOLDER/none", XDG_CACHE_HOME=None),
    "HOME that cannot be written to": _read_only_home,
    "cache that is a file": _cache_is_a_file,
    "cache of cut files": _cache(_cut),
    "cache of nonsense": _cache(_nonsense),
    "cache of empty files": _cache(_empty),
    "NUMBA_CACHE_DIR that cannot be": _variables(NUMBA_CACHE_DIR="/proc/none"),
    "one thread of numba": _variables(NUMBA_NUM_THREADS="1"),
    "folder that is gone": _deleted_folder,
    "path with a space": _job_at("my job"),
    "path with an umlaut": _job_at("Größe"),
    "path with a quote": _job_at('it\'s "here" #1 50%'),
    "path of 240 characters": _job_at("/".join(["a" * 79] * 3)),
    "path that starts with a dash": _job_at("-rf"),
    "no input": _closed_input,
    "files for nobody else": _umask,
    "64 open files": _little_memory_map,
    "GDAL_PAM_ENABLED and others": _variables(
        GDAL_PAM_ENABLED="YES",
        GDAL_DISABLE_READDIR_ON_OPEN="FALSE",
        CPL_DEBUG="OFF",
        OGR_SQLITE_JOURNAL="WAL",
        GDAL_NUM_THREADS="4",
        GTIFF_SRS_SOURCE="EPSG",
    ),
    "matplotlib of the user": _variables(MPLBACKEND="TkAgg", MPLCONFIGDIR="/proc/none"),
    "TMPDIR that does not exist": _variables(TMPDIR="FOLDER/none"),
    "time zone": _variables(TZ="Pacific/Kiritimati"),
    "optimised Python": _variables(PYTHONOPTIMIZE="2"),
    "another hash seed": _variables(PYTHONHASHSEED="12345"),
    "one processor": one_processor,
}

#: Of these, some that the quick tier has all at once: none of them is an input, so that together
#: they must change nothing either.
AT_ONCE: Final = (
    "no HOME", "path with an umlaut", "decimal comma", "time zone", "another hash seed",
    "TMPDIR that does not exist", "files for nobody else", "one processor",
)  # fmt: skip

#: Of these, those of class O: what the result must not follow; the others are of class M.
NOT_FOLLOWED: Final = (
    "LANG=C", "no locale at all", "decimal comma", "time zone", "another hash seed",
    "one thread of numba", "one processor",
)  # fmt: skip
