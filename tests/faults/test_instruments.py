"""What a case took is measured so that a loaded machine does not fail it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from programme.judge import judged
from programme.limits import CPU_SECONDS, SECONDS
from programme.server import Server
from programme.small_job import small_job


def test_waiting_is_no_processor_time(server: Server) -> None:
    """A child that waits for others has not taken long."""
    ended = server.run("time:sleep", 0.5)
    assert ended.seconds >= 0.5
    assert ended.cpu_seconds < 0.25


def test_computing_is_processor_time(server: Server) -> None:
    """A child that computes has."""
    ended = server.run("timeit:main", ["-n", "400000", "-r", "1", "sum(range(100))"])
    assert ended.cpu_seconds > 0.1
    assert ended.cpu_seconds <= ended.seconds + 0.1


def test_time_by_the_clock_is_no_hang_but_processor_time_is(server: Server, tmp_path: Path) -> None:
    """Of the same case."""
    whole = server.run("programme.cases:check", str(small_job(tmp_path / "job")))
    assert whole.cpu_seconds < CPU_SECONDS < SECONDS
    assert judged(replace(whole, seconds=SECONDS - 1), whole) == "equal"
    assert judged(replace(whole, cpu_seconds=CPU_SECONDS + 1), whole) == "hang"
