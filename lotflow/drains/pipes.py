"""
Circular pipes that flow full by gravity (Manning): what they carry, and which size is needed.

Losses at bends and ends are left out here (`losses`, `grade_line`); part-full flow is in
`circular_section`; sizes on sale and minimum falls follow.

References
----------
Federal Highway Administration (2009), Urban Drainage Design Manual, Hydraulic Engineering
Circular 22, third edition: sections 7.1 and 7.2.
"""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from lotflow.drains.domain import Floats, as_given, finite, not_negative, positive
from lotflow.errors import ParameterError
from lotflow.tables import read_table
from lotflow.tables.drains import ChannelRoughness, MinimumFall, PipeMaterial, PipeSize
from lotflow.units import UnitSystem, from_si

# Manning with A = pi D^2 / 4 and R = D / 4; HEC-22 equation 7-1 prints 0.397 and 0.312
_VELOCITY_FACTOR: Final = 0.25 ** (2.0 / 3.0)
_FLOW_FACTOR: Final = 0.25 * np.pi * _VELOCITY_FACTOR


def full_flow_capacity(diameter: Floats, slope: Floats, roughness: Floats) -> Floats:
    """
    Discharge of a circular pipe flowing full by gravity.

    Q = (1/n) A R^(2/3) S^(1/2) with A = pi D^2 / 4 and R = D / 4. A pipe not quite full
    carries up to 1.076 times as much, which is not relied upon.

    Parameters
    ----------
    diameter
        Inside diameter, not nominal size [m]; greater than 0.
    slope
        Fall divided by length, positive downhill [-]; flat or adverse gives 0.
    roughness
        Manning n [s/m^(1/3)]; greater than 0.

    Returns
    -------
    capacity
        One value per pipe [m^3/s].

    Raises
    ------
    ParameterError
        If a diameter or roughness is not greater than 0.

    References
    ----------
    HEC-22 (2009), equation 7-1.

    Examples
    --------
    Smooth pipes of 100 and 150 mm at 1 %, and the larger one laid backwards:

    >>> diameter = np.array([0.100, 0.150, 0.150])
    >>> full_flow_capacity(diameter, np.array([0.01, 0.01, -0.01]), 0.010).round(4)
    array([0.0067, 0.0198, 0.    ])
    """
    positive(diameter=diameter, roughness=roughness)
    root = _root_slope(slope)
    return as_given(_FLOW_FACTOR / np.asarray(roughness) * np.power(diameter, 8.0 / 3.0) * root)


def full_flow_velocity(diameter: Floats, slope: Floats, roughness: Floats) -> Floats:
    """
    Mean velocity in a circular pipe flowing full by gravity.

    V = (1/n) R^(2/3) S^(1/2) with R = D / 4; half full it is the same.

    Parameters
    ----------
    diameter
        Inside diameter, not nominal size [m]; greater than 0.
    slope
        Fall divided by length, positive downhill [-]; flat or adverse gives 0.
    roughness
        Manning n [s/m^(1/3)]; greater than 0.

    Returns
    -------
    velocity
        One value per pipe [m/s].

    Raises
    ------
    ParameterError
        If a diameter or roughness is not greater than 0.

    References
    ----------
    HEC-22 (2009), equation 7-1; example 7-2 has 8.0 ft/s (2.44 m/s).

    Examples
    --------
    >>> full_flow_velocity(21 * 0.0254, 0.015, 0.013)
    2.459
    """
    positive(diameter=diameter, roughness=roughness)
    root = _root_slope(slope)
    return as_given(_VELOCITY_FACTOR / np.asarray(roughness) * np.power(diameter, 2.0 / 3.0) * root)


