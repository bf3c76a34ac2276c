"""What a child does: a command of the program, with a look at what it has read."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import signal
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
from programme.limits import CPU_SECONDS
from programme.mutate import mutated
from programme.spies import replace, spy

SAMPLE = Path(__file__).parents[3] / "data_samples" / "alder_court"


def warm_up() -> None:
    """Import and compile everything once, so that children need not."""
    with contextlib.redirect_stdout(io.StringIO()):
        assert command(["check", str(SAMPLE), "--json"]) == 0


#: Layers that were read once for all children: where only rasters are damaged.
_KNOWN_SITES: dict[str, Any] = {}


def know_site(job: str) -> None:
    """Read the layers of a job once for all children."""
    from lotflow.inputs.job import read_job  # noqa: PLC0415
    from lotflow.study.lot_water import read_inputs  # noqa: PLC0415

    *_, _KNOWN_SITES["site"] = read_inputs(read_job(Path(job)))


def command(arguments: list[str]) -> int:
    """Run a command of the program and give its exit code."""
    from lotflow.cli import main  # noqa: PLC0415

    try:
        main(arguments)
    except SystemExit as stop:
        sys.stdout.flush()
        return int(stop.code or 0)
    raise AssertionError("a command ends by exiting")


def check(job: str, site_is_known: bool = False) -> dict[str, Any]:
    """
    Run `lotflow check` on a job and fingerprint what it read.

    Parameters
    ----------
    job
        Folder of the job.
    site_is_known
        Whether its layers are those of `know_site`, which saves half the time.

    Returns
    -------
    seen
        `code`, and digests of the elevations, their place and every site layer.
    """
    seen: dict[str, Any] = {}
    _watch(seen, site_is_known=site_is_known)
    seen["code"] = command(["check", job, "--json"])
    return seen


def check_damaged(
    job: str, name: str, seeds: list[str], span: Any, site_is_known: bool
) -> list[dict[str, Any]]:
    """
    Damage one file of a job again and again, and check the job each time.

    Parameters
    ----------
    job
        Folder of the job; the file is put right at the end.
    name
        Of the file.
    seeds
        A damage each.
    span
        The bytes among which it is damaged; None for all.
    site_is_known
        As for `check`.

    Returns
    -------
    cases
        Per seed what was seen, printed and how long it took.
    """
    path = Path(job, name)
    whole = path.read_bytes()
    seen: dict[str, Any] = {}
    _watch(seen, site_is_known=site_is_known)
    cases = []
    for seed in seeds:
        path.write_bytes(mutated(whole, seed, span=span)[1])
        cases.append(_one_of_many(["check", job, "--json"], seen))
    path.write_bytes(whole)
    return cases


def in_turn(orders: list[list[str]], site_is_known: bool) -> list[dict[str, Any]]:
    """
    Run commands of the program one after another in one process.

    Parameters
    ----------
    orders
        Arguments of each.
    site_is_known
        As for `check`.

    Returns
    -------
    cases
        Per command what `check` sees, what was printed and how long it took.
    """
    seen: dict[str, Any] = {}
    _watch(seen, site_is_known=site_is_known)
    return [_one_of_many(arguments, seen) for arguments in orders]


def _one_of_many(arguments: list[str], seen: dict[str, Any]) -> dict[str, Any]:
    """Run a command in a process that runs others too, with a limit of its own."""
    seen.clear()
    out, err = io.StringIO(), io.StringIO()
    begun, worked = time.monotonic(), time.process_time()
    signal.setitimer(signal.ITIMER_PROF, CPU_SECONDS)  # its signal ends the process
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = command(arguments)
    signal.setitimer(signal.ITIMER_PROF, 0)
    return {"value": {**seen, "code": code}, "out": out.getvalue(), "err": err.getvalue(),
            "seconds": time.monotonic() - begun,
            "cpu_seconds": time.process_time() - worked}  # fmt: skip


def _watch(seen: dict[str, Any], *, site_is_known: bool) -> None:
    """Have fingerprints of all that is read put into a dictionary."""
    if site_is_known:
        replace("lotflow.inputs.site", "read_site", lambda *_, **__: _KNOWN_SITES["site"])
    spy("lotflow.inputs.elevation", "read_elevation", lambda given: seen.update(_ground(given)))
    spy("lotflow.inputs.site", "read_site", lambda given: seen.update(_layers(given)))


def flushed(code: int) -> int:
    """Give a code back when everything that was printed is out."""
    sys.stdout.flush()
    sys.stderr.flush()
    return code


def exits(arguments: list[str]) -> None:
    """Run a command and leave with its exit code."""
    os._exit(flushed(command(arguments)))


def _ground(elevation: Any) -> dict[str, Any]:
    """Digest of elevations [m], and where they are."""
    grid = elevation.grid
    values = np.where(np.isnan(grid.values), 1e300, grid.values)
    return {
        "values": hashlib.sha256(values.tobytes()).hexdigest(),
        "place": [list(grid.transform)[:6], grid.crs.name, grid.metres_per_unit],
    }


def _layers(site: Any) -> dict[str, Any]:
    """Digest of every site layer."""
    found = {}
    for name, frame in vars(site).items():
        if hasattr(frame, "geometry"):
            columns = frame.drop(columns="geometry").to_dict("list")
            rows = [str(frame.crs), frame.geometry.to_wkb(hex=True).tolist(), columns]
            found[name] = hashlib.sha256(json.dumps(rows, default=str).encode()).hexdigest()
    return {"layers": found}
