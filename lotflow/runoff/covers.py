"""What covers each cell, and what the runoff methods need to know of it, with the sources."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lotflow.errors import Fault, InputError, ParameterError
from lotflow.grid import BoolArray, FloatArray
from lotflow.runoff.limits import CURVE_NUMBER_RANGE, within
from lotflow.tables import read_table
from lotflow.tables.runoff import Cover, CurveNumbers, Roughness, cover_keys
from lotflow.terrain.cells import polygon_cells
from lotflow.text import did_you_mean, one_of

if TYPE_CHECKING:
    from lotflow.grid import Grid, IntArray

SoilGroup = Literal["A", "B", "C", "D"]
Condition = Literal["good", "fair", "poor"]
#: Share of a limit between classes of slope within which the coefficient passes from one class to
#: the next: lotflow's rule. Slopes are not known so well that C may jump by a quarter at 2 %.
_PASSAGE: Final = 0.25


@dataclass(frozen=True, eq=False)
class CoverValues:
    """What the methods need of each cover, with the table rows it was taken from."""

    #: Shape (n,), C without frequency factor [-].
    runoff_coefficient: FloatArray
    #: Shape (n,) [-].
    curve_number: FloatArray
    #: Shape (n,), Manning n of sheet flow [s/m^(1/3)].
    roughness: FloatArray
    #: Shape (n,), whether shallow concentrated flow is on pavement.
    paved: BoolArray
    #: Shape (n,), "none", "soil" or "compacted soil".
    infiltration: NDArray[np.str_]
    #: Rows of the tables, one per cover: range and source of each value.
    covers: tuple[Cover, ...]
    curve_numbers: tuple[CurveNumbers, ...]
    roughnesses: tuple[Roughness, ...]


def cover_values(
    keys: Sequence[str],
    soil_group: SoilGroup = "C",
    slope: ArrayLike = 0.05,
    *,
    condition: Condition = "good",
) -> CoverValues:
    """
    Look up what the tables say about covers.

    Parameters
    ----------
    keys
        Keys of the cover table, n of them.
    soil_group
        Hydrologic soil group of the site; A and B count as sandy, C and D as heavy soil.
    slope
        Ground slope, one number or shape (n,); it decides between the classes flat (up to
        2 %), average (up to 7 %) and steep of a lawn [m/m]. Within a quarter of a limit on both
        sides (1.5 to 2.5 %, 5.25 to 8.75 %) C lies between those of the two classes, in
        proportion: lotflow's rule, so that C never jumps.
    condition
        Grass cover of lawn and planting: on more than 75, 50-75 or less than 50 % of the ground.

    Returns
    -------
    values
        Defaults of each cover.

    Raises
    ------
    InputError
        If covers are unknown; all of them at once, with what may have been meant.
    ParameterError
        If soil group or condition is unknown, or a slope negative.

    References
    ----------
    FHWA HEC-22, Urban Drainage Design Manual, 3rd edition (2009), Tables 3-1, 3-2 and 3-6;
    each row of the packaged tables names its own source.

    Examples
    --------
    >>> values = cover_values(["roof", "lawn", "lawn"], "C", [0.0, 0.03, 0.01])
    >>> values.runoff_coefficient.tolist(), values.curve_number.tolist()
    ([0.9, 0.2, 0.15], [98.0, 74.0, 74.0])
    >>> cover_values(["lawn"] * 3, "C", [0.015, 0.02, 0.025]).runoff_coefficient.round(3).tolist()
    [0.15, 0.175, 0.2]
    """
    _require_known(keys, soil_group, condition)
    slopes = np.broadcast_to(within("slope", slope, 0.0, unit="m/m"), len(keys))
    rows = read_table("covers", Cover)
    covers = tuple(
        _cover([row for row in rows if row.cover == key and soil_group in row.soil_groups], steep)
        for key, steep in zip(keys, slopes.tolist(), strict=True)
    )
    numbers = {
        (row.surface, row.condition): row for row in read_table("curve_numbers", CurveNumbers)
    }
    rough = {row.surface: row for row in read_table("sheet_flow_roughness", Roughness)}
    curve_rows = tuple(
        numbers.get((row.curve_numbers, condition)) or numbers[row.curve_numbers, ""]
        for row in covers
    )
    rough_rows = tuple(rough[row.roughness] for row in covers)
    return CoverValues(
        np.array([row.coefficient_default for row in covers]),
        np.array([row.of_group(soil_group) for row in curve_rows]),
        np.array([row.roughness for row in rough_rows]),
        np.array([row.paved for row in covers], dtype=bool),
        np.array([row.infiltration for row in covers], dtype=np.str_),
        covers,
        curve_rows,
        rough_rows,
    )


def with_given_values(
    values: CoverValues, runoff_coefficient: ArrayLike, curve_number: ArrayLike
) -> CoverValues:
    """
    Put the user's own values in the place of the tables'.

    NaN keeps the table's value. Every coefficient outside 0 to 1 and curve number outside 30 to 100
    is a fault.

    Examples
    --------
    >>> values = cover_values(["lawn", "gravel"])
    >>> with_given_values(values, [np.nan, 0.5], [np.nan, np.nan]).runoff_coefficient.tolist()
    [0.2, 0.5]
    """
    coefficients = np.asarray(runoff_coefficient, dtype=np.float64)
    numbers = np.asarray(curve_number, dtype=np.float64)
    faults = [
        Fault(
            f"must lie between {low:g} and {high:g}",
            "Leave it empty to take the table's value",
            layer="covers",
            row=int(i) + 1,
            column=column,
            value=float(given[i]),
        )
        for column, given, (low, high) in (
            ("runoff_coefficient", coefficients, (0.0, 1.0)),
            ("curve_number", numbers, CURVE_NUMBER_RANGE),
        )
        for i in np.flatnonzero((given < low) | (given > high))
    ]
    if faults:
        raise InputError(faults)
    return replace(
        values,
        runoff_coefficient=np.where(
            np.isnan(coefficients), values.runoff_coefficient, coefficients
        ),
        curve_number=np.where(np.isnan(numbers), values.curve_number, numbers),
    )


def _cover(classes: Sequence[Cover], slope: float) -> Cover:
    """Row of the class of a slope; near the limit of two classes a row between them."""
    for flat, steep in pairwise(classes):
        if flat.slope_to is None:
            break
        share = (slope / flat.slope_to - (1.0 - _PASSAGE)) / (2.0 * _PASSAGE)
        if share < 1.0 - 1e-12:
            return flat if share <= 0 else _between(flat, steep, share)
    return classes[-1]


def _between(flat: Cover, steep: Cover, share: float) -> Cover:
    """A row between those of two classes, which names both."""
    low, high, default = (
        getattr(flat, name) + share * (getattr(steep, name) - getattr(flat, name))
        for name in ("coefficient_low", "coefficient_high", "coefficient_default")
    )
    return replace(
        steep, coefficient_low=low, coefficient_high=high, coefficient_default=default,
        source=f"{flat.source}; {share:.0%} of the way to {steep.source.rpartition(': ')[2]}",
    )  # fmt: skip


def _require_known(keys: Sequence[str], soil_group: str, condition: str) -> None:
    """Refuse unknown covers, soil groups and conditions, and suggest what was meant."""
    known = cover_keys()
    faults = [
        Fault(
            "there is no such cover",
            did_you_mean(str(key), known),
            layer="covers",
            row=row,
            column="cover",
            value=key,
        )
        for row, key in enumerate(keys, 1)
        if key not in known
    ]
    if faults:
        raise InputError(faults)
    for name, value, choices in (
        ("soil group", soil_group, get_args(SoilGroup)),
        ("condition", condition, get_args(Condition)),
    ):
        if value not in choices:
            raise ParameterError(f"{name} must be {one_of(choices)}, not {value!r}.")


@dataclass(frozen=True)
class DrawnCover:
    """
    A cover polygon as the user drew it.

    Parameters
    ----------
    key
        Key of the cover table.
    geometry
        Polygon in the grid's CRS.
    coefficient, curve_number
        Instead of the table's; NaN where not given [-].
    """

    key: str
    geometry: Any
    coefficient: float = np.nan
    curve_number: float = np.nan

    @property
    def kind(self) -> tuple[str, float | None, float | None]:
        """What makes it another kind of ground than a polygon beside it."""
        given = (self.coefficient, self.curve_number)
        c, cn = (None if np.isnan(value) else value for value in given)
        return self.key, c, cn


@dataclass(frozen=True, eq=False)
class GroundCover:
    """
    The cover of every cell.

    Parameters
    ----------
    keys
        Cover of each kind of ground that occurs: of one cover there is a kind for each
        coefficient and curve number given by hand. The first is that of ground without a polygon.
    values
        What the methods need of each kind, with the rows of the tables.
    given
        Whether coefficient or curve number of a kind were given by hand.
    number
        Shape of the grid: index into `keys`.
    drawn
        Cells that have a cover polygon, a roof or open water.
    """

    keys: tuple[str, ...]
    values: CoverValues
    given: tuple[bool, ...]
    number: IntArray
    drawn: BoolArray

    @cached_property
    def coefficient(self) -> FloatArray:
        """Shape of the grid: runoff coefficient without frequency factor [-]."""
        return self.values.runoff_coefficient[self.number]

    @cached_property
    def curve_number(self) -> FloatArray:
        """Shape of the grid: curve number [-]."""
        return self.values.curve_number[self.number]

    @cached_property
    def roughness(self) -> FloatArray:
        """Shape of the grid: Manning n of sheet flow [s/m^(1/3)]."""
        return self.values.roughness[self.number]

    @cached_property
    def paved(self) -> BoolArray:
        """Shape of the grid: whether shallow flow is on pavement."""
        return self.values.paved[self.number]

    def with_coefficient(self, coefficient: float) -> GroundCover:
        """
        Give all ground one stated runoff coefficient.

        Parameters
        ----------
        coefficient
            0 to 1 [-].
        """
        stated = np.full(len(self.keys), coefficient)
        values = replace(self.values, runoff_coefficient=stated)
        return replace(self, values=values, given=(True,) * len(self.keys))


def ground_cover(
    grid: Grid,
    drawn: Sequence[DrawnCover],
    *,
    roof: BoolArray,
    water: BoolArray,
    ground: str,
    soil_group: SoilGroup,
    slope: float,
) -> GroundCover:
    """
    Find the cover of every cell.

    A roof counts as roof and open water as water whatever is drawn over them.

    Parameters
    ----------
    drawn
        Cover polygons; where they overlap the later one counts.
    roof, water
        Cells of roofs and of open water.
    ground
        Cover of ground without a polygon.
    slope
        Typical slope of the ground.
    """
    always = [(ground, None, None), ("roof", None, None), ("water", None, None)]
    kinds = list(dict.fromkeys([*always, *(cover.kind for cover in drawn)]))
    number = np.zeros(grid.shape, dtype=np.int32)
    has_polygon = np.zeros(grid.shape, dtype=bool)
    for cover in drawn:
        inside = polygon_cells(cover.geometry, grid)
        number[inside] = kinds.index(cover.kind)
        has_polygon |= inside
    for cells, key in ((water, "water"), (roof, "roof")):
        number[cells] = kinds.index((key, None, None))
    return GroundCover(
        keys=tuple(key for key, _, _ in kinds),
        values=_values_of(kinds, soil_group, slope),
        given=tuple(c is not None or cn is not None for _, c, cn in kinds),
        number=number,
        drawn=has_polygon | roof | water,
    )


def _values_of(
    kinds: Sequence[tuple[str, float | None, float | None]], soil_group: SoilGroup, slope: float
) -> CoverValues:
    """Look the kinds up, what is given by hand in the place of the tables' values."""
    table = cover_values([key for key, _, _ in kinds], soil_group, slope)
    return with_given_values(
        table,
        [np.nan if c is None else c for _, c, _ in kinds],
        [np.nan if cn is None else cn for _, _, cn in kinds],
    )
