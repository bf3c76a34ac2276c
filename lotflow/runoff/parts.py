"""Parts of catchments that reach the drains at different times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lotflow.errors import ParameterError

if TYPE_CHECKING:
    from lotflow.grid import FloatArray


@dataclass(frozen=True, eq=False)
class RunoffParts:
    """
    Water that enters drains: one entry per part of a catchment or connected roof.

    Parameters
    ----------
    node
        Name of the inlet or node at which each part enters.
    kind
        What it is: "paved", "unpaved", "roof".
    time_s
        Time of concentration of each part, at its node [s].
    area_m2
        Its area [m^2].
    ca_m2
        Shape (parts, storms), runoff coefficient with frequency factor times area [m^2].

    Raises
    ------
    ParameterError
        If the lengths differ.
    """

    node: tuple[str, ...]
    kind: tuple[str, ...]
    time_s: FloatArray
    area_m2: FloatArray
    ca_m2: FloatArray

    def __post_init__(self) -> None:
        sizes = {len(self.node), len(self.kind), len(self.time_s), len(self.area_m2)}
        if sizes != {np.shape(self.ca_m2)[0]} or np.ndim(self.ca_m2) != 2:
            raise ParameterError("parts need one node, kind, time and area each, C A per storm.")

    def __len__(self) -> int:
        return len(self.node)
