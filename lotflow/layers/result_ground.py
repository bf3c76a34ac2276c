"""Result layers about outlets, the ground round the house, and what is to be ordered."""

from __future__ import annotations

from typing import Final

from lotflow.layers.columns import (
    EARTHWORK_AREAS,
    EARTHWORK_LINES,
    SHOT_DATUMS,
    SURFACE_KINDS,
    USAGES,
    Column,
    Layer,
    level_from,
    number,
    position,
)

_XY: Final = (
    position("x", "Easting."),
    position("y", "Northing."),
)

_OUTLET_OPTIONS: Final = Layer(
    "outlet_options",
    "Lower places that gravity might reach from each low spot and inlet, best first. Whether "
    "water may be let out there is not judged.",
    ("line",),
    (
        Column("subject", "Low spot or inlet.", label="From"),
        Column("rank", "1 for the best option.", kind="whole"),
        Column("kind", '"lot edge", "beyond the lot" (off it, where no street is drawn), '
               '"street", "water", or the kind of a drawn outlet.', label="To"),
        Column("place", "Name of the place; of the lot edge, and beyond it, the side."),
        *_XY,
        number("level_m", "elevation", "Level there."),
        level_from("level_from", "its fall"),
        number("run_m", "distance", "Length of the way, round buildings."),
        number("surface_fall_m", "elevation", "Fall from ground or rim to the place.",
               label="Fall of the ground"),
        number("fall_m", "elevation", "Fall from the highest invert that the cover allows.",
               label="Fall under cover"),
        number("least_fall_m", "elevation", "Least fall of the pipe over the run."),
        number("left_m", "elevation", "What is left of the fall after the least fall.",
               label="Fall to spare"),
        number("left_low_m", "elevation", "Lower end of its 95 % interval."),
        number("left_high_m", "elevation", "Upper end of its 95 % interval."),
        Column("verdict", '"reachable", "cannot tell" or "not reachable".', label="By the data",
               choices=("reachable", "cannot tell", "not reachable")),
        number("deepest_m", "elevation", "Greatest depth of the invert below the ground, with an "
               "even fall.", label="Deepest trench"),
        number("off_lot_m", "distance", "Length of the way beyond the lot.", label="Off the lot"),
    ),
)  # fmt: skip

_FACADES: Final = Layer(
    "facades",
    "Fall of the ground in the first 10 ft from each straight stretch of a building.",
    ("line",),
    (
        Column("name", "Building and side.", label="Wall"),
        Column("building", "Name of the building."),
        *_XY,
        number("length_m", "length", "Length of the facade."),
        number("reach_m", "length", "Distance over which the fall was taken; less than 10 ft "
               "where another building or the lot line is nearer."),
        Column("surface", '"soil" or "paving", by the greater part.', label="Ground"),
        number("fall_m", "elevation", "Fall away from the wall, at the place where it is least; "
               "negative where the ground falls towards it."),
        position("foot_x", "Easting of the upper level of that fall, at the foot of the wall."),
        position("foot_y", "Northing of that level."),
        position("out_x", "Easting of the lower level."),
        position("out_y", "Northing of that level."),
        number("out_m", "length", "Distance of the lower level from the wall."),
        number("slope", "ground_slope", "That fall divided by its distance.", label="Falls away"),
        number("slope_low", "ground_slope", "Lower end of its 95 % interval."),
        number("slope_high", "ground_slope", "Upper end of its 95 % interval."),
        number("slope_limit", "ground_slope", "Least slope.", label="Least slope"),
        level_from("level_from", "that fall"),
        Column("verdict", '"too flat", "cannot tell", "no fault seen", or "too narrow to tell".',
               label="By the data",
               choices=("too flat", "cannot tell", "no fault seen", "too narrow to tell")),
    ),
)  # fmt: skip

_SWALE_WAYS: Final = Layer(
    "swale_ways",
    "Ways along which a swale could lead water off walls that the ground falls to: on the lot, off "
    "buildings, paving and the lot line, falling all along, back to where that water runs today.",
    ("line",),
    (
        Column("wall", "Name of the wall, as in facades."),
        number("length_m", "length", "Length of the way."),
        number("fall_m", "elevation", "Fall of the ground between its ends."),
        number("cut_m", "depth", "Deepest cut of its bed into the ground as surveyed, beside the "
               "depth of the swale.", label="Deepest cut"),
    ),
)  # fmt: skip

