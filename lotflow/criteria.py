"""What a drain is judged by: one frozen object, every default with its source."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any


def _criterion(default: Any, source: str, meaning: str, *, low: float, high: float) -> Any:
    """Declare a criterion: its default, where that comes from, its meaning and its bounds."""
    metadata = {"source": source, "meaning": meaning, "low": low, "high": high}
    return field(default=default, metadata=metadata)


@dataclass(frozen=True)
class Criteria:
    """
    The limits of a study; see `sources` for where each default comes from.

    Examples
    --------
    >>> Criteria().low_spot_limit_m(0.10), Criteria(low_spot_depth_m=0.05).low_spot_limit_m(0.10)
    (0.1, 0.05)
    """

    low_spot_depth_m: float | None = _criterion(
        None,
        "lotflow's rule: the stated vertical RMSE of the elevation data, since a shallower dip "
        "may be an error of the survey",
        "smallest greatest depth of a low spot that is reported [m]; none: the RMSE",
        low=0.0,
        high=10.0,
    )
    flow_path_area_m2: float = _criterion(
        50.0,
        "lotflow's rule: one downspout's share of a roof",
        "smallest contributing area at which a flow path is drawn [m^2]",
        low=0.0,
        high=1e6,
    )
    snap_cells: float = _criterion(
        1.5,
        "lotflow's rule: the eight neighbours of the cell in which the inlet was drawn",
        "radius within which an inlet is moved to where the water runs [cells]",
        low=0.0,
        high=20.0,
    )
    wall_height_m: float = _criterion(
        0.5,
        "lotflow's rule: higher than water stands on a lot",
        "height of a drawn wall, curb or berm without one of its own [m]",
        low=0.01,
        high=10.0,
    )
    dam_depth_m: float = _criterion(
        0.3,
        "lotflow's rule: three times the RMSE of QL2 lidar; public elevation models keep roads "
        "and drives as dams (USGS 3DEP frequently asked questions)",
        "depth from which a low spot is suspected to be held by an embankment with a culvert [m]",
        low=0.0,
        high=100.0,
    )

    def low_spot_limit_m(self, rmse_m: float) -> float:
        """
        Smallest depth of a reported low spot [m].

        Parameters
        ----------
        rmse_m
            Vertical accuracy of the elevation data [m].
        """
        return rmse_m if self.low_spot_depth_m is None else self.low_spot_depth_m

    @classmethod
    def sources(cls) -> dict[str, str]:
        """Give the source of every default."""
        return {item.name: str(item.metadata["source"]) for item in fields(cls)}
