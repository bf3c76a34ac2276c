"""Levels measured on site, as the ground's statistics read them."""

from __future__ import annotations

from dataclasses import dataclass

from lotflow.grid import BoolArray, FloatArray


@dataclass(frozen=True, eq=False)
class Shots:
    """
    Levels measured on site.

    Parameters
    ----------
    names
        Of the shots.
    x, y
        Where they were taken [unit of the CRS].
    level_m
        In the raster's vertical reference, or in that of the own benchmark [m].
    deviation_m
        Standard deviation of the level itself: instrument and kind of ground [m].
    placed_within_m
        How well the place is known [m].
    own_datum
        True: from an own benchmark, whose offset is unknown and one for all.
    line, line_part, line_rank, line_depth_m
        Strip that the shot is part of; '' and NaN where it is of none.
    usage
        "yes", "check" (only compared) or "no".
    surface_kind
        What the rod stood on.
    """

    names: tuple[str, ...]
    x: FloatArray
    y: FloatArray
    level_m: FloatArray
    deviation_m: FloatArray
    placed_within_m: FloatArray
    own_datum: BoolArray
    line: tuple[str, ...]
    line_part: tuple[str, ...]
    line_rank: FloatArray
    line_depth_m: FloatArray
    usage: tuple[str, ...]
    surface_kind: tuple[str, ...]