_OPENINGS: Final = Layer(
    "openings",
    "Openings of buildings, and how far they stand above ground and water.",
    ("point",),
    (
        Column("name", "Name.", label="Opening"),
        Column("kind", "Kind of opening."),
        number("sill_m", "elevation", "Level at which water enters."),
        level_from("level_from", "that level"),
        number(
            "ground_m",
            "elevation",
            "Median of the ground 0.5 to 1.5 m from it, 1.5 cells on a grid coarser than 1 m.",
        ),
        number(
            "ground_spread_m",
            "depth",
            "Half the range of that ground between its percentiles 16 and 84.",
            label="Spread of that ground",
        ),
        number("above_ground_m", "depth", "Sill above that ground."),
        Column("low_spot", "Low spot beside it; empty where there is none.", kind="whole"),
        Column(
            "is_touched",
            "Whether that low spot, when full, stands at the opening, not only within 10 ft.",
            kind="yes_no",
            label="At the opening",
        ),
        number(
            "spill_elevation_m",
            "elevation",
            "Level at which that low spot overflows.",
            label="Overflows at",
        ),
        number(
            "freeboard_m", "depth", "Sill above that level.", label="Above the low spot's overflow"
        ),
        Column(
            "not_closed",
            "Whether the data that were read end before the basin of that low "
            "spot closes: its level is at least what is given, the freeboard at most.",
            kind="yes_no",
        ),
        number("freeboard_low_m", "depth", "Lower end of its 95 % interval."),
        number("freeboard_high_m", "depth", "Upper end of its 95 % interval."),
    ),
)

SHOTS_LAYER: Final = Layer(
    "shots",
    "Levels measured on site as they were read, beside the elevation data there.",
    ("point",),
    (
        Column("name", "Name.", label="Measured level"),
        Column("subject", "What is levelled, or the place of the field sheet.", label="Of"),
        Column("surface_kind", "What the rod stood on.", label="Taken on", choices=SURFACE_KINDS),
        *_XY,
        number("level_m", "elevation", "Level, in the reference of the elevation data; of one "
               "from a benchmark as far as that is known in it.", label="Level"),
        Column("datum", "What it was measured from.", label="Measured from", choices=SHOT_DATUMS),
        number("deviation_m", "diameter", "Its standard deviation, as given or assumed.",
               label="Good to"),
        number("placed_within_m", "depth", "How well its place is known, as given or assumed.",
               label="Placed within"),
        Column("stands_on", "What is drawn there: a building, or the cover of the ground.",
               label="Drawn there"),
        number("ground_m", "elevation", "Elevation of the data in its cell; empty for what is no "
               "ground.", label="Data there"),
        number("difference_m", "depth", "Level less that elevation.", label="Above the data"),
        Column("line", "Swale, curb or wall that it is a point of."),
        Column("line_part", "Which part of that."),
        Column("taken_on", "When it was taken.", label="Taken"),
        Column("counts", "Whether it counts (yes), is only compared (check), or is left out (no).",
               choices=USAGES),
        Column("read_from", "Whether it stands in level notes or was drawn.",
               choices=("level notes", "drawing")),
    ),
)  # fmt: skip
_LEVELS_TO_TAKE: Final = Layer(
    "levels_to_take",
    "Levels to take on site first, in the order of what they settle; none without realisations.",
    ("point",),
    (
        Column("rank", "1 for the one to take first.", kind="whole", label="No."),
        Column("place", "Where, in words.", label="Level of"),
        Column("named", "The thing by which the place is called."),
        Column("kind", "What is there.", label="Kind of place", choices=(
            "inlet", "rim", "outlet", "invert", "opening", "sill", "deepest point",
            "spill point", "wall", "out from the wall", "lower place", "open ground")),
        number("away_m", "length", "How far from the wall, or from what it is called by; empty "
               "where it is that place itself.", label="Distance"),
        *_XY,
        number("level_m", "elevation", "Level by the elevation data; of a rim, invert or sill as "
               "given.", label="Level in the data"),
        Column("question", "What it settles most: whether a low spot is there, the ground falls "
               "away from a wall, an outlet has the fall, a line carries its flow, a sill stands "
               "above the water beside it.",
               choices=("low spot", "wall", "outlet", "line", "sill")),
        Column("subject", "What that question is about.", label="Of"),
        number("yes_share", "share", "Share of realisations in which the answer is yes; that of a "
               "low spot is brought towards a half, since it is too sure.", label="Yes in"),
        number("open_share", "share", "How open that leaves the question at the desk, 4 p (1 - p): "
               "all of it where yes and no are as likely.", label="Open"),
        number("settles", "share", "How much of that the level takes, by the realisations; of two "
               "that are taken together, both. At most 0.6 of what they promise is told, which is "
               "what came true on known ground.", label="Settles up to"),
        Column("together_with", "Number of the level without which it is worth nothing; empty "
               "where it stands alone.", kind="whole", label="Together with"),
    ),
)  # fmt: skip