def friction_slope(flow: Floats, diameter: Floats, roughness: Floats) -> Floats:
    """
    Slope of the grade line of a pipe flowing full: Manning turned round.

    Parameters
    ----------
    flow
        Discharge [m^3/s]; 0 or more.
    diameter
        Inside diameter [m]; greater than 0.
    roughness
        Manning n [s/m^(1/3)]; greater than 0.

    Returns
    -------
    friction_slope
        Head lost per length [-].

    Raises
    ------
    ParameterError
        If a flow is negative, or a diameter or roughness not greater than 0.

    References
    ----------
    HEC-22 (2009), section 7.1.6.

    Examples
    --------
    >>> friction_slope(0.0067, 0.100, 0.010)
    0.0099
    """
    not_negative(flow=flow)
    positive(diameter=diameter, roughness=roughness)
    conveyance = _FLOW_FACTOR / np.asarray(roughness) * np.power(diameter, 8.0 / 3.0)
    return as_given(np.square(flow / conveyance))


def required_diameter(flow: Floats, slope: Floats, roughness: Floats) -> Floats:
    """
    Inside diameter at which a pipe flowing full just carries a flow.

    Parameters
    ----------
    flow
        Discharge [m^3/s]; 0 or more.
    slope
        Fall divided by length, positive downhill [-].
    roughness
        Manning n [s/m^(1/3)]; greater than 0.

    Returns
    -------
    diameter
        Not rounded to a size on sale [m]; infinite where a flow has no fall to run down:
        no diameter is large enough.

    Raises
    ------
    ParameterError
        If a flow is negative, or a roughness not greater than 0.

    References
    ----------
    HEC-22 (2009), equation 7-1; example 7-1 has 1.69 ft (0.515 m) for 17.6 cfs.

    Examples
    --------
    >>> required_diameter(np.array([0.498, 0.498]), np.array([0.015, 0.0]), 0.013).round(3)
    array([0.514,   inf])
    """
    not_negative(flow=flow)
    positive(roughness=roughness)
    root = np.asarray(_root_slope(slope))
    flow = np.asarray(flow, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        diameter = np.power(flow * roughness / (_FLOW_FACTOR * root), 3.0 / 8.0)
    return as_given(np.where(flow > 0, diameter, 0.0))


def smallest_standard_size(
    flow: Floats,
    slope: Floats,
    roughness: Floats,
    sizes: NDArray[np.float64],
    *,
    at_least: Floats = 0.0,
) -> Floats:
    """
    Smallest inside diameter on sale that carries a flow when full.

    Parameters
    ----------
    flow
        Discharge [m^3/s]; 0 or more.
    slope
        Fall divided by length, positive downhill [-].
    roughness
        Manning n [s/m^(1/3)]; greater than 0.
    sizes
        Inside diameters on sale [m].
    at_least
        Diameter that must not be gone below [m], such as that of the pipe upstream.

    Returns
    -------
    diameter
        One of `sizes` [m]; NaN where none of them is large enough.

    Raises
    ------
    ParameterError
        If there are no sizes, one of them is not greater than 0, or a flow is negative.

    Examples
    --------
    >>> inches = np.array([3, 4, 6, 8, 10, 12])
    >>> size = smallest_standard_size(np.array([0.004, 0.030, 0.3]), 0.01, 0.010, inches * 0.0254)
    >>> (size / 0.0254).round(1)
    array([ 4.,  8., nan])
    """
    sizes = np.sort(np.atleast_1d(np.asarray(sizes, dtype=np.float64)))
    positive(standard_size=sizes, number_of_standard_sizes=float(sizes.size))
    needed = np.maximum(required_diameter(flow, slope, roughness), at_least)
    # a size found from its own capacity must be found again, whatever rounding did in between
    place = np.searchsorted(sizes, needed * (1.0 - 1e-9))
    return as_given(np.append(sizes, np.nan)[place])


def _root_slope(slope: Floats) -> Any:
    """Square root of the slope; 0 where the pipe is flat or runs uphill."""
    finite(slope=slope)
    return np.sqrt(np.maximum(slope, 0.0))


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
