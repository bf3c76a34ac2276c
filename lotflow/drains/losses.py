"""
Head lost in pipes and fittings, each as a number of velocity heads or a head.

References
----------
Federal Highway Administration (2009), Urban Drainage Design Manual, Hydraulic Engineering
Circular 22, third edition: section 7.1.6.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np

from lotflow.drains.domain import GRAVITY, Floats, as_given, between, finite, not_negative, positive
from lotflow.drains.pipes import friction_slope
from lotflow.errors import ParameterError
from lotflow.tables import read_table
from lotflow.tables.drains import ContractionLoss, StructureLoss

#: One velocity head is lost where a pipe ends in still water (HEC-22, section 7.1.6).
EXIT_COEFFICIENT: Final = 1.0
#: From still water into a square-edged pipe end (FHWA, Hydraulic Design Series 5, from memory).
SQUARE_ENTRANCE_COEFFICIENT: Final = 0.5
#: From an access hole into the pipe that leaves it (HEC-22, section 7.1.6).
ACCESS_HOLE_ENTRANCE_COEFFICIENT: Final = 0.2
#: From a pipe into an access hole (HEC-22, section 7.1.6).
ACCESS_HOLE_EXIT_COEFFICIENT: Final = 0.4


def velocity_head(velocity: Floats) -> Floats:
    """
    Velocity head V^2 / 2g.

    Parameters
    ----------
    velocity
        Mean velocity [m/s].

    Returns
    -------
    head
        In metres of water [m].

    Raises
    ------
    ParameterError
        If a velocity is not a finite number.

    Examples
    --------
    >>> velocity_head(2.865 * 0.3048) / 0.3048
    0.128
    """
    finite(velocity=velocity)
    return as_given(np.square(velocity) / (2.0 * GRAVITY))


def friction_loss(flow: Floats, diameter: Floats, length: Floats, roughness: Floats) -> Floats:
    """
    Head lost to friction along a pipe flowing full.

    Parameters
    ----------
    flow
        Discharge [m^3/s]; 0 or more.
    diameter
        Inside diameter [m]; greater than 0.
    length
        Length along the pipe [m]; 0 or more.
    roughness
        Manning n [s/m^(1/3)]; greater than 0.

    Returns
    -------
    head
        In metres of water [m].

    Raises
    ------
    ParameterError
        If a flow or length is negative, or a diameter or roughness not greater than 0.

    References
    ----------
    HEC-22 (2009), section 7.1.6.

    Examples
    --------
    60 ft of smooth 4 in pipe carrying 0.25 cubic feet per second, in feet:

    >>> friction_loss(0.25 * 0.0283168, 0.1016, 60 * 0.3048, 0.010) / 0.3048
    0.613
    """
    not_negative(length=length)
    return as_given(np.multiply(friction_slope(flow, diameter, roughness), length))


def bend_coefficient(deflection_deg: Floats) -> Floats:
    """
    Velocity heads lost in a bend: 0.0033 per degree.

    Parameters
    ----------
    deflection_deg
        Change of direction [degrees]; 0 to 180, either way.

    Returns
    -------
    coefficient
        In velocity heads [-].

    Raises
    ------
    ParameterError
        If a change of direction is negative or more than 180 degrees.

    References
    ----------
    HEC-22 (2009), section 7.1.6.

    Examples
    --------
    >>> bend_coefficient(np.array([45.0, 90.0])).round(3)
    array([0.148, 0.297])
    """
    between(0.0, 180.0, deflection=deflection_deg)
    return as_given(np.multiply(0.0033, deflection_deg))


def structure_coefficient(
    structure: Literal["inlet", "access hole"], deflection_deg: Floats
) -> Floats:
    """
    Velocity heads lost by a flow that passes an inlet or access hole.

    The approximate method, linear between the published angles; good for a first design.

    Parameters
    ----------
    structure
        "inlet" or "access hole".
    deflection_deg
        Change of direction from the pipe that comes in to the one that leaves [degrees]; a
        straight run is 0. Sharper turns than the published 90 degrees are refused.

    Returns
    -------
    coefficient
        In velocity heads of the pipe that leaves [-].

    Raises
    ------
    ParameterError
        If the structure is unknown, or a turn lies outside 0 to 90 degrees.

    References
    ----------
    HEC-22 (2009), section 7.1.6, approximate method.

    Examples
    --------
    >>> structure_coefficient("access hole", np.array([0.0, 22.5, 45.0, 90.0]))
    array([0.15, 0.45, 0.75, 1.  ])
    """
    table = read_table("structure_losses", StructureLoss)
    rows = [row for row in table if row.structure == structure]
    if not rows:
        raise ParameterError(f"{structure!r} is neither an inlet nor an access hole.")
    angles = [row.deflection_deg for row in rows]
    between(angles[0], angles[-1], deflection=deflection_deg)
    return as_given(np.interp(deflection_deg, angles, [row.coefficient for row in rows]))


def contraction_coefficient(diameter_ratio: Floats) -> Floats:
    """
    Velocity heads of the narrower pipe lost where a pipe narrows at once.

    Parameters
    ----------
    diameter_ratio
        Diameter downstream divided by diameter upstream [-]; 0.2 to 1 is published, and a
        narrower pipe is counted as the narrowest published.

    Returns
    -------
    coefficient
        In velocity heads [-]; 0 where the pipe does not narrow.

    Raises
    ------
    ParameterError
        If a ratio is not greater than 0.

    References
    ----------
    HEC-22 (2009), section 7.1.6, sudden contraction.

    Examples
    --------
    From 6 in into 4 in:

    >>> contraction_coefficient(4 / 6)
    0.233
    """
    positive(diameter_ratio=diameter_ratio)
    rows = read_table("contraction_losses", ContractionLoss)
    ratios = [row.diameter_ratio for row in rows]
    return as_given(np.interp(diameter_ratio, ratios, [row.coefficient for row in rows]))
