"""Entry point: the group of commands, exit codes, and what is said when something fails."""

from __future__ import annotations

import codecs
import gc
import importlib.util
import io
import os
import sys
import traceback
import unicodedata
import warnings
from typing import Final

import click

from lotflow import __version__
from lotflow.cli.batch import batch
from lotflow.cli.commands import check, demo, layers, levels, propose, run, screen, start
from lotflow.cli.compare import compare
from lotflow.cli.fetch import fetch
from lotflow.cli.grid import grid
from lotflow.cli.interrupts import heed_signals, interrupts_kept, is_interrupt, signal_of
from lotflow.errors import LotflowError
from lotflow.inputs.surroundings import keep_to_local_files
from lotflow.outputs.failures import deepest_reason

_EPILOG = """\b
Exit codes: 0 done; 1 could not; 2 wrong usage; 3 done and a check failed (only with --strict).

Screening from public elevation data is no survey and no engineering design. Call before you
dig; keep to local code; do not lead water onto a neighbour.
"""


#: Said where a run could not lock its folder and put files in place as a whole.
_NOT_HERE: Final = (
    "this system is not supported: lotflow needs a POSIX system, such as Linux or macOS. On "
    "Windows, run it in the Windows Subsystem for Linux."
)


def _have_streams() -> None:
    """Give a process that was started without its three streams the null device for them."""
    # else a file that is opened later takes the number of one, and what is printed goes into it
    while (descriptor := os.open(os.devnull, os.O_RDWR)) < 3:
        os.set_inheritable(descriptor, True)
    os.close(descriptor)
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w"))  # noqa: PTH123, SIM115 - to the end


def _have_letters() -> None:
    """Print what a terminal has no letter for by what comes closest; never fail for it."""
    codecs.register_error("closest", _closest)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="closest")


def _closest(error: UnicodeError) -> tuple[str, int]:
    """Give the plain letters that a text stands for, as 2 for a raised 2; else its number."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    letters = []
    for letter in error.object[error.start : error.end]:
        plain = unicodedata.normalize("NFKD", letter).encode("ascii", "ignore").decode()
        letters.append(plain or letter.encode("ascii", "backslashreplace").decode())
    return "".join(letters), error.end


def _verbose(context: click.Context, _parameter: click.Parameter, value: bool) -> None:
    """Keep whether much is to be said."""
    context.meta["lotflow.verbose"] = value


def _version(context: click.Context, _parameter: click.Parameter, value: bool) -> None:
    """Print the version, with `-v` those of the libraries that matter."""
    if not value or context.resilient_parsing:
        return
    click.echo(f"lotflow {__version__}")
    if context.meta["lotflow.verbose"]:
        from lotflow.outputs.provenance import library_versions  # noqa: PLC0415 - slow to import

        for name, version in library_versions().items():
            click.echo(f"{name} {version}")
    context.exit()


@click.group(epilog=_EPILOG, context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--version", is_flag=True, expose_value=False, callback=_version,
    help="Print the version; with -v those of the libraries too.",
)  # fmt: skip
@click.option(
    "-v", "--verbose", is_flag=True, is_eager=True, hidden=True, expose_value=False,
    callback=_verbose,
)  # fmt: skip
def commands() -> None:
    """Find where water stands on a lot, where it comes from, and what drains must take."""


for command in (
    screen,
    demo,
    start,
    check,
    run,
    compare,
    propose,
    batch,
    levels,
    layers,
    fetch,
    grid,
):
    commands.add_command(command)


def main(arguments: list[str] | None = None) -> None:
    """Run a command and exit."""
    if importlib.util.find_spec("fcntl") is None:
        sys.exit(f"lotflow: {_NOT_HERE}")
    if arguments is None:  # as a program; a caller's own process is the caller's
        # a run makes many small things and few circles of them: looking for those as often as usual
        # is a twelfth of the computing of a small lot, which now ends before the first look
        gc.set_threshold(500_000, 20, 20)
        _have_streams()
        _have_letters()
        keep_to_local_files()
        heed_signals()
        if any(action == "error" for action, *_ in warnings.filters):
            warnings.simplefilter("default")  # to be read; what a library warns of is no failure
    code = _exit_code(arguments)
    if arguments is None:
        gc.freeze()  # the end looks for circles once more: a fifth of the computing of a small lot
    sys.exit(code)


def _stopped(stop: BaseException) -> int:
    """Say that a run was stopped; give the exit code, by which shells know the signal."""
    click.echo(f"lotflow: stopped; {_state(stop)}.", err=True)
    return 128 + signal_of(stop)


def _state(stop: BaseException) -> str:
    """Say what a run that was stopped has left, by the note of what it was stopped in."""
    notes = [note for error in (stop, stop.__context__) for note in getattr(error, "__notes__", ())]
    return notes[0] if notes else "nothing was written"


def _unprinted(error: Exception) -> int:
    """Say that what was to be printed could not be, in whole or in part."""
    # what waits there would fail again at the end
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    click.echo(
        f"lotflow: not all could be printed: {deepest_reason(error)}; {_state(error)}.", err=True
    )
    return 1


def _is_about_printing(error: Exception) -> bool:
    """Tell whether an error came of printing, and of nothing else that was written."""
    calls = (frame.f_code for frame, _ in traceback.walk_tb(error.__traceback__))
    return isinstance(error, OSError) and click.echo.__code__ in calls


def _exit_code(arguments: list[str] | None) -> int:  # noqa: PLR0911 - one line per outcome
    """Run a command; every failure becomes one message on stderr."""
    try:
        with interrupts_kept():
            result = commands(args=arguments, prog_name="lotflow", standalone_mode=False)
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except click.ClickException as wrong:
        wrong.show()
        return wrong.exit_code
    except (click.Abort, KeyboardInterrupt) as stop:
        return _stopped(stop)
    except LotflowError as error:
        click.echo(f"lotflow: {error}", err=True)
        return 1
    except BrokenPipeError:  # the reader of our output has gone
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except Exception as error:  # noqa: BLE001 - the last net: a bug must not look like a result
        if is_interrupt(error):
            return _stopped(error)
        if _is_about_printing(error):
            return _unprinted(error)
        shown = traceback.format_exc() if "-v" in sys.argv or "--verbose" in sys.argv else ""
        click.echo(
            f"{shown}lotflow: this is a fault of the program, {_state(error)}: "
            f"{type(error).__name__}: {error}. Please report it with the command and, if you "
            "can, the files; -v shows where it happened.",
            err=True,
        )
        return 1
    return result if isinstance(result, int) else 0
