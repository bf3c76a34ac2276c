"""What of a storm waits above an inlet that cannot take it as fast as it comes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lotflow.runoff.limits import within

if TYPE_CHECKING:
    from lotflow.runoff.hydrograph import Hydrograph


def excess_volume(hydrograph: Hydrograph, capacity: float) -> float:
    """
    Greatest volume that waits above an inlet of limited capacity.

    A volume balance: at every step what comes is added and what the inlet carries is taken off,
    never below nothing. While the flow rises and falls only once, it is the part of the
    hydrograph above the capacity. An approximation: the capacity does not grow with the depth of
    the water, and nothing soaks in meanwhile.

    Parameters
    ----------
    hydrograph
        Flow that comes.
    capacity
        What the inlet or its line carries, 0 or more [m^3/s].

    Returns
    -------
    volume
        [m^3].

    Raises
    ------
    ParameterError
        If the capacity is negative.

    Examples
    --------
    Ten minutes at 3 l/s into a line of 1 l/s: 1.2 m3 wait at the end, all of it where the line
    is blocked.

    >>> import numpy as np
    >>> from lotflow.runoff.hydrograph import Hydrograph
    >>> rain = Hydrograph(60.0, np.full(10, 0.003))
    >>> [round(excess_volume(rain, capacity), 3) for capacity in (0.001, 0.0, 0.003)]
    [1.2, 1.8, 0.0]
    """
    carried = float(within("capacity", capacity, 0.0, unit="m3/s"))
    waiting = most = 0.0
    for flow in hydrograph.flow_m3s.tolist():
        waiting = max(waiting + (flow - carried) * hydrograph.step_s, 0.0)
        most = max(most, waiting)
    return most
