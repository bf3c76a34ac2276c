"""Result layers about where the runoff of storms stands, and what inlets take of it."""

from __future__ import annotations

from typing import Final

from lotflow.layers.columns import Column, Layer, number, position

_STORM: Final = number(
    "return_period_yr", "return_period", "Return period of the storm.", label="Storm"
)
_CASE: Final = Column(
    "scenario",
    '"open": every inlet works; "blocked:NAME": that one takes '
    'nothing; "blocked:all": none takes anything; "limited": those of limited '
    "capacity take no more than that.",
    label="When",
    key="case",
)
_LOW_SPOT: Final = Column("low_spot", "The low spot it stands in.", kind="whole")
_STANDS: Final = (
    number("level_m", "elevation", "Elevation of the water.", label="Water level"),
    number("depth_m", "depth", "Greatest depth."),
    number("area_m2", "area", "Area under water."),
    number("volume_m3", "volume", "Volume."),
    number("paved_m2", "area", "Of the area: over paving.", label="On paving"),
    number("off_lot_m2", "area", "Of the area: beyond the lot.", label="Off the lot"),
    Column("touches", "Buildings at whose wall it stands and openings at which it stands, "
           '"paving" and "ground beyond the lot", with semicolons between.',
           label="Stands at or on"),
    number("wall_depth_m", "depth", "Greatest depth over the cells that touch a wall of a "
           "building; 0 where none does.", label="Deep at the wall"),
    Column("building", "Building that the water comes closest to entering, within 10 ft: what it "
           "touches before what is near, given levels before others; empty where there is none."),
    Column("opening", "Its opening through which that would be; empty for its walls as a whole."),
    Column("threshold_basis", '"threshold" or "sill" as given; empty where neither is given.'),
    number("threshold_m", "elevation", "Elevation at which water enters there, as given."),
    number("freeboard_m", "depth", "That elevation less the level of the water where it touches, "
           "or is nearest in height; negative above it; empty where no elevation is given.",
           label="Below sill"),
    Column("reaches_building", "Whether water stands at a wall or opening as high as an "
           "elevation given for it; empty where it does not as far as the data go, but they do "
           "not close its basin or catchment.", kind="yes_no", label="Reaches the sill"),
    Column("not_closed", "Whether the data that were read end before the basin or the catchment "
           "of the low spot closes: level, depth, area and volume are at least what is given, "
           "the freeboard at most.", kind="yes_no"),
)  # fmt: skip
_SPILL: Final = (
    number(
        "overflow_m3",
        "volume",
        "What runs over out of it; 0 while it is not full.",
        label="Runs over",
    ),
    Column(
        "spills_to",
        "Inlet, low spot or other place that its overflow reaches first.",
        label="Runs over into",
    ),
    Column(
        "spills_onto",
        '"lot" or "beyond the lot": whose ground its overflow crosses.',
        label="Runs over onto",
    ),
)

_PONDS: Final = Layer(
    "ponds",
    "Water standing after each storm on the lot and near it, with every inlet open and with "
    "inlets blocked.",
    ("polygon",),
    (
        Column("id", "Number of the row.", kind="whole", label="No."),
        _STORM,
        _CASE,
        _LOW_SPOT,
        position("x", "Easting of the deepest point."),
        position("y", "Northing of the deepest point."),
        *_STANDS,
        *_SPILL,
        position("overflow_x", "Easting of the point over which it runs."),
        position("overflow_y", "Northing of that point."),
        number("soaks_away_h", "duration", "Time until it has soaked into the ground; empty "
               "where none of the ground under it takes water.", label="Gone after"),
        number("stays_m", "depth", "Depth that stays on sealed ground until it dries.",
               label="Stays on sealed ground"),
        Column("artefact", "Why the low spot may be no standing water at all; empty if nothing "
               "speaks against it.", label="May be none"),
    ),
)  # fmt: skip

_OVERFLOW_PATHS: Final = Layer(
    "overflow_paths",
    "Ways of the water that runs over out of ponds, drawn downhill to an inlet, the next low spot "
    "or the end of the data.",
    ("line",),
    (
        Column("id", "Number of the row.", kind="whole", label="No."),
        _CASE,
        _LOW_SPOT,
        number(
            "least_return_period_yr",
            "return_period",
            "Most frequent storm in which it runs over.",
            label="In a storm of",
        ),
        *_SPILL,
    ),
)

