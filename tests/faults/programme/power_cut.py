"""
What is on a disk after the power failed, replayed from the order in which it was flushed.

The model: the content of a file survives only as it was when it was last flushed; a name that
was given, moved or taken since the last flush of a folder may or may not have survived.
"""

from __future__ import annotations

import itertools
import os
import random
import shutil
import stat
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

#: What happened, and the paths it happened to; the first item is "file", "folder", "replace",
#: "mkdir", "unlink" or "rmdir".
Event = list[str]


@contextmanager
def recorded(store: Path) -> Iterator[list[Event]]:
    """Note every flush and every change of a name; flushed content is kept in a folder."""
    events: list[Event] = []
    real = {name: getattr(os, name) for name in ("fsync", "replace", "mkdir", "unlink", "rmdir")}
    numbers = itertools.count()

    def fsync(descriptor: int) -> None:
        real["fsync"](descriptor)
        path = str(Path(f"/proc/self/fd/{descriptor}").readlink())
        if stat.S_ISDIR(os.fstat(descriptor).st_mode):
            events.append(["folder", path])
        else:
            kept = store / f"{next(numbers)}"
            shutil.copyfile(path, kept)
            events.append(["file", path, str(kept)])

    def changed(name: str) -> Any:
        def change(*paths: Any, **options: Any) -> None:
            real[name](*paths, **options)
            where = options.get("dir_fd")
            folder = "" if where is None else str(Path(f"/proc/self/fd/{where}").readlink())
            texts = [str(path) for path in paths if not isinstance(path, int)]
            events.append([name, *(os.path.join(folder, text) for text in texts)])  # noqa: PTH118

        return change

    os.fsync = fsync
    for name in ("replace", "mkdir", "unlink", "rmdir"):
        setattr(os, name, changed(name))
    yield events
    for name, call in real.items():
        setattr(os, name, call)


@cache
def _flushed(kept: str) -> bytes:
    """Read what was flushed; the same object each time, so that disks are quickly compared."""
    return Path(kept).read_bytes()


class Disk:
    """
    Files of a folder by path, each with the content that survives.

    Parameters
    ----------
    files
        What there was at first.
    """

    def __init__(self, files: dict[str, bytes]) -> None:
        self.content: dict[str, bytes] = dict(files)

    def change(self, event: Event) -> None:
        """Let a change of a name, or a flush of a file, happen."""
        kind, path = event[0], event[1]
        if kind == "file":
            self.content[path] = _flushed(event[2])
        elif kind == "replace" and path in self.content:
            self.content[event[2]] = self.content.pop(path)
        elif kind == "unlink":
            self.content.pop(path, None)

    def state(self) -> frozenset[tuple[str, bytes]]:
        """Give what tells disks apart."""
        return frozenset(self.content.items())

    def put(self, folder: Path, inside: str) -> None:
        """Make the files of a folder real, without what is staged."""
        folder.mkdir()
        for path, data in self.content.items():
            if path.startswith(f"{inside}/"):
                target = folder / path[len(inside) + 1 :]
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes(data)


def cuts(
    events: Sequence[Event], before: dict[str, bytes], seed: str, subsets: int
) -> Iterator[Disk]:
    """
    Give the disk after a cut at each event: all names kept, those since a flush lost, or some.

    Parameters
    ----------
    events
        As recorded.
    before
        Files that were there, by path.
    seed, subsets
        Which and how many choices of names that are kept are tried per cut.
    """
    rng = random.Random(seed)
    for cut in range(len(events) + 1):
        flushed = max((i + 1 for i, event in enumerate(events[:cut]) if event[0] == "folder"),
                      default=0)  # fmt: skip
        late = list(range(flushed, cut))
        kept: list[set[int]] = [set(late), set()]
        kept += [set(rng.sample(late, rng.randrange(len(late) + 1))) for _ in range(subsets)]
        for names in kept:
            disk = Disk(before)
            for i, event in enumerate(events[:cut]):
                # the content of a flushed file survives under whatever name the file has
                if i < flushed or i in names or event[0] == "file":
                    disk.change(event)
            yield disk
