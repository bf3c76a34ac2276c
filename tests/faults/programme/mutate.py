"""Seven kinds of damage to a file, the same for the same seed."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Final

#: Bytes that hold a GeoTIFF's tags, and of a disk's block.
HEADER_BYTES: Final = 512
_BLOCK: Final = 4096


def _flip(data: bytearray, rng: random.Random, start: int, stop: int) -> None:
    """Turn one bit round."""
    data[rng.randrange(start, stop)] ^= 1 << rng.randrange(8)


def _flips(data: bytearray, rng: random.Random, start: int, stop: int) -> None:
    """Turn 2 to 20 bits round."""
    for _ in range(rng.randrange(2, 21)):
        _flip(data, rng, start, stop)


def _run(data: bytearray, rng: random.Random, start: int, stop: int) -> None:
    """Replace a run of up to 64 bytes."""
    at = rng.randrange(start, stop)
    end = min(at + rng.randrange(1, 65), stop)
    data[at:end] = rng.randbytes(end - at)


def _zeros(data: bytearray, rng: random.Random, start: int, stop: int) -> None:
    """Zero a block of the disk, or what there is of it."""
    at = rng.randrange(start, stop) // _BLOCK * _BLOCK
    end = min(at + _BLOCK, len(data))
    data[at:end] = bytes(end - at)


def _cut(data: bytearray, rng: random.Random, start: int, stop: int) -> None:
    """Cut the end off."""
    del data[rng.randrange(start, stop) :]


def _moved(data: bytearray, rng: random.Random, start: int, stop: int) -> None:
    """Put a copy of up to 512 bytes elsewhere, as a wrong sector does."""
    length = min(rng.randrange(1, HEADER_BYTES + 1), (stop - start + 1) // 2)
    source, target = (rng.randrange(start, stop - length + 1) for _ in range(2))
    data[target : target + length] = data[source : source + length]


def _lost(data: bytearray, rng: random.Random, start: int, stop: int) -> None:
    """Lose up to 8 bytes, so that what follows moves."""
    at = rng.randrange(start, stop)
    del data[at : at + rng.randrange(1, 9)]


KINDS: Final[dict[str, Callable[[bytearray, random.Random, int, int], None]]] = {
    "flip": _flip, "flips": _flips, "run": _run, "zeros": _zeros, "cut": _cut, "moved": _moved,
    "lost": _lost,
}  # fmt: skip


#: Kinds that keep what stands behind the damage in its place.
IN_PLACE: Final = ("flip", "flips", "run", "moved")


def mutated(data: bytes, seed: str, *, span: tuple[int, int] | None = None) -> tuple[str, bytes]:
    """
    Damage a file.

    Parameters
    ----------
    data
        The whole file.
    seed
        Chooses kind and place.
    span
        The bytes among which it is damaged, in place; None for all.

    Returns
    -------
    kind, damaged
        The damaged file differs from the whole one.
    """
    rng = random.Random(seed)
    kinds = list(KINDS) if span is None else list(IN_PLACE)
    start, stop = span or (0, len(data))
    kind = rng.choice(kinds)
    while True:
        damaged = bytearray(data)
        KINDS[kind](damaged, rng, start, stop)
        if damaged != data:
            return kind, bytes(damaged)
