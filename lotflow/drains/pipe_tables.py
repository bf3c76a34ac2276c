"""Published values for a pipe: roughness of its material, inside diameter, least fall."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from typing import Final

from lotflow.drains.domain import not_negative
from lotflow.errors import ParameterError
from lotflow.tables import read_table
from lotflow.tables.drains import ChannelRoughness, MinimumFall, PipeMaterial, PipeSize
from lotflow.units import UnitSystem, from_si

#: Sizes in inches and in millimetres never come closer than 1.2 mm (3 in and 75 mm).
_SIZE_SLACK_M: Final = 0.5e-3
_UNITS: Final[dict[UnitSystem, str]] = {"us": "in", "metric": "mm"}


def pipe_material(material: str) -> PipeMaterial:
    """
    Roughness of a pipe material, with its range and source.

    Parameters
    ----------
    material
        Key of the table, such as "pvc".

    Raises
    ------
    ParameterError
        If the table has no such material.

    Examples
    --------
    >>> pipe_material("hdpe corrugated").n_design
    0.022
    """
    rows = {row.material: row for row in read_table("pipe_materials", PipeMaterial)}
    return rows[_known(material, rows, "pipe material")]


def channel_roughness(surface: str) -> ChannelRoughness:
    """
    Roughness of a channel drain or street gutter, with its range and source.

    Parameters
    ----------
    surface
        Key of the table, such as "polymer concrete channel".

    Raises
    ------
    ParameterError
        If the table has no such surface.

    Examples
    --------
    >>> channel_roughness("polymer concrete channel").n_design
    0.011
    """
    rows = {row.surface: row for row in read_table("channel_roughness", ChannelRoughness)}
    return rows[_known(surface, rows, "channel surface")]


def pipe_size(material: str, size: float) -> PipeSize:
    """
    Find a nominal size in the table: what water gets of it, and who says so.

    Parameters
    ----------
    material
        Key of the material table.
    size
        Nominal size [m]; inches and millimetres are told apart by it.

    Raises
    ------
    ParameterError
        If the table has no such material, or the material no such size.

    Examples
    --------
    >>> pipe_size("pvc", 4 * 0.0254).inside_diameter_mm, pipe_size("pvc", 0.110).label
    (101.0, '110 mm')
    """
    rows = _sizes_of(material)
    for row in rows:
        if abs(row.size_m - size) <= _SIZE_SLACK_M:
            return row
    known = ", ".join(row.label for row in rows)
    raise ParameterError(
        f"{size * 1000:.1f} mm ({from_si(size, 'in'):.2f} in) is not a nominal size of {material}"
        f" pipe; sizes known: {known}. Give the inside diameter instead."
    )


def sizes_offered(material: str, system: UnitSystem) -> tuple[PipeSize, ...]:
    """
    Sizes a new line may be laid with, smallest first.

    Parameters
    ----------
    material
        Key of the material table.
    system
        "us" for sizes in inches, "metric" for millimetres.

    Raises
    ------
    ParameterError
        If the table has no such material.

    Examples
    --------
    >>> [size.label for size in sizes_offered("hdpe smooth", "us")]
    ['4 in', '6 in', '8 in', '10 in', '12 in']
    """
    rows = (row for row in _sizes_of(material) if row.offered and row.unit == _UNITS[system])
    return tuple(sorted(rows, key=lambda row: row.inside_diameter_mm))


def minimum_fall(kind: str, size: float = 0.0) -> MinimumFall:
    """
    Least fall by kind and nominal size, with its source.

    Parameters
    ----------
    kind
        Key of the table: "pipe", "lawn", "grass swale", ...
    size
        Nominal size of a pipe [m]; of no account for the other kinds.

    Raises
    ------
    ParameterError
        If the table has no such kind, a size is negative, or a pipe has none.

    Examples
    --------
    An eighth of an inch per foot for 4 in, a sixteenth for 8 in:

    >>> minimum_fall("pipe", 4 * 0.0254).least * 12, minimum_fall("pipe", 0.2).least * 12
    (0.125, 0.0625)
    """
    not_negative(size=size)
    rows: dict[str, list[MinimumFall]] = {}
    for row in read_table("minimum_fall", MinimumFall):
        rows.setdefault(row.kind, []).append(row)
    of_kind = rows[_known(kind, rows, "kind of fall")]
    if len(of_kind) > 1 and size == 0:
        raise ParameterError(f"the least fall of a {kind} depends on its size. Give the size.")
    # half a millimetre: a size converted from inches must not fall below its own row
    reached = [row for row in of_kind if row.size_from_mm <= size * 1000 + 0.5]
    return max(reached, key=lambda row: row.size_from_mm)


def _sizes_of(material: str) -> tuple[PipeSize, ...]:
    """Rows of one material."""
    rows = read_table("pipe_sizes", PipeSize)
    _known(material, {row.material for row in rows}, "pipe material")
    return tuple(row for row in rows if row.material == material)


def _known(key: str, keys: Iterable[str], what: str) -> str:
    """Refuse a key the table does not have, and name the nearest."""
    known = sorted(keys)
    if key in known:
        return key
    near = get_close_matches(key, known, n=1)
    hint = f"Did you mean {near[0]!r}?" if near else f"Known: {', '.join(known)}."
    raise ParameterError(f"{key!r} is not a {what} of the table. {hint}")
