"""The library called again and again in one process."""

from __future__ import annotations

import gc
import os
from pathlib import Path


def runs(job: str, folder: str, count: int) -> list[dict[str, int]]:
    """Run a job so many times; give memory and open files after the tenth and the last."""
    from lotflow.inputs.job import read_job  # noqa: PLC0415
    from lotflow.study import run_study, write_study  # noqa: PLC0415

    seen = []
    for number in range(count):
        study = run_study(read_job(Path(job)))
        # the map is drawn in every tenth: it takes most of the time
        if number % 10 == 9:
            write_study(study, Path(folder), overwrite=True)
        if number in (min(9, count - 2), count - 1):
            gc.collect()
            resident = int(Path("/proc/self/statm").read_text().split()[1])
            seen.append({"bytes": resident * os.sysconf("SC_PAGE_SIZE"),
                         "files": len(list(Path("/proc/self/fd").iterdir()))})  # fmt: skip
    return seen
