"""How many cases a tier has, where its seeds come from, and where its tallies go."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any, Final

import pytest
from programme.judge import OUTCOMES, Tally

#: A part of every seed; another one gives other cases.
SEED: Final = os.environ.get("LOTFLOW_FAULT_SEED", "1")

CORPUS: Final = Path(__file__).parents[2] / "corpus"


def tiers(quick: int | None, nightly: int, release: int) -> Any:
    """
    Run a test with so many `cases` per tier.

    Parameters
    ----------
    quick
        On every push; None for not at all.
    nightly, release
        With `-m nightly` and `-m release`. `LOTFLOW_FAULT_SHARE` takes a share of them.
    """
    share = float(os.environ.get("LOTFLOW_FAULT_SHARE", "1"))
    counts = [] if quick is None else [pytest.param(quick, id="q")]
    for name, count in (("nightly", nightly), ("release", release)):
        cases = max(int(count * share), 1)
        counts.append(pytest.param(cases, marks=getattr(pytest.mark, name), id=name[0]))
    return pytest.mark.parametrize("cases", counts)


def report(tally: Tally, **measured: Any) -> None:
    """
    Add a tally to the file that `LOTFLOW_FAULT_REPORT` names, for the published table.

    Parameters
    ----------
    tally
        Of a finished test.
    measured
        What else was measured.
    """
    path = os.environ.get("LOTFLOW_FAULT_REPORT")
    if path:
        counts = {outcome: tally.counts[outcome] for outcome in OUTCOMES if tally.counts[outcome]}
        seeds = {outcome: found[:10] for outcome, found in tally.seeds.items()}
        entry = {"name": tally.name, "cases": tally.cases, "counts": counts, "seed": SEED,
                 "seeds": seeds, "date": datetime.now(UTC).date().isoformat(),
                 "commit": commit(), **measured}  # fmt: skip
        with Path(path).open("a", encoding="utf-8") as stream:
            stream.write(json.dumps(entry) + "\n")


@cache
def commit() -> str:
    """Short hash of what is tested, with a + where files differ from it; empty where unknown."""
    git = shutil.which("git")
    if git is None:
        return ""
    asked = [git, "--no-optional-locks", "describe", "--always", "--dirty=+", "--exclude=*"]
    done = subprocess.run(asked, cwd=Path(__file__).parent, capture_output=True, text=True,
                          check=False)  # fmt: skip
    return done.stdout.strip()


def keep(name: str, data: bytes) -> Path:
    """Keep a file that did what it must not, so that it is tried for ever."""
    CORPUS.mkdir(exist_ok=True)
    path = CORPUS / name
    path.write_bytes(data)
    return path


def numbered(folder: Path) -> Iterator[Path]:
    """Folders, one after another; the one before is gone when the next is asked for."""
    number = 0
    while True:
        place = folder / f"{number}"
        place.mkdir(parents=True)
        yield place
        shutil.rmtree(place)
        number += 1
