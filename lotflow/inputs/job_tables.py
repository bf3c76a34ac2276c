"""The tables of the job file, each key with its type, bounds and default."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    ValidationInfo,
    create_model,
    model_validator,
)

from lotflow.errors import InputError
from lotflow.inputs.columns import CellError, read_date
from lotflow.inputs.limits import DEFAULT_LIMITS
from lotflow.inputs.sources import LayerFile
from lotflow.layers import CONSTRAINT_KINDS, COVERS, SITE_LAYERS
from lotflow.text import clean_text, did_you_mean
from lotflow.units import UnitSystem, VerticalUnit, to_si

#: Files of level notes that one job may have.
MOST_NOTES: Final = 50
#: Longest path that is accepted [characters]; Linux takes 4096.
_LONGEST_PATH: Final = 1000


def _local_path(value: object, info: ValidationInfo) -> Path:
    """Take a path as text or path; a relative one starts at the folder of the job file."""
    if not isinstance(value, (str, Path)):
        raise InputError("must be a path in quotes", "Write it as text")
    text = str(value)
    if not text.strip() or text != clean_text(text, longest=_LONGEST_PATH):
        raise InputError("is no path of a file", "Remove control characters and outer spaces")
    return Path((info.context or {}).get("folder", ""), text)


def _cover(value: str) -> str:
    """Take the key of a cover."""
    if value not in COVERS:
        raise InputError("is no cover that is known", did_you_mean(value, COVERS))
    return value


def _several(value: object) -> object:
    """Take one value or a list of values; TOML knows no tuple."""
    return tuple(value) if isinstance(value, (list, tuple)) else (value,)


def _rising(values: tuple[float, ...]) -> tuple[float, ...]:
    """Put numbers in order; none may stand twice."""
    if len(set(values)) < len(values):
        raise InputError("a return period stands twice", "Remove one of them")
    return tuple(sorted(values))


def _already_rising(values: tuple[float, ...]) -> tuple[float, ...]:
    """Demand rising numbers: sorting them would part them from what stands beside them."""
    if any(second <= first for first, second in itertools.pairwise(values)):
        raise InputError("must rise from left to right", "Sort them, and a, b and c with them")
    return values


# in a result only the name is told: where the user keeps files is nobody's business
LocalPath = Annotated[
    Path,
    BeforeValidator(_local_path),
    PlainSerializer(lambda path: path.name, return_type=str, when_used="json"),
]
Text = Annotated[str, AfterValidator(clean_text)]
Readings = Annotated[
    tuple[Annotated[float, Field(ge=0, le=10_000)], ...],
    BeforeValidator(_several),
    Field(min_length=1, max_length=50),
]


def _days(value: dict[str, float]) -> dict[str, float]:
    """Demand dates for keys."""
    days = {}
    for key, rain in value.items():
        try:
            day = read_date(key)
        except CellError as error:
            raise InputError(f"{key!r} {error.args[0]}", error.args[1]) from None
        if day is None:
            raise InputError("a day of rain has no date", "Write it as 2026-05-03 = 1.62")
        days[day] = rain
    return days


DaysOfRain = Annotated[
    dict[str, Annotated[float, Field(ge=0, le=2500)]], Field(min_length=1), AfterValidator(_days)
]
Share = Annotated[float, Field(ge=0, le=1)]
ReturnPeriods = Annotated[
    tuple[Annotated[float, Field(ge=1, le=1000)], ...],
    BeforeValidator(_several),
    Field(min_length=1, max_length=20),
    AfterValidator(_rising),
]


class Table(BaseModel):
    """What holds of every table of the job file: no unknown key, no wrong type, no change."""

    # a table that is only a part of another is never built for itself
    model_config = ConfigDict(
        strict=True, extra="forbid", allow_inf_nan=False, frozen=True, defer_build=True
    )


class General(Table):
    """
    Table `[job]`: name, units of reports, ground without a cover polygon, stated runoff.

    Without units those of the country are taken in which the lot lies.
    """

    name: Text = ""
    units: UnitSystem | None = None
    ground: Annotated[str, AfterValidator(_cover)] = "lawn"
    soil_group: Literal["A", "B", "C", "D"] = "C"
    coefficient: Share | None = None
    intensity_mm_h: Annotated[float, Field(gt=0, le=1000)] | None = None
    intensity_in_h: Annotated[float, Field(gt=0, le=40)] | None = None
    soak_test_mm_h: Annotated[float, Field(ge=0, le=5000)] | None = None
    soak_test_in_h: Annotated[float, Field(ge=0, le=200)] | None = None
    soak_test_drops_mm: Readings | None = None
    soak_test_drops_in: Readings | None = None
    soak_test_minutes: Readings | None = None

    @model_validator(mode="after")
    def _one_intensity(self) -> Self:
        if self.intensity_mm_h is not None and self.intensity_in_h is not None:
            raise InputError(
                "intensity_mm_h and intensity_in_h say the same thing", "Give one of the two"
            )
        return self

    @model_validator(mode="after")
    def _one_soak_test(self) -> Self:
        names = ("soak_test_mm_h", "soak_test_in_h", "soak_test_drops_mm", "soak_test_drops_in")
        given = [name for name in names if getattr(self, name) is not None]
        if len(given) > 1:
            raise InputError(f"{' and '.join(given)} say the same thing", "Give one of them")
        drops, minutes = self._drops_m, self.soak_test_minutes
        if (drops is None) != (minutes is None):
            raise InputError(
                "soak_test_minutes and the drops of a soak test belong together",
                "Give the minutes between readings, and how far the water fell",
            )
        if drops is not None and minutes is not None and len(drops) != len(minutes):
            raise InputError(
                f"the soak test has {len(drops)} drops and {len(minutes)} times",
                "Give one time for every reading: the hole is filled up again after each",
            )
        if minutes is not None and min(minutes) == 0:
            raise InputError("soak_test_minutes must be greater than 0", "Mend the times")
        return self

    @property
    def _drops_m(self) -> tuple[float, ...] | None:
        """Falls of the water in the hole of a soak test [m]."""
        if self.soak_test_drops_mm is not None:
            return tuple(drop / 1000.0 for drop in self.soak_test_drops_mm)
        if self.soak_test_drops_in is not None:
            return tuple(to_si(drop, "in") for drop in self.soak_test_drops_in)
        return None

    @property
    def soak_test_m_s(self) -> float | None:
        """
        Infiltration measured in a soak test on the lot [m/s]; None where none was made.

        Of several readings the slowest counts, which never exceeds their mean: Virginia
        Conservation Assistance Program (2018), the lowest steady rate or the mean, whichever is
        smaller.
        """
        if self._drops_m is not None and self.soak_test_minutes is not None:
            return min(
                drop / (60.0 * minutes)
                for drop, minutes in zip(self._drops_m, self.soak_test_minutes, strict=True)
            )
        if self.soak_test_mm_h is not None:
            return to_si(self.soak_test_mm_h, "mm_h")
        return None if self.soak_test_in_h is None else to_si(self.soak_test_in_h, "in_h")


class Elevation(Table):
    """Table `[elevation]`: the raster or its tiles, their unit and accuracy, the window."""

    file: Annotated[
        tuple[LocalPath, ...],
        BeforeValidator(_several),
        Field(min_length=1, max_length=DEFAULT_LIMITS.tiles),
    ]
    vertical_unit: VerticalUnit | None = None
    rmse_m: Annotated[float, Field(ge=0, le=10)] = 0.10
    correlation_m: Annotated[float, Field(gt=0, le=1000)] = 10.0
    white_share: Share = 0.1
    margin_m: Annotated[float, Field(gt=0, le=5000)] | None = None


class Levels(Table):
    """
    Table `[levels]`: a benchmark of the site's own, and level notes that were taken there.

    A benchmark without `elevation_m` is tied to the raster's datum by levels on hard ground.
    `unit` is that of the benchmark, and of notes whose columns do not name theirs. `drawn` tells
    whether levels in the drawing are measured from the benchmark too. `places` is the result whose
    field sheet was carried along: notes may name its numbered places.
    """

    benchmark: Annotated[float, Field(ge=-1000, le=30_000)] | None = None
    elevation_m: Annotated[float, Field(ge=-500, le=9000)] | None = None
    unit: Literal["m", "ft"] | None = None
    drawn: Literal["benchmark", "raster"] = "benchmark"
    notes: Annotated[
        tuple[LocalPath, ...], BeforeValidator(_several), Field(max_length=MOST_NOTES)
    ] = ()
    places: LocalPath | None = None

    @model_validator(mode="after")
    def _belong_together(self) -> Self:
        if self.benchmark is None and self.elevation_m is not None:
            raise InputError(
                "elevation_m is that of a benchmark, and none is given",
                "Give benchmark, its level in the site notes, or remove elevation_m",
            )
        if self.benchmark is None and not self.notes:
            raise InputError("gives neither a benchmark nor notes", "Give one, or remove [levels]")
        return self


class LayerEntry(Table):
    """
    The file of one site layer: its path, or `{ file = ..., layer = ..., kind = ... }`.

    The kind is that of every row, but for a layer called as the site layer, which tells it itself.
    Of a layer of many rows, `only = "..."` takes those that have this text in the column `key`.
    """

    file: LocalPath
    layer: Text | None = None
    kind: Text | None = None
    key: Text | None = None
    only: Text | None = None

    @model_validator(mode="after")
    def _key_of_something(self) -> Self:
        if self.key is not None and self.only is None:
            raise InputError("key names a column, and nothing says which rows of it", "Give only")
        return self

    def source(self) -> LayerFile:
        """Say what is to be read."""
        only = None if self.only is None else (self.key or "name", self.only)
        return LayerFile(self.file, self.layer, self.kind, only=only)


def _entry(value: object) -> object:
    """Take a bare path for a file of which the layer is found by its name."""
    if isinstance(value, LayerFile):
        key, only = value.only or (None, None)
        return {"file": value.path, "layer": value.layer, "kind": value.kind, "key": key,
                "only": only}  # fmt: skip
    return value if isinstance(value, (dict, LayerEntry)) else {"file": value}


Entry = Annotated[LayerEntry, BeforeValidator(_entry)]


class Layers(Table):
    """Table `[layers]`: one file with every layer by its name, single layers from others."""

    file: LocalPath | None = None
    lot: Entry | None = None
    buildings: Entry | None = None
    covers: Entry | None = None
    inlets: Entry | None = None
    downspouts: Entry | None = None
    drain_lines: Entry | None = None
    outlets: Entry | None = None
    openings: Entry | None = None
    constraints: Entry | None = None
    culverts: Entry | None = None
    walls: Entry | None = None
    earthworks: Entry | None = None
    water: Entry | None = None
    shots: Entry | None = None
    observations: Entry | None = None
    allowed_ends: Entry | None = None
    wanted: Entry | None = None

    @model_validator(mode="after")
    def _has_lot(self) -> Self:
        if self.file is None and self.lot is None:
            raise InputError("the lot is missing", 'Give it: lot = "lot.geojson"')
        return self

    def own(self) -> dict[str, LayerFile]:
        """Layers that have a file of their own, in the order of the schema."""
        entries = {name: getattr(self, name) for name in SITE_LAYERS}
        return {name: entry.source() for name, entry in entries.items() if entry is not None}


class Coefficients(Table):
    """Table `[rainfall.coefficients]`: i = a / (t + b)^c, t in minutes, per return period."""

    unit: Literal["in_h", "mm_h"]
    # kept in the order given: a, b and c belong to them one by one
    return_periods: Annotated[
        tuple[Annotated[float, Field(ge=1, le=1000)], ...],
        BeforeValidator(_several),
        Field(min_length=1, max_length=20),
        AfterValidator(_already_rising),
    ]
    a: Annotated[tuple[Annotated[float, Field(gt=0, le=1e6)], ...], BeforeValidator(_several)]
    b: Annotated[tuple[Annotated[float, Field(ge=0, le=1e4)], ...], BeforeValidator(_several)]
    c: Annotated[tuple[Annotated[float, Field(gt=0, le=5)], ...], BeforeValidator(_several)]
    shortest_min: Annotated[float, Field(gt=0, le=14_400)]
    longest_min: Annotated[float, Field(gt=0, le=14_400)]
    source: Text

    @model_validator(mode="after")
    def _fit_together(self) -> Self:
        if {len(self.a), len(self.b), len(self.c)} != {len(self.return_periods)}:
            raise InputError("a, b and c must have one value per return period")
        if self.shortest_min > self.longest_min:
            raise InputError("shortest_min must not be above longest_min")
        return self


class Rain(Table):
    """Table `[rainfall]`: a table file or coefficients, and the storms to compute."""

    file: LocalPath | None = None
    coefficients: Coefficients | None = None
    storms: ReturnPeriods = (2.0, 10.0, 100.0)
    uplift: Annotated[float, Field(ge=1, le=3)] = 1.0
    storm_type: Literal["I", "IA", "II", "III"] | None = None

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        if (self.file is None) == (self.coefficients is None):
            raise InputError("give either file or coefficients", "No rain is ever invented")
        return self


#: What a setback may be stated from, by the key of the job file without its unit.
SETBACK_KINDS: Final[dict[str, str]] = {
    kind.replace(" ", "_"): kind for kind in ("foundation", "lot line", *CONSTRAINT_KINDS)
}
_SETBACK_UNITS: Final = ("m", "ft")
_SetbackDistance = Annotated[float, Field(ge=0, le=1000)] | None


def _setback_distances() -> type[Table]:
    """Derive a key per kind and unit, so that the kinds are declared in one place only."""
    keys: dict[str, Any] = {
        f"{key}_{unit}": (_SetbackDistance, None)
        for key in SETBACK_KINDS
        for unit in _SETBACK_UNITS
    }
    return create_model("SetbackDistances", __base__=Table, **keys)


if TYPE_CHECKING:
    SetbackDistances = Table
else:
    SetbackDistances = _setback_distances()


class Setbacks(SetbackDistances):
    """
    Table `[setbacks]`: least distances of outlets and drain lines, by the local rules.

    None is assumed: towns ask for anything from 15 cm to 10 ft.

    Examples
    --------
    >>> Setbacks.model_validate({"septic_ft": 10.0, "lot_line_m": 1.5}).limits
    {'lot line': 1.5, 'septic': 3.048}
    """

    source: Text = "the job's table [setbacks]"

    @model_validator(mode="after")
    def _one_unit_each(self) -> Self:
        twice = [key for key in SETBACK_KINDS if len(self._given(key)) > 1]
        if twice:
            raise InputError(f"{twice[0]}_m and {twice[0]}_ft say the same thing", "Give one")
        return self

    def _given(self, key: str) -> list[float]:
        """Distances given under a key, in whichever unit [m]."""
        pairs = [(unit, getattr(self, f"{key}_{unit}")) for unit in _SETBACK_UNITS]
        return [to_si(value, unit) for unit, value in pairs if value is not None]

    @property
    def limits(self) -> dict[str, float]:
        """Least distance by kind, of those that are stated [m]."""
        given = {kind: self._given(key) for key, kind in SETBACK_KINDS.items()}
        return {kind: values[0] for kind, values in given.items() if values}


class Prices(Table):
    """Table `[prices]`: the user's price list; lotflow has no prices of its own."""

    file: LocalPath


