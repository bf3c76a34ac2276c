"""Inputs that would take more time or memory than there is are refused first."""

from __future__ import annotations

from pathlib import Path

import pytest
from programme.in_turn import in_turn
from programme.judge import Tally, refused_well, stopped
from programme.server import Ended, Server
from programme.size_attacks import ATTACKS
from programme.small_job import small_job
from programme.tiers import report, tiers

#: Most memory above an idle process, and processor time, until the refusal.
MEMORY_BYTES, CPU_SECONDS = 300_000_000, 1.0


def order(attack: str, job: Path) -> list[str]:
    """Only a run reads the rainfall first of all."""
    return ["run" if attack.startswith("rainfall") else "check", str(job)]


def outcome_of(ended: Ended) -> str:
    """Name what came of an attack."""
    return stopped(ended) or ("refused" if ended.code == 1 and refused_well(ended) else "odd")


def test_size_attacks_in_turn(server: Server, tmp_path: Path) -> None:
    """All of class D in one process, whose memory stays below the limit of each."""
    orders = []
    for number, (attack, build) in enumerate(ATTACKS.items()):
        job = small_job(tmp_path / f"{number}")
        build(job)
        orders.append(order(attack, job))
    for attack, ended in zip(ATTACKS, in_turn(server, orders, memory_bytes=None), strict=True):
        assert outcome_of(ended) == "refused", (attack, ended)
        assert ended.peak_bytes < MEMORY_BYTES, attack
        assert ended.cpu_seconds < CPU_SECONDS, (attack, ended.err)


@pytest.mark.parametrize("attack", ATTACKS)
@tiers(None, 1, 1)
def test_size_attacks(server: Server, tmp_path: Path, attack: str, cases: int) -> None:
    """Class D: refused in a second of processor time with less than 300 MB."""
    job = small_job(tmp_path / "job")
    ATTACKS[attack](job)
    ended = server.run("programme.cases:exits", order(attack, job), memory_bytes=None)
    tally = Tally(f"D {attack}")
    outcome = tally.add(outcome_of(ended), attack)
    report(tally, cpu_seconds=round(ended.cpu_seconds, 2), megabytes=round(ended.peak_bytes / 1e6),
           said=ended.err[:300])  # fmt: skip
    assert outcome == "refused", ended
    assert ended.peak_bytes < MEMORY_BYTES
    assert ended.cpu_seconds < CPU_SECONDS, ended.err
