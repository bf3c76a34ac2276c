"""Inputs that would take more time or memory than there is are refused first."""

from __future__ import annotations

from pathlib import Path

import pytest
from programme.judge import Tally, refused_well, stopped
from programme.server import Server
from programme.size_attacks import ATTACKS
from programme.small_job import small_job
from programme.tiers import report, tiers

#: Most memory above an idle process, and processor time, until the refusal.
MEMORY_BYTES, CPU_SECONDS = 300_000_000, 1.0


@pytest.mark.parametrize("attack", ATTACKS)
@tiers(1, 1, 1)
def test_size_attacks(server: Server, tmp_path: Path, attack: str, cases: int) -> None:
    """Class D: refused in a second of processor time with less than 300 MB."""
    job = small_job(tmp_path / "job")
    ATTACKS[attack](job)
    command = "run" if attack.startswith("rainfall") else "check"
    ended = server.run("programme.cases:exits", [command, str(job)], memory_bytes=None)
    tally = Tally(f"D {attack}")
    outcome = stopped(ended) or ("refused" if ended.code == 1 and refused_well(ended) else "odd")
    tally.add(outcome, attack)
    report(tally, cpu_seconds=round(ended.cpu_seconds, 2), megabytes=round(ended.peak_bytes / 1e6),
           said=ended.err[:300])  # fmt: skip
    assert outcome == "refused", ended
    assert ended.peak_bytes < MEMORY_BYTES
    assert ended.cpu_seconds < CPU_SECONDS, ended.err