_POND_CASES: Final = Layer(
    "pond_cases",
    "Per storm and set of blocked inlets: where all water of the window is, how much of it stands "
    "higher than with every inlet open, cell by cell, and the water that matters most: with every "
    "inlet open the pond, otherwise the body of water that rises and reaches a building, else the "
    "one that rises most.",
    (),
    (
        _STORM,
        _CASE,
        number("runoff_m3", "volume", "Runoff of the whole window."),
        number("ponded_m3", "volume", "Standing, in all ponds of the window."),
        number("taken_m3", "volume", "Taken by inlets over the surface, less what comes up again."),
        number("connected_m3", "volume", "Roof water led into the drains by downspouts."),
        number("to_water_m3", "volume", "Left into open water."),
        number("to_gap_m3", "volume", "Lost from sight in gaps of the elevation data."),
        number("over_edge_m3", "volume", "Left over the edge of the elevation data."),
        number("residual_m3", "volume", "Runoff less all that; 0 but for rounding."),
        number(
            "raised_m2",
            "area",
            "Area on which water stands higher than with every inlet "
            "open, or where it was dry; 0 only where all depths are the same to 0.1 mm.",
        ),
        number("raised_m3", "volume", "What stands there more."),
        _LOW_SPOT,
        position(
            "x",
            "Easting of the point where it rises most; with every inlet open of its deepest point.",
        ),
        position("y", "Northing of that point."),
        number(
            "rise_m",
            "depth",
            "How much higher it stands there than with every inlet open; 0 where no water rises.",
            label="Rises",
        ),
        *_STANDS,
        *_SPILL,
    ),
)

_INLET_INTAKE: Final = Layer(
    "inlet_intake",
    "What each inlet takes of each storm over the surface with every inlet open; and in the other "
    "cases the inlets that take something else then: direct + overflow + from_inlets + backs_up = "
    "taken + refused + passed.",
    (),
    (
        _STORM,
        _CASE,
        Column("inlet", "Name of the inlet."),
        number("direct_m3", "volume", "Reaches it over open ground."),
        number(
            "overflow_m3", "volume", "Reaches it out of full ponds and culverts.", label="Runs over"
        ),
        number("from_inlets_m3", "volume", "What other inlets let pass to it."),
        number("backs_up_m3", "volume", "Comes up out of it for want of room in its line."),
        number("refused_m3", "volume", "What it cannot take as it comes, and its low spot holds."),
        number("passed_m3", "volume", "What it cannot take, and goes on."),
        number("taken_m3", "volume", "What it takes."),
    ),
)

_WALL_WATER: Final = Layer(
    "wall_water",
    "Every wall and opening that a pond touches; within 10 ft of it also openings, and buildings "
    "of which a threshold is given.",
    (),
    (
        _STORM,
        _CASE,
        Column("pond", "Row of the pond in its layer.", kind="whole"),
        _LOW_SPOT,
        Column("name", "Building or opening."),
        Column("kind", '"building" for any of its walls, or "opening".'),
        Column("is_own", "Whether it belongs to a building of the lot.",
               kind="yes_no", label="On the lot's building"),
        Column("at_wall", "Whether the water touches it.", kind="yes_no"),
        number("depth_m", "depth", "Greatest depth over the cells that touch it; 0 where none "
               "does."),
        number("level_m", "elevation", "Highest level of the water over those cells, else within "
               "reach.", label="Water level"),
        position("x", "Easting of the cell where it is so deep, or so high."),
        position("y", "Northing of that cell."),
        Column("threshold_basis", '"threshold" or "sill" as given; empty where neither is given.'),
        number("threshold_m", "elevation", "Elevation at which water enters, as given."),
        number("freeboard_m", "depth", "That elevation less the level of the water.",
               label="Below sill"),
        Column("is_reached", "Whether water touches it as high as the elevation given; empty "
               "where it does not as far as the data go, but they do not close its basin or "
               "catchment.", kind="yes_no", label="Reaches the sill"),
        Column("not_closed", "Whether the data that were read end before the basin or the "
               "catchment of the water closes: depth and level are at least what is given, the "
               "freeboard at most.", kind="yes_no"),
    ),
)  # fmt: skip

