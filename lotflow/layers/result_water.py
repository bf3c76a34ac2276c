"""Result layers about where the runoff of storms stands, and what inlets take of it."""

from __future__ import annotations

from typing import Final

from lotflow.layers.columns import Column, Layer, number

_STORM: Final = number("return_period_yr", "yr", "Return period of the storm.")
_CASE: Final = Column(
    "case",
    '"open": every inlet works; "blocked:NAME": that one takes nothing; "blocked:all": none takes '
    'anything; "limited": those of limited capacity take no more than that.',
)
_LOW_SPOT: Final = Column("low_spot", "The low spot it stands in.", kind="whole")
_ENTRY: Final = (
    Column("building", "Building or opening that the water comes closest to entering, within 10 "
           "ft; empty where there is none."),
    Column("threshold_basis", '"threshold" or "sill" as given, or "ground at the wall": the '
           "lowest ground outside the walls, for want of a threshold."),
    number("threshold_m", "m", "Elevation at which water enters there."),
    number("freeboard_m", "m", "That elevation less the level of the water; negative above it."),
    Column("reaches_building", "Whether water stands at the wall as high as that.",
           kind="yes_no"),
)  # fmt: skip
_SPILL: Final = (
    number("overflow_m3", "m3", "What runs over out of it; 0 while it is not full."),
    Column("spills_to", "Inlet, low spot or other place that its overflow reaches first."),
    Column("spills_onto", '"lot" or "beyond the lot": whose ground its overflow crosses.'),
)

_PONDS: Final = Layer(
    "ponds",
    "Water standing after each storm on the lot and near it, with every inlet open and with "
    "inlets blocked.",
    ("polygon",),
    (
        Column("id", "Number of the row.", kind="whole"),
        _STORM,
        _CASE,
        _LOW_SPOT,
        number("x", "unit of the CRS", "Easting of the deepest point."),
        number("y", "unit of the CRS", "Northing of the deepest point."),
        number("level_m", "m", "Elevation of the water."),
        number("depth_m", "m", "Greatest depth."),
        number("area_m2", "m2", "Area under water."),
        number("volume_m3", "m3", "Volume."),
        *_SPILL,
        number("overflow_x", "unit of the CRS", "Easting of the point over which it runs."),
        number("overflow_y", "unit of the CRS", "Northing of that point."),
        number("soaks_away_h", "h", "Time until it has soaked into the ground; empty where "
                "none of the ground under it takes water."),
        number("stays_m", "m", "Depth that stays on sealed ground until it dries."),
        *_ENTRY,
        Column("artefact", "Why the low spot may be no standing water at all; empty if nothing "
               "speaks against it."),
    ),
)  # fmt: skip

_OVERFLOW_PATHS: Final = Layer(
    "overflow_paths",
    "Ways of the water that runs over out of ponds, drawn downhill to an inlet, the next low spot "
    "or the end of the data.",
    ("line",),
    (
        Column("id", "Number of the row.", kind="whole"),
        _CASE,
        _LOW_SPOT,
        number("least_return_period_yr", "yr", "Most frequent storm in which it runs over."),
        *_SPILL,
    ),
)

_POND_CASES: Final = Layer(
    "pond_cases",
    "Per storm and set of blocked inlets: where all water of the window is, and the worst pond "
    "on the lot or near it: one that reaches a building, else the one that rises most.",
    (),
    (
        _STORM,
        _CASE,
        number("runoff_m3", "m3", "Runoff of the whole window."),
        number("ponded_m3", "m3", "Standing, in all ponds of the window."),
        number("taken_m3", "m3", "Taken by inlets over the surface."),
        number("connected_m3", "m3", "Roof water led into the drains by downspouts."),
        number("to_water_m3", "m3", "Left into open water."),
        number("to_gap_m3", "m3", "Lost from sight in gaps of the elevation data."),
        number("over_edge_m3", "m3", "Left over the edge of the elevation data."),
        number("residual_m3", "m3", "Runoff less all that; 0 but for rounding."),
        _LOW_SPOT,
        number("x", "unit of the CRS", "Easting of the deepest point of the worst pond."),
        number("y", "unit of the CRS", "Northing of that point."),
        number("level_m", "m", "Elevation of its water."),
        number("depth_m", "m", "Its greatest depth."),
        number("rise_m", "m", "How much higher it stands than with every inlet open."),
        *_SPILL,
        *_ENTRY,
    ),
)

_INLET_INTAKE: Final = Layer(
    "inlet_intake",
    "What each inlet takes of each storm over the surface, with every inlet open, with inlets "
    "blocked, and limited: direct + overflow + from_inlets + backs_up = taken + refused + passed.",
    (),
    (
        _STORM,
        _CASE,
        Column("inlet", "Name of the inlet."),
        number("direct_m3", "m3", "Reaches it over open ground."),
        number("overflow_m3", "m3", "Reaches it out of full ponds and culverts."),
        number("from_inlets_m3", "m3", "What other inlets let pass to it."),
        number("backs_up_m3", "m3", "Piped to it, and comes up out of it for want of room."),
        number("refused_m3", "m3", "What it cannot take as it comes, and its low spot holds."),
        number("passed_m3", "m3", "What it cannot take, and goes on."),
        number("taken_m3", "m3", "What it takes."),
    ),
)

#: Layers about standing water, in the order in which they are written.
WATER_LAYERS: Final[tuple[Layer, ...]] = (_PONDS, _OVERFLOW_PATHS, _POND_CASES, _INLET_INTAKE)
