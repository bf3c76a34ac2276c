"""What a layer and a column are, and the values columns may hold."""

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
    "volume": (("m3", "ft3"), "m3"),
    "flow": (("lpm", "gpm"), "m3s"),
}

COVERS: Final = (
    "roof", "asphalt", "concrete", "pavers", "permeable pavers", "gravel", "lawn", "planting",
    "bare soil", "artificial turf", "water",
)  # fmt: skip
MATERIALS: Final = ("pvc", "hdpe smooth", "hdpe corrugated", "concrete", "clay", "cast iron")
STATUSES: Final = ("existing", "replaced", "proposed", "abandoned")
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


def number(name: str, unit: str, meaning: str) -> Column:
    """
    Make a column of numbers of a result.

    Parameters
    ----------
    name, unit, meaning
        As of `Column`.

    Examples
    --------
    >>> number("depth_m", "m", "Depth.").kind
    'number'
    """
    return Column(name, meaning, kind="number", unit=unit)


def bounds(name: str, unit: str, subject: str) -> tuple[Column, ...]:
    """
    Columns of an interval that realisations give.

    Parameters
    ----------
    name, unit
        Of the number; the share of the realisations is appended to its name.
    subject
        What is smaller in so many of them.

    Examples
    --------
    >>> [column.name for column in bounds("depth_m", "m", "depth")]
    ['depth_m_p05', 'depth_m_p50', 'depth_m_p95']
    """
    return tuple(
        number(f"{name}_p{share:02d}", unit, f"{share} % of realisations have a smaller "
                f"{subject}; empty where {'none' if share == 50 else 'fewer than 20'} were run.")
        for share in (5, 50, 95)
    )  # fmt: skip