AS_BUILT_TABLE: Final = Layer(
    "as_built",
    "The finished work by its levels, against what was proposed: each fall, and each level.",
    (),
    (
        Column("name", "Line, inlet, outlet or swale.", label="Finished work"),
        Column("part", '"fall", or what of it was levelled: "upper end", "lower end", "rim" or '
               '"invert".', label="What",
               choices=("fall", "upper end", "lower end", "rim", "invert")),
        number("expected_m", "elevation", "Level as proposed.", label="Proposed"),
        number("measured_m", "elevation", "Level as it was taken.", label="As built"),
        number("off_m", "depth", "The second less the first.", label="Higher by"),
        number("tolerance_m", "depth", "How far it may be off.", label="Limit"),
        number("expected_slope", "ground_slope", "Fall as proposed.", label="Fall proposed"),
        number("measured_slope", "ground_slope", "Fall between the levels taken; of a swale the "
               "least between two of them. Negative uphill.", label="Fall as built"),
        number("least_slope", "ground_slope", "Least fall.", label="Least fall"),
        number("doubt_m", "depth", "Half the 95 % interval of the level, or of the fall from end "
               "to end.", label="Give or take"),
        Column("verdict", '"as proposed", "holds" (flatter than proposed, but not too flat), "too '
               'flat", "runs back", "off" or "cannot tell".', label="By its levels",
               choices=("as proposed", "holds", "too flat", "runs back", "off", "cannot tell")),
        Column("shots", "Levels it rests on."),
        Column("source", "Where tolerance or least fall come from."),
    ),
)  # fmt: skip

#: Tables stand behind all layers with geometry.
QUANTITIES_TABLE: Final = Layer(
    "quantities",
    "What the proposed drains need, by item.",
    (),
    (
        Column("item", "Name of the item, as a price list calls it."),
        Column("detail", "How it was counted.", label="Counted as"),
        Column("quantity", "How much.", "number", unit="see unit"),
        Column("unit", "Unit of the quantity."),
        Column("price", "Price of one unit; empty where none is given.",
               "number", unit="currency of the price list"),
        Column("cost", "Quantity times price.", "number", unit="currency of the price list"),
    ),
)  # fmt: skip

