"""The layers a site is described with."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from lotflow.layers.columns import (
    ALLOWED,
    CONSTRAINT_KINDS,
    COVERS,
    EARTHWORK_AREAS,
    EARTHWORK_LINES,
    EARTHWORK_STATUSES,
    INLET_KINDS,
    LINE_PARTS,
    LININGS,
    MATERIALS,
    OPENING_KINDS,
    ORIGINS,
    OUTLET_KINDS,
    SHOT_DATUMS,
    STATUSES,
    SURFACE_KINDS,
    USAGES,
    WANTED_KINDS,
    Column,
    DrawnTable,
    Geometry,
    Layer,
)


def _measured(
    name: str,
    quantity: str,
    meaning: str,
    *,
    low: float | None = None,
    high: float | None = None,
    label: str = "",
    required: bool = False,
) -> Column:
    return Column(name, meaning, "number", quantity, low=low, high=high, label=label,
                  required=required)  # fmt: skip


_NAME = Column("name", "Name shown in every result.", required=True, unique=True)
_LABEL = Column("name", "Name shown in the result.")
_STATUS = Column(
    "status",
    "Existing (stays; also where empty), replaced (goes when the proposed is built), proposed, "
    "abandoned (takes no water), or rejected (is not built, nor proposed again).",
    choices=STATUSES,
    default="existing",
)
_ORIGIN = Column("origin", "Who proposed the row: lotflow, or the user (also where empty).",
                 choices=ORIGINS)  # fmt: skip

_KEEP = Column("keep", "Whether a proposed row stays as it is when it is proposed again.", "yes_no")
_OPTION = Column("option_id", "Option of a proposal that the row belongs to.")
#: Columns that a proposal makes where it adds rows.
_OF_PROPOSALS: Final = (_ORIGIN, _KEEP, _OPTION)

_LOT = Layer("lot", "The lot: its boundary.", ("polygon",), (_LABEL,))
_BUILDINGS = Layer(
    "buildings",
    "Footprints; raised so that water flows round them, their roofs shed at the eaves.",
    ("polygon",),
    (_LABEL, _measured("threshold", "elevation", "Lowest door sill.")),
)
_COVERS = Layer(
    "covers",
    "What the ground is covered with; where polygons overlap, the later row counts.",
    ("polygon",),
    (
        Column("cover", "Kind of cover.", required=True, choices=COVERS),
        Column("runoff_coefficient", "Instead of the table's value.", "number", low=0, high=1),
        Column("curve_number", "Instead of the table's value.", "number", low=30, high=100),
    ),
)
_INLETS = Layer(
    "inlets",
    "Where water is taken in: a grate as point or polygon, a channel drain as line.",
    ("point", "line", "polygon"),
    (
        _NAME,
        Column("kind", "Kind of inlet.", choices=INLET_KINDS),
        _measured("grate_length", "diameter", "Length of the grate.", low=0.02, high=20),
        _measured("grate_width", "diameter", "Width of the grate.", low=0.02, high=3),
        Column("open_share", "Open share of the grate's area.", "number", low=0, high=1),
        _measured("opening_width", "diameter", "Width of the grate's widest opening.", low=0),
        Column("grates_removable", "Whether the grate can be taken out for cleaning.", "yes_no"),
        _measured("channel_depth", "diameter", "Inside depth of a channel drain.",
                  low=0.01, high=2),
        _measured("channel_width", "diameter", "Inside width of a channel drain.",
                  low=0.01, high=2),
        _measured("rim", "elevation", "Level of the grate's rim."),
        _measured(
            "rim_above_ground", "depth", "How far the rim stands above the ground beside it, "
            "as seen on site.", low=-1, high=2,
        ),
        Column("gutter_slope_pct", "Fall along the gutter or swale that leads water over the "
               "grate [%].", "number", low=0.05, high=30, label="Gutter fall [%]"),
        Column("cross_slope_pct", "Its cross slope [%].", "number", low=0.5, high=100,
               label="Cross slope [%]"),
        _measured("inflow", "flow", "Given inflow, such as a sump pump or an AC drain.", low=0),
        _STATUS,
        *_OF_PROPOSALS,
    ),
)  # fmt: skip
_DOWNSPOUTS = Layer(
    "downspouts",
    "Where roof water comes down.",
    ("point",),
    (
        _LABEL,
        Column("building", "Name of the building it drains."),
        _measured("roof_area", "area", "Roof area it drains, seen from above.", low=0),
        _measured("leader", "diameter", "Inside diameter of the leader.", low=0.02, high=0.5),
        Column(
            "leads_to",
            'Where it discharges: "surface", or the name of an inlet, node, outlet or line.',
            formerly="to",
        ),
        Column("replaces", 'Name of the downspout whose place it takes, or "downspout 4" of one '
               "without a name in row 4: that one is led to here, and what is empty of building, "
               "roof area and leader is as there."),
        _STATUS,
        *_OF_PROPOSALS,
    ),
)  # fmt: skip
_DRAIN_LINES = Layer(
    "drain_lines",
    "Pipes, drawn downstream.",
    ("line",),
    (
        _NAME,
        Column("from_node", "Name of the inlet or node at the upstream end.", formerly="from",
               label="From"),
        Column("to_node", "Name of the inlet, node or outlet at the downstream end.",
               formerly="to", label="To"),
        _measured("diameter", "diameter", "Inside diameter.", low=0.01, high=2,
                  label="Inside diameter"),
        _measured("diameter_down", "diameter", "Inside diameter at the downstream end, where it "
                  "differs.", low=0.01, high=2, label="Inside diameter, lower end"),
        _measured("size", "diameter", "Nominal size, looked up by material.", low=0.01, high=2,
                  label="Nominal size"),
        Column("material", "Material of the pipe.", choices=MATERIALS),
        _STATUS,
        _measured("invert_up", "elevation", "Invert at the upstream end.",
                  label="Invert, upper end"),
        _measured("invert_down", "elevation", "Invert at the downstream end.",
                  label="Invert, lower end"),
        _measured("invert_up_below_rim", "depth", "Depth of the upstream invert below the rim.",
                  low=0, high=10, label="Invert below rim, upper end"),
        _measured("invert_down_below_rim", "depth", "Depth of the downstream invert below the "
                  "rim.", low=0, high=10, label="Invert below rim, lower end"),
        Column("joint", "Kind of joint: glued, gasket, push, taped, none."),
        _measured("sediment", "diameter", "Depth of sediment in the pipe.", low=0, high=2),
        _measured("standing_water", "diameter", "Depth of water standing in the pipe.",
                  low=0, high=2),
        Column("test", "How it was tested: hose, dye, camera.", choices=("hose", "dye", "camera"),
               label="Tested with"),
        _measured("test_flow", "flow", "Flow put in during the test.", low=0),
        Column("test_seconds", "Time until the water arrived [s].", "number", low=0,
               label="Arrived after [s]"),
        Column("backed_up_seconds", "Where it did not arrive: time until it stood at the upper end "
               "[s].", "number", low=0, label="Backed up after [s]"),
        Column("evidence", "Whether the values are measured or assumed.",
               choices=("measured", "assumed")),
        *_OF_PROPOSALS,
    ),
)  # fmt: skip
_OUTLETS = Layer(
    "outlets",
    "Where drain lines end.",
    ("point",),
    (
        _NAME,
        Column("kind", "Kind of outlet.", choices=OUTLET_KINDS),
        Column("allowed", "Whether water may be led there: yes, no, or ask (also where empty).",
               choices=ALLOWED),
        _measured("invert", "elevation", "Invert, or the lip of an emitter."),
        _measured("diameter", "diameter", "Inside diameter of the outlet.", low=0.01, high=2),
        _measured("water_level", "elevation", "Highest water in what it runs into, such as a "
                  "sewer or ditch."),
        Column("gutter_slope_pct", "Fall along the gutter at a curb outlet [%].", "number",
               low=0.05, high=30, label="Gutter fall [%]"),
        Column("cross_slope_pct", "Cross slope of the street there [%].", "number",
               low=0.5, high=15, label="Cross slope [%]"),
        _measured("curb_height", "diameter", "Height of the curb.", low=0.02, high=0.5),
        _measured("gutter_flow", "flow", "What already runs in the gutter there in the design "
                  "storm.", low=0),
        _measured("storage", "volume", "Water that a dry well holds, between its stones.", low=0),
        _measured("soaking_area", "area", "Base through which a dry well soaks away.", low=0),
        _STATUS,
        *_OF_PROPOSALS,
    ),
)  # fmt: skip
_OPENINGS = Layer(
    "openings",
    "Where water could enter a building.",
    ("point",),
    (
        _LABEL,
        Column("kind", "Kind of opening.", choices=OPENING_KINDS),
        _measured("sill", "elevation", "Level at which water enters."),
    ),
)
_CONSTRAINTS = Layer(
    "constraints",
    "What a drain or its water must keep clear of.",
    ("point", "line", "polygon"),
    (_LABEL, Column("kind", "Kind of constraint.", required=True, choices=CONSTRAINT_KINDS)),
)
_CULVERTS = Layer(
    "culverts",
    "Pipes under roads and drives, drawn downstream: the upstream end takes water, which comes "
    "out at the downstream end.",
    ("line",),
    (_LABEL, _measured("diameter", "diameter", "Inside diameter.", low=0.01, high=3)),
)
_WALLS = Layer(
    "walls",
    "Walls, curbs and berms that the raster does not show.",
    ("line",),
    (_LABEL, _measured("height", "depth", "Height above the ground.", low=0, high=10)),
)
_SHOTS = Layer(
    "shots",
    "Levels measured on site, each at its place.",
    ("point",),
    (
        _NAME,
        _measured("level", "elevation", "Level of the point.", required=True),
        Column("surface_kind", "What the rod stood on. Sills, rims and inverts give their level to "
               "what the subject names; water marks are only compared.", required=True,
               choices=SURFACE_KINDS, formerly="on", label="Taken on"),
        Column("datum", "What the level is measured from: that of the elevation data, or the "
               "benchmark of the job's [levels]; empty for the benchmark where the job has one.",
               choices=SHOT_DATUMS),
        _measured("deviation", "diameter", "Standard deviation of the level; empty for 5 mm from a "
                  "benchmark or of level notes and 20 mm otherwise (satellite), on lawn and "
                  "planting with 10 mm more by their squares.", low=0.0005, high=1.0),
        _measured("placed_within", "depth", "How well its place is known; empty for 0.3 m.",
                  low=0, high=100),
        Column("line", "Name of the swale, curb or wall whose points it is one of."),
        Column("line_part", "Which part of that line.", choices=LINE_PARTS),
        Column("line_rank", "Order of the point along that part of the line.", "number"),
        _measured("line_depth", "diameter", "Depth of the line there: of a swale below its lip, "
                  "of a gutter below its curb.", low=0, high=5),
        Column("subject", "What is levelled: name of the opening, inlet, outlet or building, or "
               'of a line with its end, such as "Front line upper end".'),
        Column("taken_on", "When it was taken.", label="Taken", formerly="date"),
        Column("counts", "Whether it counts (yes), is only compared (check), or is left out (no).",
               choices=USAGES, default="yes", formerly="usage"),
    ),
)  # fmt: skip
_EARTHWORKS = Layer(
    "earthworks",
    "What is dug or filled. It changes the ground on which water runs, in the states of the lot "
    "that its status names.",
    ("line", "polygon"),
    (
        _NAME,
        Column("kind", "What is dug or filled: a swale or berm along a line, drawn downstream; a "
               "regrade beside a building, a fill or a rain garden over an area.",
               required=True, choices=(*EARTHWORK_LINES, *EARTHWORK_AREAS)),
        Column("status", "Proposed (also where empty: cut into the ground as proposed), as built "
               "(since the elevation data were taken: cut into the ground of today too), existing "
               "(the elevation data show it: judged, not cut again), abandoned or rejected "
               "(counts nowhere).", choices=EARTHWORK_STATUSES, default="proposed"),
        _measured("depth", "depth", "Swale: least depth of its bed below the ground. Rain garden: "
                  "depth of its bed below the lowest ground at its edge. Regrade or fill: greatest "
                  "thickness.", low=0, high=3),
        _measured("height", "depth", "Height of a berm above the ground.", low=0, high=3),
        _measured("width", "depth", "Width of a swale's bed, or of a berm's top.", low=0, high=20),
        Column("side_slope", "Run to rise of its sides: 3, also where empty, is three "
               "along for one up.", "number", low=0.5, high=20),
        Column("fall_pct", "Swale: least fall of its bed. Regrade: fall away from the wall. Fill: "
               "fall from its crown [%].", "number", low=0, high=33, label="Fall [%]"),
        _measured("level_up", "elevation", "Level of a swale's bed, or a berm's top, at the upper "
                  "end.", label="Level, upper end"),
        _measured("level_down", "elevation", "Level of it at the lower end.",
                  label="Level, lower end"),
        Column("lining", "What a swale is lined with.", choices=LININGS, default="grass"),
        Column("leads_to", 'Where the lower end of a swale leads: "surface" (it runs out on '
               "falling ground), or the name of an inlet, outlet, swale or rain garden. Of a berm: "
               "the swale that takes the water it holds."),
        _measured("soil_rate", "rain", "How fast water soaks into the bed of a rain garden.",
                  low=0, high=3e-4),
        *_OF_PROPOSALS,
    ),
)  # fmt: skip
_OBSERVATIONS = Layer(
    "observations",
    "Where water was seen standing, or none though one would expect it (depth 0): a point or an "
    "area.",
    ("point", "polygon"),
    (
        _LABEL,
        _measured("depth", "water_depth", "Greatest depth that was seen; 0 where none stood.",
                  low=0, high=3, label="Depth seen"),
        Column("hours", "How long it stood after the rain [h].", "number", low=0, high=2160,
               label="Stood for [h]"),
        Column("date", "Day on which it was seen, as 2026-05-03; the rain of that day is looked "
               "up.", "date", label="Seen on"),
        Column("note", "What else was seen."),
    ),
)  # fmt: skip
_ALLOWED_ENDS = Layer(
    "allowed_ends",
    "Stretches of the lot line at which drains may let water out.",
    ("line",),
    (
        _LABEL,
        Column("permitted_by", "Who permits it."),
        Column("until", "Until when, as 2026-05-03.", "date"),
    ),
)
_WANTED = Layer(
    "wanted",
    "Places that are to be dry first: a point or an area.",
    ("point", "polygon"),
    (_LABEL, Column("kind", "What is wished.", choices=WANTED_KINDS, default=WANTED_KINDS[0])),
)
_WATER = Layer("water", "Open water, or ground that always takes flow.", ("polygon",), (_LABEL,))

#: The layers a site is described with, in the order in which they are read.
SITE_LAYERS: Final[dict[str, Layer]] = {
    layer.name: layer
    for layer in (
        _LOT, _BUILDINGS, _COVERS, _INLETS, _DOWNSPOUTS, _DRAIN_LINES, _OUTLETS, _OPENINGS,
        _CONSTRAINTS, _CULVERTS, _WALLS, _EARTHWORKS, _WATER, _SHOTS, _OBSERVATIONS,
        _ALLOWED_ENDS, _WANTED,
    )
}  # fmt: skip


def _table(
    layer: Layer,
    title: str,
    *,
    name: str = "",
    meaning: str = "",
    geometry: Geometry | None = None,
    without: tuple[str, ...] = (),
    kinds: tuple[str, ...] = (),
    kind: str = "",
) -> DrawnTable:
    """
    Make a table of a layer: its columns but for some, kinds to choose from, the usual one.

    Whose a row is, `origin`, and whether it stays are no columns to draw: a proposal makes them
    where it adds rows.
    """
    columns = tuple(
        replace(column, choices=kinds, default=kind) if column.name == "kind" and kinds else column
        for column in layer.columns
        if column not in _OF_PROPOSALS and column.name not in without
    )
    return DrawnTable(
        name or layer.name, title, meaning or layer.meaning, layer,
        geometry or layer.geometries[0], columns,
    )  # fmt: skip


_CHANNEL: Final = ("channel_depth", "channel_width")

#: The tables to draw in, one geometry each, in the order in which their rows are read.
DRAWN_TABLES: Final[dict[str, DrawnTable]] = {
    table.name: table
    for table in (
        _table(_LOT, "Lot"),
        _table(_BUILDINGS, "Buildings"),
        _table(_COVERS, "Ground covers"),
        _table(_INLETS, "Inlets", meaning="Grates that take water in, each at its place.",
               geometry="point", without=_CHANNEL, kinds=("catch basin", "area drain")),
        _table(_INLETS, "Channel and French drains", name="inlet_lines",
               meaning="Drains that take water in along a line.", geometry="line",
               without=("grate_length", "gutter_slope_pct", "cross_slope_pct"),
               kinds=("channel drain", "french drain"), kind="channel drain"),
        replace(
            _table(_INLETS, "Inlets drawn as areas", name="inlet_areas",
                   meaning="Grates that are drawn with their outline.", geometry="polygon",
                   without=_CHANNEL, kinds=("catch basin", "area drain")),
            is_optional=True,
        ),
        _table(_DOWNSPOUTS, "Downspouts"),
        _table(_DRAIN_LINES, "Drain lines"),
        _table(_OUTLETS, "Outlets"),
        _table(_OPENINGS, "Doors and other openings"),
        _table(_CONSTRAINTS, "Keep clear of: points", name="constraint_points",
               meaning="Trees, wells and other points that a drain or its water must keep clear "
               "of.", geometry="point"),
        _table(_CONSTRAINTS, "Keep clear of: lines", name="constraint_lines",
               meaning="Utilities, street edges and other lines that a drain or its water must "
               "keep clear of.", geometry="line"),
        _table(_CONSTRAINTS, "Keep clear of: areas", name="constraint_areas",
               meaning="Streets, septic fields, easements and other areas that a drain or its "
               "water must keep clear of.", geometry="polygon"),
        _table(_CULVERTS, "Culverts"),
        _table(_WALLS, "Walls and curbs"),
        _table(_EARTHWORKS, "Swales and berms", name="earthwork_lines",
               meaning="Swales and berms, drawn downstream.", geometry="line",
               without=("soil_rate",), kinds=EARTHWORK_LINES, kind="swale"),
        _table(_EARTHWORKS, "Regraded and filled ground, rain gardens", name="earthwork_areas",
               meaning="Ground that is regraded or filled, and rain gardens.", geometry="polygon",
               without=("height", "width", "level_up", "level_down", "lining", "leads_to"),
               kinds=EARTHWORK_AREAS),
        _table(_WATER, "Open water"),
        _table(_SHOTS, "Levels measured on site"),
        _table(_OBSERVATIONS, "Water seen: places", name="observation_points",
               meaning="Where water was seen standing, at its deepest; or none, with a depth "
               "of 0.", geometry="point"),
        _table(_OBSERVATIONS, "Water seen: areas", name="observation_areas",
               meaning="Where water was seen standing, as far as it stood; or none, with a depth "
               "of 0.", geometry="polygon"),
        replace(_table(_ALLOWED_ENDS, "Where water may leave the lot"), is_optional=True),
        replace(
            _table(_WANTED, "To be dry first: places", name="wanted_points",
                   meaning="Places that are to be dry first.", geometry="point"),
            is_optional=True,
        ),
        replace(
            _table(_WANTED, "To be dry first: areas", name="wanted_areas",
                   meaning="Areas that are to be dry first.", geometry="polygon"),
            is_optional=True,
        ),
    )
}  # fmt: skip


def tables_of(layer: str) -> tuple[str, ...]:
    """
    Name the tables whose rows belong to a layer, the one that is called as it first.

    Examples
    --------
    >>> tables_of("constraints")
    ('constraints', 'constraint_points', 'constraint_lines', 'constraint_areas')
    """
    drawn = (table.name for table in DRAWN_TABLES.values() if table.layer.name == layer)
    return tuple(dict.fromkeys((layer, *drawn)))


def table_for(layer: str, geometry: Geometry | None) -> str:
    """
    Name the table of a layer in which a geometry is drawn; empty where the layer has none.

    Examples
    --------
    >>> table_for("inlets", "line"), table_for("walls", "point")
    ('inlet_lines', '')
    """
    found = (
        t.name for t in DRAWN_TABLES.values() if (t.layer.name, t.geometry) == (layer, geometry)
    )
    return next(found, "")
