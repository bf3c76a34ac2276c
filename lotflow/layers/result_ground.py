"""Result layers about outlets, the ground round the house, and what is to be ordered."""

from __future__ import annotations

from typing import Final

from lotflow.layers.columns import Column, Layer, number

_XY: Final = (
    number("x", "unit of the CRS", "Easting."),
    number("y", "unit of the CRS", "Northing."),
)

_OUTLET_OPTIONS: Final = Layer(
    "outlet_options",
    "Lower places that gravity might reach from each low spot and inlet, best first. Whether "
    "water may be let out there is not judged.",
    ("line",),
    (
        Column("subject", "Low spot or inlet."),
        Column("rank", "1 for the best option.", kind="whole"),
        Column("kind", '"lot edge", "beyond the lot" (off it, where no street is drawn), '
               '"street", "water", or the kind of a drawn outlet.'),
        Column("place", "Name of the place; of the lot edge, and beyond it, the side."),
        *_XY,
        number("level_m", "m", "Level there."),
        number("run_m", "m", "Length of the way, round buildings."),
        number("surface_fall_m", "m", "Fall from ground or rim to the place."),
        number("fall_m", "m", "Fall from the highest invert that the cover allows."),
        number("least_fall_m", "m", "Least fall of the pipe over the run."),
        number("left_m", "m", "What is left of the fall after the least fall."),
        number("left_low_m", "m", "Lower end of its 95 % interval."),
        number("left_high_m", "m", "Upper end of its 95 % interval."),
        Column("verdict", '"reachable", "cannot tell" or "not reachable".'),
        number("deepest_m", "m", "Greatest depth of the invert below the ground, with an even "
                "fall."),
        number("off_lot_m", "m", "Length of the way beyond the lot."),
    ),
)  # fmt: skip

_FACADES: Final = Layer(
    "facades",
    "Fall of the ground in the first 10 ft from each straight stretch of a building.",
    ("line",),
    (
        Column("name", "Building and side."),
        Column("building", "Name of the building."),
        *_XY,
        number("length_m", "m", "Length of the facade."),
        number("reach_m", "m", "Distance over which the fall was taken; less than 10 ft where "
                "another building or the lot line is nearer."),
        Column("surface", '"soil" or "paving", by the greater part.'),
        number("fall_m", "m", "Fall away from the wall, at the place where it is least; negative "
                "where the ground falls towards it."),
        number("slope", "1", "That fall divided by its distance."),
        number("slope_low", "1", "Lower end of its 95 % interval."),
        number("slope_high", "1", "Upper end of its 95 % interval."),
        number("slope_limit", "1", "Least slope."),
        Column("verdict", '"too flat", "cannot tell", "no fault seen", or "too narrow to tell".'),
    ),
)  # fmt: skip

_OPENINGS: Final = Layer(
    "openings",
    "Openings of buildings, and how far they stand above ground and water.",
    ("point",),
    (
        Column("name", "Name."),
        Column("kind", "Kind of opening."),
        number("sill_m", "m", "Level at which water enters."),
        number(
            "ground_m",
            "m",
            "Median of the ground 0.5 to 1.5 m from it, 1.5 cells on a grid coarser than 1 m.",
        ),
        number(
            "ground_spread_m",
            "m",
            "Half the range of that ground between its percentiles 16 and 84.",
        ),
        number("above_ground_m", "m", "Sill above that ground."),
        Column("low_spot", "Low spot beside it; empty where there is none.", kind="whole"),
        Column(
            "is_touched",
            "Whether that low spot, when full, stands at the opening, not only within 10 ft.",
            kind="yes_no",
        ),
        number("spill_elevation_m", "m", "Level at which that low spot overflows."),
        number("freeboard_m", "m", "Sill above that level."),
        Column(
            "not_closed",
            "Whether the data that were read end before the basin of that low "
            "spot closes: its level is at least what is given, the freeboard at most.",
            kind="yes_no",
        ),
        number("freeboard_low_m", "m", "Lower end of its 95 % interval."),
        number("freeboard_high_m", "m", "Upper end of its 95 % interval."),
    ),
)

#: Tables stand behind all layers with geometry.
QUANTITIES_TABLE: Final = Layer(
    "quantities",
    "What the proposed drains need, by item.",
    (),
    (
        Column("item", "Name of the item, as a price list calls it."),
        Column("detail", "How it was counted."),
        number("quantity", "see unit", "How much."),
        Column("unit", "Unit of the quantity."),
        number("price", "currency of the price list", "Price of one unit; empty where none is "
                "given."),
        number("cost", "currency of the price list", "Quantity times price."),
    ),
)  # fmt: skip

#: In the order in which they are written.
GROUND_LAYERS: Final = (_OUTLET_OPTIONS, _FACADES, _OPENINGS)