_DIG_NAME: Final = Column("name", "Name of the earthwork.")
_DIG_STATUS: Final = Column("status", "As drawn; one without a status is proposed.")
_MOVED: Final = (
    number(
        "cut_m3",
        "volume",
        "Ground dug out; of a swale by the average of its sections.",
        label="Cut",
    ),
    number("fill_m3", "volume", "Ground filled in, as it lies.", label="Filled"),
    number("area_m2", "area", "Ground that is changed: to be seeded or covered again."),
    number(
        "deepest_m",
        "depth",
        "Greatest depth dug, or height filled.",
        label="Greatest depth or height",
    ),
)
_SAID: Final = (
    Column(
        "verdict",
        '"works", "to be settled" (something is asked, or wrong by the elevation '
        'data), "does not work", or "not judged" (it exists).',
        label="Judged",
        choices=("works", "to be settled", "does not work", "not judged"),
    ),
    *_XY,
)
_CROSSES: Final = Column(
    "crosses", "Pipes and utilities that it is dug over, with commas between.", label="Dug over"
)
_EARTHWORK_LINES: Final = Layer(
    "earthwork_lines",
    "Swales and berms as they are dug into the ground, and what swales carry.",
    ("line",),
    (
        _DIG_NAME,
        Column("kind", '"swale" or "berm".', choices=EARTHWORK_LINES),
        _DIG_STATUS,
        number("length_m", "length", "Length."),
        number("width_m", "length", "Width of a swale's bed, or of a berm's top.", label="Width"),
        number("side_slope", "ratio", "Run to rise of its sides.", label="Sides, run to rise"),
        Column("lining", "What a swale's bed is covered with."),
        number("level_up_m", "elevation", "Bed or top at the upper end; empty of one that exists.",
               label="Upper end at"),
        number("level_down_m", "elevation", "Bed or top at the lower end.", label="Lower end at"),
        number("depth_m", "depth", "Least depth of a swale's bed below its lower bank, where it "
               "has its depth."),
        number("fall", "slope", "Least fall of a swale's bed over 10 ft."),
        number("capacity_m3s", "flow", "What a swale carries to its lower bank, at its worst "
               "place.", label="Carries"),
        number("flow_m3s", "flow", "What reaches it in the design storm.", label="Reaches it"),
        number("freeboard_m", "depth", "Lower bank above that water, at its worst place."),
        number("standing_m", "depth", "Water that stays in a swale's bed.",
               label="Stands in it"),
        Column("leads_to", "What its lower end is said to lead to."),
        Column("goes_to", "Where its water goes by the ground.", label="Water goes to"),
        _CROSSES,
        *_MOVED,
        *_SAID,
    ),
)  # fmt: skip
_EARTHWORK_AREAS: Final = Layer(
    "earthwork_areas",
    "Ground that is regraded or filled, and rain gardens.",
    ("polygon",),
    (
        _DIG_NAME,
        Column("kind", '"regrade", "fill" or "rain garden".', choices=EARTHWORK_AREAS),
        _DIG_STATUS,
        number("share_met", "share", "Share of a regrade that falls away as asked.",
               label="Falls as asked"),
        number("holds_m3", "volume", "Water that a rain garden holds."),
        number("empties_h", "duration", "Time in which it soaks away; empty where its soil is not "
               "known."),
        number("building_m", "distance", "Distance from the nearest building.",
               label="From a building"),
        _CROSSES,
        *_MOVED,
        *_SAID,
    ),
)  # fmt: skip
_EARTHWORK_PROFILES: Final = Layer(
    "earthwork_profiles",
    "Ground and bed or top along each swale and berm that is dug, at steps of 25 cm at most.",
    ("point",),
    (
        Column("name", "Name of the swale or berm."),
        number("distance_m", "distance", "From its upper end."),
        number("ground_m", "elevation", "Ground before it is dug."),
        number("level_m", "elevation", "Bed of a swale or top of a berm when it is done."),
        number("water_m", "elevation", "Level of the water of the design storm; empty without "
               "rain, and where the bed does not fall.", label="Water of the design storm"),
        number("stands_m", "elevation", "Level of the water that stays in a swale's bed; empty "
               "where none does.", label="Water that stays"),
        Column("crosses", "Pipe or utility that it is dug over here.", label="Dug over"),
    ),
)  # fmt: skip

_STAKES: Final = Layer(
    "stakes",
    "Stakes to set out what is proposed, each by the tape from two corners of the house.",
    ("point",),
    (
        Column("id", "Number of the stake.", kind="whole", label="Stake"),
        Column("subject", "Inlet, outlet, drain line, swale or berm it is of.", label="Of"),
        Column("part", "Which place of it: kind of inlet or outlet, upper or lower end, bend.",
               label="Place"),
        number("distance_m", "length", "From the upper end of a line.", label="Along it"),
        number("ground_m", "elevation", "Ground of today.", label="Ground"),
        Column("level_of", "What is set there: invert, bed or top.", label="To be set"),
        number("level_m", "elevation", "Its level; where several pipes meet, the lowest.",
               label="Level"),
        Column("level_basis", "Where that comes from: given, proposed, or from the ground."),
        number("cut_m", "elevation", "Ground above that level; negative where it is filled.",
               label="Cut"),
        Column("corner_a", "First corner to tape from."),
        number("tie_a_m", "taped", "From that corner, level.", label="From A"),
        Column("corner_b", "Second corner."),
        number("tie_b_m", "taped", "From that corner, level.", label="From B"),
        number("between_m", "taped", "From the one corner to the other, as drawn; empty where a "
               "building stands between them.", label="A to B"),
        Column("side", "On which side of the line between the corners it lies."),
        position("corner_a_x", "Easting of the first corner."),
        position("corner_a_y", "Northing of the first corner."),
        position("corner_b_x", "Easting of the second corner."),
        position("corner_b_y", "Northing of the second corner."),
        Column("angle_deg", "At which the distances cross.", "number", unit="degrees",
               label="Angle"),
        *_XY,
    ),
)  # fmt: skip

#: In the order in which they are written.
GROUND_LAYERS: Final = (
    _EARTHWORK_LINES, _EARTHWORK_AREAS, _EARTHWORK_PROFILES, _OUTLET_OPTIONS, _FACADES,
    _SWALE_WAYS, _OPENINGS, _LEVELS_TO_TAKE, _STAKES,
)  # fmt: skip
