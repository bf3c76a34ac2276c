"""
The only schema: the layers a site is described with, and those a result holds.

A measured column is declared once by its base name and quantity; it may be given in either
system (`diameter_mm` or `diameter_in`) and is carried in SI inside (`diameter_m`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Kind = Literal["text", "number", "whole", "yes_no"]
Geometry = Literal["point", "line", "polygon"]

#: Per quantity: the suffixes a column may carry, and the suffix it has inside (SI).
QUANTITIES: Final[dict[str, tuple[tuple[str, ...], str]]] = {
    "elevation": (("m", "ft"), "m"),
    "height": (("m", "ft"), "m"),
    "size": (("mm", "in"), "m"),
    "area": (("m2", "ft2"), "m2"),
    "flow": (("lpm", "gpm"), "m3s"),
}

COVERS: Final = (
    "roof", "asphalt", "concrete", "pavers", "permeable pavers", "gravel", "lawn", "planting",
    "bare soil", "artificial turf", "water",
)  # fmt: skip
MATERIALS: Final = ("pvc", "hdpe smooth", "hdpe corrugated", "concrete", "clay", "cast iron")
STATUSES: Final = ("existing", "proposed", "abandoned")
INLET_KINDS: Final = ("catch basin", "area drain", "channel drain", "french drain")
OUTLET_KINDS: Final = (
    "curb", "daylight", "pop-up emitter", "dry well", "swale", "public inlet", "storm sewer",
    "sanitary sewer", "pump", "not found",
)  # fmt: skip
OPENING_KINDS: Final = ("door", "garage", "window well", "vent", "AC pad")
CONSTRAINT_KINDS: Final = (
    "sidewalk", "street", "neighbour building", "septic", "well", "easement", "tree", "utility",
)  # fmt: skip


@dataclass(frozen=True)
class Column:
    """
    One column of a layer.

    Parameters
    ----------
    name
        Name in the file; of a measured column the base name, without the unit.
    meaning
        One sentence for the reader of the layer list.
    kind
        "text", "number", "whole" or "yes_no".
    quantity
        Key of `QUANTITIES` for a measured column; empty otherwise.
    unit
        Unit printed for a result's column; empty for input columns and plain values.
    required
        Whether every row must have a value.
    choices
        The values allowed, where the column is a choice.
    low, high
        Bounds of a number, in SI for a measured column; None where there is none.
    unique
        Whether no value may stand twice.
    """

    name: str
    meaning: str
    kind: Kind = "text"
    quantity: str = ""
    unit: str = ""
    required: bool = False
    choices: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    unique: bool = False

    @property
    def file_names(self) -> tuple[str, ...]:
        """Names the column may have in a file."""
        if not self.quantity:
            return (self.name,)
        return tuple(f"{self.name}_{suffix}" for suffix in QUANTITIES[self.quantity][0])

    @property
    def inside_name(self) -> str:
        """Name the column has inside lotflow, where it is SI."""
        return f"{self.name}_{QUANTITIES[self.quantity][1]}" if self.quantity else self.name


@dataclass(frozen=True)
class Layer:
    """
    One layer: its name, the geometries it may hold, its columns, and what it is for.

    Parameters
    ----------
    name, meaning
        Name in the file and one sentence for the reader.
    geometries
        Allowed geometry families; multi-part geometries count as their family. Empty for a
        table without geometry.
    columns
        The columns, in the order in which they are written.
    """

    name: str
    meaning: str
    geometries: tuple[Geometry, ...]
    columns: tuple[Column, ...] = ()

    def column(self, name: str) -> Column:
        """
        Find a column by its base name.

        Parameters
        ----------
        name
            Name as declared.
        """
        return next(column for column in self.columns if column.name == name)


def _measured(
    name: str,
    quantity: str,
    meaning: str,
    *,
    low: float | None = None,
    high: float | None = None,
) -> Column:
    return Column(name, meaning, kind="number", quantity=quantity, low=low, high=high)


_NAME = Column("name", "Name shown in every result.", required=True, unique=True)
_LABEL = Column("name", "Name shown in the result.")
_STATUS = Column("status", "Existing, proposed or abandoned.", choices=STATUSES)

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
        _measured("grate_length", "size", "Length of the grate.", low=0.02, high=20),
        _measured("grate_width", "size", "Width of the grate.", low=0.02, high=3),
        Column("open_share", "Open share of the grate's area.", "number", low=0, high=1),
        _measured("opening_width", "size", "Width of the grate's widest opening.", low=0),
        Column("grates_removable", "Whether the grate can be taken out for cleaning.", "yes_no"),
        _measured("channel_depth", "size", "Inside depth of a channel drain.", low=0.01, high=2),
        _measured("channel_width", "size", "Inside width of a channel drain.", low=0.01, high=2),
        _measured("rim", "elevation", "Level of the grate's rim."),
        _measured(
            "rim_above_ground", "height", "How far the rim stands above the ground beside it, "
            "as seen on site.", low=-1, high=2,
        ),
        _measured("inflow", "flow", "Given inflow, such as a sump pump or an AC drain.", low=0),
        _STATUS,
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
        _measured("leader", "size", "Inside diameter of the leader.", low=0.02, high=0.5),
        Column("to", 'Where it discharges: "surface" or the name of an inlet or node.'),
    ),
)
_DRAIN_LINES = Layer(
    "drain_lines",
    "Pipes, drawn downstream.",
    ("line",),
    (
        _NAME,
        Column("from", "Name of the inlet or node at the upstream end."),
        Column("to", "Name of the inlet, node or outlet at the downstream end."),
        _measured("diameter", "size", "Inside diameter.", low=0.01, high=2),
        _measured("diameter_down", "size", "Inside diameter at the downstream end, where it "
                  "differs.", low=0.01, high=2),
        _measured("size", "size", "Nominal size, looked up by material.", low=0.01, high=2),
        Column("material", "Material of the pipe.", choices=MATERIALS),
        _STATUS,
        _measured("invert_up", "elevation", "Invert at the upstream end."),
        _measured("invert_down", "elevation", "Invert at the downstream end."),
        _measured("invert_up_below_rim", "height", "Depth of the upstream invert below the rim.",
                  low=0, high=10),
        _measured("invert_down_below_rim", "height", "Depth of the downstream invert below the "
                  "rim.", low=0, high=10),
        Column("joint", "Kind of joint: glued, gasket, push, taped, none."),
        _measured("sediment", "size", "Depth of sediment in the pipe.", low=0, high=2),
        _measured("standing_water", "size", "Depth of water standing in the pipe.", low=0, high=2),
        Column("test", "How it was tested: hose, dye, camera.", choices=("hose", "dye", "camera")),
        _measured("test_flow", "flow", "Flow put in during the test.", low=0),
        Column("test_seconds", "Time until the water arrived [s].", "number", low=0),
        Column("evidence", "Whether the values are measured or assumed.",
               choices=("measured", "assumed")),
    ),
)  # fmt: skip
_OUTLETS = Layer(
    "outlets",
    "Where drain lines end.",
    ("point",),
    (
        _NAME,
        Column("kind", "Kind of outlet.", choices=OUTLET_KINDS),
        _measured("invert", "elevation", "Invert, or the lip of an emitter."),
        _measured("diameter", "size", "Inside diameter of the outlet.", low=0.01, high=2),
        _STATUS,
    ),
)
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
    (_LABEL, _measured("diameter", "size", "Inside diameter.", low=0.01, high=3)),
)
_WALLS = Layer(
    "walls",
    "Walls, curbs and berms that the raster does not show.",
    ("line",),
    (_LABEL, _measured("height", "height", "Height above the ground.", low=0, high=10)),
)
_WATER = Layer("water", "Open water, or ground that always takes flow.", ("polygon",), (_LABEL,))

#: The layers a site is described with, in the order in which they are read.
SITE_LAYERS: Final[dict[str, Layer]] = {
    layer.name: layer
    for layer in (
        _LOT, _BUILDINGS, _COVERS, _INLETS, _DOWNSPOUTS, _DRAIN_LINES, _OUTLETS, _OPENINGS,
        _CONSTRAINTS, _CULVERTS, _WALLS, _WATER,
    )
}  # fmt: skip


def _number(name: str, unit: str, meaning: str) -> Column:
    return Column(name, meaning, kind="number", unit=unit)


_ID = Column("id", "Number of the row, largest or deepest first.", kind="whole")
_XY = (
    _number("x", "unit of the CRS", "Easting."),
    _number("y", "unit of the CRS", "Northing."),
)

#: The layers of a result, in the order in which they are written.
RESULT_LAYERS: Final[dict[str, Layer]] = {
    layer.name: layer
    for layer in (
        Layer(
            "lot",
            "The lot as it was read.",
            ("polygon",),
            (_LABEL, _number("area_m2", "m2", "Area of the drawn boundary.")),
        ),
        Layer(
            "low_spots",
            "Where water can stand: whole depressions, all cells below their spill level.",
            ("polygon",),
            (
                _ID,
                *_XY,
                _number("depth_m", "m", "Greatest depth below the spill level."),
                _number("area_m2", "m2", "Area of all cells below the spill level."),
                _number("volume_m3", "m3", "Volume below the spill level."),
                _number("bed_elevation_m", "m", "Elevation of the deepest point."),
                _number("spill_elevation_m", "m", "Elevation at which it overflows."),
                _number("spill_x", "unit of the CRS", "Easting of the spill point."),
                _number("spill_y", "unit of the CRS", "Northing of the spill point."),
                _number("contributing_area_m2", "m2", "Area that drains to it."),
                _number("runoff_to_fill_mm", "mm", "Runoff depth from that area that fills it."),
                _number("on_lot_m2", "m2", "Its area within the lot."),
                _number("building_distance_m", "m", "Distance to the nearest building."),
                Column("inner_low_spots", "Number of low spots nested in it.", kind="whole"),
                Column("inlets", "Names of the inlets that drain it, joined by commas."),
                Column("artefact", "Why it may be no standing water at all; empty if nothing "
                       "speaks against it."),
                Column("cut_by_edge", "Whether its catchment is cut by the edge of the data.",
                       kind="yes_no"),
                _number("probability", "1", "Share of realisations in which it exists; empty "
                        "where none were run."),
            ),
        ),
        Layer(
            "inner_low_spots",
            "Low spots nested in a larger one, up to the sill at which they join.",
            ("point",),
            (
                _ID,
                Column("low_spot", "The low spot they lie in.", kind="whole"),
                *_XY,
                _number("depth_m", "m", "Greatest depth below the sill."),
                _number("volume_m3", "m3", "Volume below the sill."),
                _number("bed_elevation_m", "m", "Elevation of the deepest point."),
                _number("sill_elevation_m", "m", "Elevation at which it joins its neighbour."),
            ),
        ),
        Layer(
            "spill_points",
            "Where low spots overflow.",
            ("point",),
            (
                _ID,
                _number("spill_elevation_m", "m", "Elevation at which the low spot overflows."),
            ),
        ),
        Layer(
            "flow_paths",
            "Where water runs, drawn downhill from confluence to confluence.",
            ("line",),
            (
                _ID,
                _number("area_m2", "m2", "Contributing area at the lower end."),
                _number("length_m", "m", "Length."),
                _number("fall_m", "m", "Fall of the filled surface from end to end."),
                _number("slope", "1", "Fall divided by length."),
                Column("order", "Strahler order.", kind="whole"),
                _number("ponded_share", "1", "Share of it that crosses filled ground, where the "
                        "course is uncertain."),
            ),
        ),
        Layer(
            "lot_line_crossings",
            "Where water comes onto the lot and leaves it.",
            ("point",),
            (
                _ID,
                Column("direction", '"on" or "off" the lot.'),
                _number("area_m2", "m2", "Contributing area of the flow that crosses there."),
                _number("elevation_m", "m", "Ground elevation."),
            ),
        ),
        Layer(
            "inlets",
            "The inlets where they were set, and what they take.",
            ("point", "line", "polygon"),
            (
                Column("name", "Name."),
                Column("kind", "Kind of inlet."),
                *_XY,
                _number("moved_m", "m", "How far it was moved to where the water runs."),
                _number("ground_elevation_m", "m", "Ground elevation at the inlet."),
                _number("rim_elevation_m", "m", "Level at which it takes water."),
                _number("catchment_m2", "m2", "Ground and shed roofs that drain to it over the "
                        "surface."),
                _number("catchment_before_move_m2", "m2", "The same where it was drawn."),
                _number("roof_connected_m2", "m2", "Roof area led to it by downspouts."),
                _number("on_lot_m2", "m2", "Part of the catchment on the lot."),
                _number("off_lot_m2", "m2", "Part of the catchment off the lot."),
                Column("cut_by_edge", "Whether the catchment is cut by the edge of the data: at "
                       "least this much.", kind="yes_no"),
                _number("residual_depth_m", "m", "Depth that stays standing because the rim is "
                        "above the low point."),
                _number("runoff_coefficient", "1", "Composite runoff coefficient."),
                _number("flow_m3s", "m3/s", "Rational flow for the stated intensity; empty "
                        "without one."),
                _number("flow_per_10mm_h_m3s", "m3/s", "Rational flow for 10 mm/h."),
            ),
        ),
        Layer(
            "catchments",
            "The catchment of each inlet, outlines simplified without gaps; area from cells.",
            ("polygon",),
            (
                Column("name", "Name of the inlet."),
                _number("area_m2", "m2", "Area, from cells."),
                Column("cut_by_edge", "Whether it is cut by the edge of the data.",
                       kind="yes_no"),
            ),
        ),
        Layer(
            "catchment_cells",
            "The same catchments as exact cells.",
            ("polygon",),
            (
                Column("name", "Name of the inlet."),
                _number("area_m2", "m2", "Area, from cells."),
            ),
        ),
        Layer(
            "buildings",
            "Footprints as they were read.",
            ("polygon",),
            (_LABEL,),
        ),
        Layer(
            "runoff",
            "Runoff per inlet and storm.",
            (),
            (
                Column("subject", "Name of the inlet."),
                _number("return_period_yr", "yr", "Return period; empty for a stated "
                        "intensity."),
                Column("method", '"rational" or "nrcs".'),
                _number("area_m2", "m2", "Area."),
                _number("runoff_coefficient", "1", "Runoff coefficient with frequency factor."),
                _number("time_of_concentration_min", "min", "Time of concentration."),
                _number("intensity_mm_h", "mm/h", "Rainfall intensity."),
                _number("flow_m3s", "m3/s", "Peak flow."),
                _number("volume_m3", "m3", "Runoff volume."),
            ),
        ),
        Layer(
            "findings",
            "What the checks found.",
            (),
            (
                Column("rule", "Identifier of the rule."),
                Column("severity", '"fail", "warn" or "note".'),
                Column("subject", "What it is about."),
                Column("message", "What was found and what to do."),
                _number("measured", "see unit", "What was measured."),
                _number("limit", "see unit", "The limit."),
                Column("unit", "Unit of both."),
                Column("source", "Where the limit comes from."),
                _number("x", "unit of the CRS", "Easting, where it has a place."),
                _number("y", "unit of the CRS", "Northing, where it has a place."),
            ),
        ),
    )
}  # fmt: skip
