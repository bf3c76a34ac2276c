"""Damaged files by the thousand: many to a child, and one by one where a child did not end well."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from programme.limits import CPU_SECONDS, SECONDS
from programme.server import Ended, Server

#: Cases that share a child.
BATCH = 50


def damaged(
    server: Server, job: Path, name: str, seeds: Sequence[str], *,
    span: tuple[int, int] | None = None,
    site_is_known: bool = False,
) -> Iterator[tuple[str, Ended]]:  # fmt: skip
    """
    Check a job with one file damaged, seed by seed.

    Parameters
    ----------
    server
        Runs the cases.
    job
        Folder of the job; its file is put right again.
    name
        Of the file.
    seeds
        Choose the damage.
    span
        The bytes among which it is damaged; None for all.
    site_is_known
        Whether the layers are known to the server.

    Yields
    ------
    seed, ended
        As if each had had a child of its own.
    """
    for start in range(0, len(seeds), BATCH):
        yield from _batch(server, job, name, seeds[start : start + BATCH], span=span,
                          site_is_known=site_is_known)  # fmt: skip


def _batch(
    server: Server, job: Path, name: str, seeds: Sequence[str], *, span: tuple[int, int] | None,
    site_is_known: bool,
) -> Iterator[tuple[str, Ended]]:  # fmt: skip
    """Check a batch; where its child did not end well, each of it alone."""
    whole = (job / name).read_bytes()
    ended = server.run("programme.cases:check_damaged", str(job), name, list(seeds), span,
                       site_is_known, seconds=SECONDS + CPU_SECONDS * len(seeds))  # fmt: skip
    (job / name).write_bytes(whole)
    if ended.value is not None:
        for seed, case in zip(seeds, ended.value, strict=True):
            yield seed, Ended(code=0, hang=False, peak_bytes=ended.peak_bytes, **case)
    elif len(seeds) == 1:
        yield seeds[0], ended
    else:
        for seed in seeds:
            yield from _batch(server, job, name, [seed], span=span,
                              site_is_known=site_is_known)  # fmt: skip
