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
    snap_m: float = _criterion(
        0.75,
        "lotflow's rule: as far as a grate is shifted on site without drawing anew; common "
        "practice, no published source",
        "radius within which an inlet is set where the water runs [m]; at least half a cell, 0 "
        "for never",
        low=0.0,
        high=1.5,
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

    misclosure_m: float = _criterion(
        0.005,
        "a rule for building works, from memory of Uren, J., Price, W. F., Surveying for "
        "Engineers; with ten set-ups a kilometre near the 15 mm times the root of the kilometres "
        "that level-online.net (differential levelling, example 2) quotes for construction",
        "misclosure of level notes that is allowed for one set-up, and times the root of their "
        "number for several [m]",
        low=0.0005,
        high=0.1,
    )

    as_built_m: float = _criterion(
        0.061,
        "City of Fort Collins CO, grading certificates: heights as built within 0.2 ft of the "
        "plan; Edmonton AB allows 10 cm of landscaped ground if the least falls hold",
        "how far a level of the finished work may lie off the proposal [m]; its fall is judged by "
        "itself",
        low=0.001,
        high=0.5,
    )
    cover_m: float = _criterion(
        0.30,
        "FHWA HEC-22, 3rd edition (2009), section 7.2.5: never less than 1 ft over a storm drain",
        "least ground over the top of a pipe [m]",
        low=0.0,
        high=3.0,
    )
    outlet_size_m: float = _criterion(
        0.1016,
        "common practice, no published source: 4 in pipe",
        "nominal size of the pipe by which the way to an outlet is judged [m]",
        low=0.02,
        high=0.6,
    )

    design_storm_yr: float = _criterion(
        10.0,
        "City of Vernonia OR standards, section 3.0013: inlets, catch basins and their connectors "
        "10 years",
        "return period that drain lines and grates must pass; rarer storms are told, not failed "
        "[yr]",
        low=1.0,
        high=1000.0,
    )
    node_reach_m: float = _criterion(
        0.5,
        "lotflow's rule: as well as a line is drawn over a map",
        "how far the end of a drain line may be drawn from what it is connected to [m]",
        low=0.01,
        high=10.0,
    )
    velocity_low_m_s: float = _criterion(
        0.61,
        "common practice, no published source: 2 ft/s when full; FHWA HEC-22, 3rd edition (2009), "
        "section 7.2.4 asks 3 ft/s of storm drains",
        "least velocity of a full drain line that keeps itself clean [m/s]",
        low=0.0,
        high=5.0,
    )
    velocity_high_m_s: float = _criterion(
        3.0,
        "common practice, no published source: 10 ft/s",
        "greatest velocity in a drain line in the design storm [m/s]",
        low=0.5,
        high=20.0,
    )
    clogged_share: float = _criterion(
        0.5,
        "TxDOT, Hydraulic Design Manual: a multiplier of about one half on perimeter and area",
        "share of a grate counted as clogged [1]",
        low=0.0,
        high=0.95,
    )
    grate_water_m: float = _criterion(
        0.05,
        "common practice, no published source: 2 in",
        "depth of water over a grate up to which it must take the design storm [m]",
        low=0.005,
        high=1.0,
    )
    channel_level_m: float = _criterion(
        0.0127,
        "ADA Standards (2010), 303.3, from memory: a bevelled change in level of 1/2 in",
        "greatest fall of the ground along a channel drain, whose top is set level [m]",
        low=0.0,
        high=1.0,
    )
    access_spacing_m: float = _criterion(
        30.48,
        "plumbing codes: a cleanout every 100 ft, from memory",
        "greatest length of a drain line between places from which it can be cleaned [m]",
        low=1.0,
        high=1000.0,
    )
    gutter_spread_m: float = _criterion(
        1.8288,
        "FHWA HEC-22, 3rd edition (2009), Table 4-1, from memory: half a driving lane of a local "
        "street; of 12 ft",
        "greatest width of the water along a curb in the design storm [m]",
        low=0.1,
        high=10.0,
    )
    trench_depth_m: float = _criterion(
        1.524,
        "29 CFR 1926.652(a): protection from 5 ft on unless in stable rock",
        "depth from which a trench must be protected [m]",
        low=0.1,
        high=20.0,
    )
    footing_depth_m: float = _criterion(
        0.3,
        "International Residential Code, R403.1.4, from memory: footings at least 12 in below "
        "undisturbed ground",
        "depth of the footings of buildings below the ground beside them [m]",
        low=0.0,
        high=10.0,
    )

    rainfall_reach_m: float = _criterion(
        25_000.0,
        "common practice, no published source: point estimates are taken for the place itself",
        "distance of the lot from the place of its rainfall table from which it is said [m]",
        low=0.0,
        high=1e7,
    )
    outlet_reach_m: float = _criterion(
        10.0,
        "lotflow's rule: verge, sidewalk and gutter of a local street",
        "distance beyond the lot line to which lower ground is looked for where no street is "
        "drawn; 0 is off [m]",
        low=0.0,
        high=30.0,
    )

    pond_depth_m: float = _criterion(
        0.01,
        "lotflow's rule: shallower standing water in a low spot needs no answer",
        "smallest depth of water that is reported in a low spot after a storm [m]",
        low=0.001,
        high=1.0,
    )
    pond_reach_m: float = _criterion(
        10.0,
        "lotflow's rule: nearer water may come onto the lot, or be the lot's",
        "distance from the lot within which ponds are reported [m]",
        low=0.0,
        high=200.0,
    )
    standing_near_house_h: float = _criterion(
        24.0,
        "home builders' performance guidelines, as quoted",
        "longest time water may stand within 10 ft of a building after a storm [h]",
        low=0.0,
        high=1000.0,
    )
    standing_h: float = _criterion(
        48.0,
        "home builders' performance guidelines, as quoted: swales that serve other lots",
        "longest time water may stand elsewhere on the lot after a storm [h]",
        low=0.0,
        high=1000.0,
    )
    standing_longest_h: float = _criterion(
        72.0,
        "City of Wentzville MO: standing water is looked into after 72 h",
        "time after which water standing on a lot is a nuisance anywhere [h]",
        low=0.0,
        high=1000.0,
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
