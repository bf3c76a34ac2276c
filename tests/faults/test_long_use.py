"""Many runs in one process take no more memory or files than a few, and print nothing."""

from __future__ import annotations

from pathlib import Path

from programme.judge import Tally
from programme.server import Server
from programme.small_job import small_job
from programme.tiers import report, tiers

#: Growth from the tenth run to the last [bytes].
GROWTH_BYTES = 20_000_000


@tiers(4, 200, 1000)
def test_memory_and_open_files(server: Server, tmp_path: Path, cases: int) -> None:
    """Class P: the memory of a process and its open files stay, stdout stays empty."""
    job = small_job(tmp_path / "job")
    if cases < 10:
        with (job / "job.toml").open("a") as text:
            text.write("[confidence]\nrealisations = 0\n")
    ended = server.run("programme.long_use:runs", str(job), str(tmp_path / "result"), cases,
                       seconds=1200.0, memory_bytes=None)  # fmt: skip
    assert ended.code == 0, ended.err
    early, late = ended.value
    growth = late["bytes"] - early["bytes"]
    good = late["files"] == early["files"] and growth < GROWTH_BYTES and ended.out == ""
    tally = Tally("P many runs")
    tally.counts["equal" if good else "odd"] = cases
    report(tally, growth_mb=round(growth / 1e6, 1))
    assert late["files"] == early["files"]
    assert growth < GROWTH_BYTES
    assert ended.out == ""
