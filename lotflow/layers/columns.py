"""What a layer and a column are, and the values columns may hold."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal

from lotflow.units import (
    CARRIED,
    MILLIMETRES_PER_INCH,
    SHOWN,
    in_spreadsheet,
    shown,
    shown_open,
    to_si,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lotflow.units import UnitSystem

Kind = Literal["text", "number", "whole", "yes_no", "date"]
Geometry = Literal["point", "line", "polygon"]

#: Of a measured column of a site, per quantity as a report shows it: the suffixes it may carry in a
#: file, and the suffix it has inside (SI).
QUANTITIES: Final[dict[str, tuple[tuple[str, ...], str]]] = {
    "elevation": (("m", "ft"), "m"),
    "depth": (("m", "ft"), "m"),
    "water_depth": (("m", "in"), "m"),
    "diameter": (("mm", "in"), "m"),
    "area": (("m2", "ft2"), "m2"),
    "volume": (("m3", "ft3"), "m3"),
    "flow": (("lpm", "gpm"), "m3s"),
    "rain": (("mm_h", "in_h"), "m_s"),
}
#: Units of a result's columns, as the list of layers prints them.
_PRINTED: Final = {"m3s": "m3/s", "m_s": "m/s", "mm_h": "mm/h"}
#: The unit at the end of a name, before the share of the realisations.
UNIT_SUFFIX: Final = re.compile(r"_(m_per_m|mm_h|m3s|m3|m2|mm|min|yr|m|h|s)(?=$|_p\d\d$)")

#: What a flow per unit of rain has in its name.
_PER_10_MM: Final = "_per_10mm_h_"

COVERS: Final = (
    "roof", "asphalt", "concrete", "pavers", "permeable pavers", "gravel", "lawn", "planting",
    "bare soil", "artificial turf", "water",
)  # fmt: skip
MATERIALS: Final = ("pvc", "hdpe smooth", "hdpe corrugated", "concrete", "clay", "cast iron")
#: Who proposed a row.
ORIGINS: Final = ("user", "lotflow")
STATUSES: Final = ("existing", "replaced", "proposed", "abandoned", "rejected")
INLET_KINDS: Final = ("catch basin", "area drain", "channel drain", "french drain")
OUTLET_KINDS: Final = (
    "curb", "daylight", "pop-up emitter", "dry well", "swale", "public inlet", "storm sewer",
    "sanitary sewer", "pump", "not found",
)  # fmt: skip
OPENING_KINDS: Final = ("door", "garage", "window well", "vent", "AC pad")
#: Dug or filled along a line, and over an area.
EARTHWORK_LINES: Final = ("swale", "berm")
EARTHWORK_AREAS: Final = ("regrade", "fill", "rain garden")
EARTHWORK_STATUSES: Final = ("existing", "proposed", "as built", "abandoned", "rejected")
#: What is wished of a place.
WANTED_KINDS: Final = ("dry here",)
#: Whether an outlet may be used.
ALLOWED: Final = ("yes", "no", "ask")
LININGS: Final = ("grass", "bare soil", "stone", "concrete")
CONSTRAINT_KINDS: Final = (
    "sidewalk", "street", "neighbour building", "septic", "well", "easement", "tree", "utility",
    "keep out",
)  # fmt: skip
#: What the rod stood on when a level was taken.
SURFACE_KINDS: Final = (
    "hard", "lawn", "planting", "gutter", "curb top", "rim", "sill", "invert", "water mark",
    "benchmark",
)  # fmt: skip
#: Of these the level is that of the ground, which elevation data can be held against.
GROUND_KINDS: Final = ("hard", "lawn", "planting", "gutter", "curb top", "rim")
#: Reference of a level that was measured: that of the raster, or a benchmark of the site's own.
SHOT_DATUMS: Final = ("raster", "benchmark")
LINE_PARTS: Final = ("bed", "lip", "curb top", "flow line")
#: Whether a measured level counts, is only compared, or is left out.
USAGES: Final = ("yes", "check", "no")
#: Where a level comes from that a result shows.
LEVEL_SOURCES: Final = ("levelled", "drawn", "public data")


@dataclass(frozen=True)
class Column:
    """
    One column of a layer: all that a page, a table or a list of layers says of it.

    Parameters
    ----------
    name
        Name in the file; of a measured column of a site the base name, without the unit.
    meaning
        One sentence for the reader of the layer list.
    kind
        "text", "number", "whole", "yes_no" or "date", which is text as 2026-05-03.
    quantity
        Key of `units.SHOWN`: how its numbers are shown everywhere. Of a site's column also key of
        `QUANTITIES`. Empty for text, and for numbers that are no measures.
    unit
        Unit of a result's column; empty for columns of a site, which have a unit in the file.
    label
        Heading in trade words; without one it is the name.
    required
        Whether every row must have a value.
    choices
        The values allowed, where the column is a choice.
    low, high
        Bounds of a number, in SI for a measured column; None where there is none.
    unique
        Whether no value may stand twice.
    key
        Name in `summary.json`; that of the column where none is given. A column bears no word
        that SQL reserves, which a filter of a viewer would stumble over.
    formerly
        Another name that is read too: that of earlier versions, or the short one that crews write;
        empty for none.
    default
        What a new row to draw holds: the value an empty cell is taken for.
    """

    name: str
    meaning: str
    kind: Kind = "text"
    quantity: str = ""
    unit: str = ""
    label: str = ""
    required: bool = False
    choices: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    unique: bool = False
    key: str = ""
    formerly: str = ""
    default: str = ""

    def __post_init__(self) -> None:
        """Make a heading, and the key of the summary, of the name where none is given."""
        if not self.key:
            object.__setattr__(self, "key", self.name)
        if not self.label:
            words = UNIT_SUFFIX.sub("", self.name).replace("_", " ")
            object.__setattr__(self, "label", words[:1].upper() + words[1:])

    @property
    def title(self) -> str:
        """Heading with the unit that a result's column has in the file."""
        return f"{self.label} [{self.unit}]" if self.unit else self.label

    @property
    def is_measured(self) -> bool:
        """Whether it is a column of a site that has its unit in the file."""
        return bool(self.quantity) and not self.unit

    @property
    def file_names(self) -> tuple[str, ...]:
        """Names the column may have in a file."""
        if not self.is_measured:
            return (self.name,)
        return tuple(f"{self.name}_{suffix}" for suffix in QUANTITIES[self.quantity][0])

    def drawn_name(self, units: UnitSystem) -> str:
        """Name of a site's column to draw in: of its units the first is metric, the second US."""
        return self.file_names[0 if units == "metric" or not self.is_measured else 1]

    @property
    def inside_name(self) -> str:
        """Name the column has inside lotflow, where it is SI."""
        return f"{self.name}_{QUANTITIES[self.quantity][1]}" if self.is_measured else self.name

    @property
    def shown_as(self) -> str:
        """The quantity; of a column that is none the kind of its values."""
        return self.quantity or self.kind

    def shown(self, value: Any, system: UnitSystem) -> str:
        """
        Show a value of the column as every report does; None and NaN as a dash.

        Examples
        --------
        >>> number("depth_m", "depth", "Depth.").shown(0.1524, "us")
        '6.0 in'
        >>> number("soaks_away_h", "duration", "Time.").shown(36.2, "us")
        '36 h'
        """
        if value is None or not self.quantity:
            return "-" if value is None else str(value)
        si = value if self.is_measured else to_si(value, CARRIED[self.quantity])
        return shown(si, self.quantity, system)

    def heading(self, system: UnitSystem) -> str:
        """
        Give the name of the column in a table for spreadsheets: with the unit of the report.

        Examples
        --------
        >>> number("depth_m_p05", "depth", "Depth.").heading("us")
        'depth_in_p05'
        >>> column = number("flow_per_10mm_h_m3s", "flow", "Flow.")
        >>> column.heading("metric"), column.heading("us")
        ('flow_per_10mm_h_l_s', 'flow_per_1in_h_gpm')
        """
        if not self.quantity:
            return self.name
        unit = SHOWN[self.quantity][system][0]
        if unit in ("1", "%"):  # a share stays a share: the column says no unit
            return self.name
        named = UNIT_SUFFIX.sub(f"_{unit}", self.name)
        return named.replace(_PER_10_MM, "_per_1in_h_") if system == "us" else named

    def in_spreadsheet(self, value: Any, system: UnitSystem) -> Any:
        """
        Give a value of the column for a spreadsheet: a number in the unit of its heading.

        Examples
        --------
        >>> number("depth_m", "depth", "Depth.").in_spreadsheet(0.1524, "us")
        6.0
        """
        if value is None or not self.quantity or SHOWN[self.quantity][system][0] in ("1", "%"):
            return value
        if system == "us" and _PER_10_MM in self.name:
            value = value * MILLIMETRES_PER_INCH / 10.0
        return in_spreadsheet(to_si(value, CARRIED[self.quantity]), self.quantity, system)


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
    title
        In plain words, for the list of layers of a viewer; without one it is the name.
    """

    name: str
    meaning: str
    geometries: tuple[Geometry, ...]
    columns: tuple[Column, ...] = ()
    title: str = ""

    def __post_init__(self) -> None:
        """Make a title of the name where none is given."""
        if not self.title:
            words = self.name.replace("_", " ")
            object.__setattr__(self, "title", words[:1].upper() + words[1:])

    def column(self, name: str) -> Column:
        """Find a column by its base name."""
        return next(column for column in self.columns if column.name == name)

    @property
    def titles(self) -> dict[str, str]:
        """Headings of all columns with their units, by name."""
        return {column.name: column.title for column in self.columns}

    def labels(self, *names: str) -> tuple[str, ...]:
        """Headings of columns."""
        return tuple(self.column(name).label for name in names)

    def shown(self, row: Mapping[str, Any], name: str, system: UnitSystem) -> str:
        """
        Show a value of a row: an entry of the summary, or a row of a layer of the site in SI.

        Parameters
        ----------
        row
            With the column under the name that it has inside.
        name
            Base name of the column.
        """
        column = self.column(name)
        return column.shown(row[column.inside_name], system)

    def shown_open(self, row: Mapping[str, Any], name: str, system: UnitSystem) -> str:
        """Show a value of a row, or the range of its bounds where the data leave it open."""
        low, high = row.get(f"{name}_p05"), row.get(f"{name}_p95")
        return shown_open(row[name], low, high, self.column(name).quantity, system)


@dataclass(frozen=True)
class DrawnTable:
    """
    One table of a file to draw in: rows of a layer that have one kind of geometry.

    Parameters
    ----------
    name
        In the file.
    title
        In plain words, for the list of layers of a viewer.
    meaning
        One sentence for who draws.
    layer
        The layer its rows belong to.
    geometry
        Of every row.
    columns
        Those of the layer that mean something for this geometry.
    is_optional
        Whether it is made only where there are rows for it.
    """

    name: str
    title: str
    meaning: str
    layer: Layer
    geometry: Geometry
    columns: tuple[Column, ...]
    is_optional: bool = False

    @property
    def schema(self) -> Layer:
        """
        The layer that its rows are read as.

        The table that is called as its layer may hold every geometry of it, as earlier versions
        and other programs write it.
        """
        if self.name == self.layer.name:
            return self.layer
        return replace(self.layer, geometries=(self.geometry,))


def number(name: str, quantity: str, meaning: str, *, label: str = "", unit: str = "") -> Column:
    """
    Make a column of numbers of a result; the quantity tells its unit where none is given.

    Examples
    --------
    >>> column = number("flow_per_10mm_h_m3s", "flow", "Rational flow for 10 mm/h.")
    >>> column.unit, column.label
    ('m3/s', 'Flow per 10mm h')
    """
    carried = unit or CARRIED[quantity]
    return Column(name, meaning, "number", quantity, _PRINTED.get(carried, carried), label)


def position(name: str, meaning: str) -> Column:
    """Make a column of eastings ("x" at the end of its name) or northings."""
    words = "Easting" if name.endswith("x") else "Northing"
    words += "" if len(name) == 1 else f" ({name[:-2].replace('_', ' ')})"
    return Column(name, meaning, "number", unit="unit of the CRS", label=words)


def bounds(name: str, quantity: str, subject: str) -> tuple[Column, ...]:
    """
    Columns of an interval that realisations give: in so many of them the subject is smaller.

    Examples
    --------
    >>> [column.name for column in bounds("depth_m", "depth", "depth")]
    ['depth_m_p05', 'depth_m_p50', 'depth_m_p95']
    """
    return tuple(
        number(f"{name}_p{share:02d}", quantity, f"{share} % of realisations have a smaller "
                f"{subject}; empty where {'none' if share == 50 else 'fewer than 20'} were run.")
        for share in (5, 50, 95)
    )  # fmt: skip


def level_from(name: str, what: str, label: str = "") -> Column:
    """Make a column that says where a level of a result comes from."""
    return Column(
        name, f"Where {what} comes from: levelled on site, drawn, or the public elevation data; "
        "empty where it is not known, or only proposed.", label=label or "Level from",
        choices=LEVEL_SOURCES,
    )  # fmt: skip