class Observations(Table):
    """
    Table `[observations]`: the rain of the days on which water was seen.

    A file of daily rain, or the days themselves, in millimetres or inches.
    """

    rain: LocalPath | None = None
    rain_mm: DaysOfRain | None = None
    rain_in: DaysOfRain | None = None

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        given = [key for key in ("rain", "rain_mm", "rain_in") if getattr(self, key) is not None]
        if len(given) > 1:
            raise InputError(f"{' and '.join(given)} say the same thing", "Give one of them")
        return self

    @property
    def file(self) -> Path | None:
        """Table of daily rain; None where there is none."""
        return self.rain


class Terrain(Table):
    """Table `[terrain]`: how the direction of flow is found."""

    direction: Literal["ltd", "steepest", "richdem-d8"] = "ltd"


class Confidence(Table):
    """
    Table `[confidence]`: realisations of the elevation error; none with 0.

    Instead of their number the precision may be stated that shares of them are to have.
    """

    realisations: Annotated[int, Field(ge=0, le=10_000)] = 100
    precision: Annotated[float, Field(ge=0.01, le=0.2)] | None = None
    seed: Annotated[int, Field(ge=0, lt=2**32)] = 0

    @model_validator(mode="after")
    def _one_number(self) -> Self:
        if self.precision is not None and "realisations" in self.model_fields_set:
            raise InputError("realisations and precision say the same thing", "Give one of the two")
        return self
