"""What a command that computes says: how far it is, and what came of it."""

from __future__ import annotations

import sys
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass
from threading import Timer
from time import monotonic
from typing import TYPE_CHECKING, Final

import click

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from contextlib import AbstractContextManager
    from pathlib import Path

    from lotflow.inputs.job import Job
    from lotflow.outputs.side_process import SideProcess
    from lotflow.study.chapter import Tell
    from lotflow.study.main_job import Study
    from lotflow.study.write import Written

#: Nothing is shown before [s].
_DELAY_S: Final = 1.0
#: Parts of a step follow one another faster than they can be read [s].
_PART_S: Final = 0.2
FAILED_CHECK = 3
#: Those of `run_study`, and the writing.
_STEPS = 4


@dataclass(frozen=True)
class Voice:
    """How much a command says, and how."""

    #: As the options of that name.
    as_json: bool = False
    quiet: bool = False
    verbose: bool = False
    explain: str = ""


def compute(
    read: Callable[[], Job],
    folder: Path,
    *,
    overwrite: bool,
    use_covers: bool,
    pack: bool,
    strict: bool,
    voice: Voice,
) -> int:
    """
    Run a study, write its result and print the table.

    `read` gives the job; it is called when the process that draws has been started.
    """
    with drawing_process(pack=pack) as second:
        job = read()
        # the libraries take most of the time of a small lot: loaded only when really needed
        from lotflow.study.door import computed  # noqa: PLC0415
        from lotflow.study.write import check_folder  # noqa: PLC0415

        check_folder(job, folder, overwrite=overwrite, use_covers=use_covers)
        if voice.verbose:
            click.echo(f"lotflow: computing {job.job.name or 'the lot'}", err=True)
        with progress(_STEPS, quiet=voice.quiet) as tell:
            result = computed(job, use_covers=use_covers, tell=tell)
            sheet = _sheet(result.study, voice.explain)
            tell("writing")
            written = result.write(folder, overwrite=overwrite, pack=pack, second=second)
    from lotflow.outputs.result_set import IN_PLACE  # noqa: PLC0415 - loaded by now

    with after_writing(IN_PLACE):
        _say(voice, written, sheet, folder)
    failed = any(finding.severity == "fail" for finding in result.finding_list)
    return FAILED_CHECK if strict and failed else 0


@contextmanager
def after_writing(left: str) -> Iterator[None]:
    """Have whatever stops the block say what was written before."""
    try:
        yield
    except BaseException as stop:
        stop.add_note(left)
        raise


def _say(voice: Voice, written: Written, sheet: str, folder: Path) -> None:
    """Print the table, or what was asked for in its place; first what stood in the way."""
    from lotflow.outputs.summary import json_text  # noqa: PLC0415 - loaded by now

    say_kept(folder, written.kept)
    if voice.as_json:
        click.echo(json_text(written.content), nl=False)
    elif sheet:
        click.echo(sheet)
    elif not voice.quiet:
        click.echo(written.text)
        click.echo(f"Written to {folder}")
    if voice.verbose:
        click.echo(f"lotflow: wrote {len(written.content['files'])} files", err=True)


def say_kept(folder: Path, kept: Mapping[str, str]) -> None:
    """Tell what was moved aside in a folder, and its new name."""
    for name, new in kept.items():
        click.echo(
            f"lotflow: {folder / name} was not as a run has left it; it is kept as {folder / new}.",
            err=True,
        )


def _sheet(study: Study, name: str) -> str:
    """Worked sheet that is printed in the place of the table; empty where none is asked for."""
    if not name:
        return ""
    from lotflow.outputs.worked_sheets import sheet_of  # noqa: PLC0415 - of jobs only

    return sheet_of(study.texts, name)


def drawing_process(*, pack: bool) -> AbstractContextManager[SideProcess | None]:
    """Start the process that will draw the map, so that its libraries load meanwhile."""
    from lotflow.outputs.side_process import SideProcess, worth_it  # noqa: PLC0415

    ready = ["lotflow.outputs.drawings:ready_for_map"]
    if pack:
        ready.append("lotflow.outputs.drawings:ready_for_sheet")
    with suppress(OSError):  # it may not be started here: drawn in this process, then
        return SideProcess(ready) if worth_it() else nullcontext()
    return nullcontext()


@contextmanager
def progress(steps: int, *, quiet: bool) -> Iterator[Tell]:
    """
    Show the step that is being taken, where somebody looks: on a terminal, unless quiet.

    What it yields is called with the name of each step as it begins, and with what is looked at of
    it.
    """
    if quiet or not sys.stderr.isatty():
        from lotflow.study.chapter import say_nothing  # noqa: PLC0415 - loaded by now

        yield say_nothing
        return
    from tqdm import tqdm  # noqa: PLC0415 - only where somebody looks

    bar = tqdm(
        total=steps, delay=_DELAY_S, leave=False, bar_format="{desc} {bar} {n_fmt}/{total_fmt}"
    )
    # the step that is being taken when the delay is over is shown then, not at its end
    first_look = Timer(_DELAY_S, bar.refresh)
    first_look.daemon = True

    shown_at = monotonic()

    def tell(step: str, part: str = "", /) -> None:
        nonlocal shown_at
        if part and monotonic() - shown_at < _PART_S:
            return
        shown_at = monotonic()
        text = f"{step}: {part}" if part else step
        bar.set_description_str(text, refresh=first_look.finished.is_set())
        if not part:
            bar.update()

    with bar:
        first_look.start()
        try:
            yield tell
        finally:
            first_look.cancel()