_WATER_PARTS: Final = Layer(
    "water_parts",
    "Where the water of a place comes from, counted cell by cell: of the lot, of inlets, of low "
    "spots without one, and of the lot's ground within 10 ft before walls as it runs without "
    "drains.",
    (),
    (
        Column("subject", "Inlet, facade, low spot, or the lot."),
        Column(
            "source",
            "What it comes from.",
            choices=("own yard", "roof", "eaves without a gutter", "neighbour"),
        ),
        Column(
            "name",
            "Downspout, building, or the crossing by which a neighbour's water first "
            "comes onto the lot; empty where it has none.",
        ),
        number(
            "area_m2",
            "area",
            "Area whose rain comes from there; what hollows on the way hold is not left out.",
        ),
        Column(
            "is_led_in",
            "Whether a drain leads it there, not the ground.",
            kind="yes_no",
            label="Led in by a drain",
        ),
        position("x", "Easting of the cell at which it comes onto the lot."),
        position("y", "Northing of that cell."),
    ),
)

_OBSERVATIONS: Final = Layer(
    "observations",
    "What was seen of standing water, held against what is predicted for the rain of that day "
    "with the drains as they are today.",
    ("point",),
    (
        Column("name", "Name of the observation."),
        position("x", "Easting; of an area of a place in it."),
        position("y", "Northing."),
        Column("is_area", "Whether it was drawn as an area.", kind="yes_no"),
        Column("seen_on", "Day on which it was seen.", key="date"),
        number("depth_m", "depth", "Depth that was seen; 0 where no water stood.",
               label="Depth seen"),
        number("stood_h", "duration", "How long it was seen to stand.", label="Stood for"),
        Column("note", "What else was seen."),
        Column("low_spot", "The low spot it belongs to; empty also where that is no more once all "
               "is dug that is proposed.", kind="whole"),
        Column("matched", "How it was matched with a low spot: a mark belongs to the nearest "
               "within 10 ft of it, not behind a building or wall.",
               choices=("in it", "beside it", "none near")),
        number("away_m", "length", "How far it lies from that.", label="Away"),
        Column("rain_basis", "What it is held against.",
               choices=("rain of the day", "design storms", "full low spots")),
        number("rain_mm", "rain_depth", "Rain of the day; empty where it is not known.",
               label="Rain"),
        Column("rain_date", "Day of that rain: of water that stood the wetter of its day and the "
               "day before."),
        number("return_period_yr", "return_period", "How often so much rain falls in 24 hours; "
               "empty outside the rainfall of the job, or without one.", label="Storm"),
        number("predicted_m", "depth", "Depth that is predicted with every inlet open; of several "
               "storms in the rarest.", label="Predicted"),
        number("predicted_least_m", "depth", "The same in the most frequent storm."),
        number("predicted_blocked_m", "depth", "The same with every inlet blocked.",
               label="With inlets blocked"),
        number("predicted_h", "duration", "Time until that has soaked away; empty where some stays "
               "on sealed ground, or none stands.", label="Gone after"),
        number("error_m", "depth", "95 % error of a predicted depth, by the stated accuracy of the "
               "data.", label="Error of depth"),
        Column("inlets", "Inlets of today near it or in its low spot, joined by commas."),
        Column("verdict", "What comes of it.", label="Compared",
               choices=("agrees", "seen, not predicted", "as with inlets blocked",
                        "deeper than predicted", "longer than predicted", "predicted, not seen",
                        "less than predicted", "cannot tell")),
    ),
)  # fmt: skip

#: Layers about standing water, in the order in which they are written.
WATER_LAYERS: Final[tuple[Layer, ...]] = (
    _PONDS, _OVERFLOW_PATHS, _POND_CASES, _WALL_WATER, _INLET_INTAKE, _WATER_PARTS,
    _OBSERVATIONS,
)  # fmt: skip
