"""The job file: read as strictly as it can be, made from options, or written to start with."""

from __future__ import annotations

import json
import os
import re
import types
from collections.abc import Iterator
from dataclasses import asdict, fields
from pathlib import Path
from typing import (
    TYPE_CHECKING,
    Annotated,
    Any,
    Final,
    Literal,
    Self,
    Union,
    get_args,
    get_origin,
    get_type_hints,
)

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    Field,
    PlainSerializer,
    ValidationError,
    create_model,
    model_validator,
)
from pydantic_core import ErrorDetails

from lotflow.criteria import Criteria
from lotflow.errors import Fault, InputError, ParameterError
from lotflow.inputs.job_tables import (
    Confidence,
    Elevation,
    General,
    LayerEntry,
    Layers,
    Levels,
    Observations,
    Prices,
    Rain,
    Setbacks,
    Table,
    Terrain,
)
from lotflow.inputs.limits import DEFAULT_LIMITS
from lotflow.inputs.open import local_file, read_bytes
from lotflow.inputs.toml_text import KeyPath, TomlText, parse_toml
from lotflow.text import LONGEST_TEXT, clean_text, closest, did_you_mean, one_of
from lotflow.units import UnitSystem, VerticalUnit, to_si

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

#: What must hold, by pydantic's type of error; `{}` are the limits it names.
_RULES: Final = {
    "string_type": "must be text in quotes",
    "int_type": "must be a whole number",
    "float_type": "must be a number, without quotes",
    "finite_number": "must be a finite number",
    "greater_than": "must be greater than {gt}",
    "greater_than_equal": "must be {ge} or more",
    "less_than": "must be less than {lt}",
    "less_than_equal": "must be {le} or less",
    "too_short": "must hold at least {min_length} value",
    "too_long": "may hold {max_length} values",
    "model_type": "must be a table",
}
#: Keys of earlier versions, and what to do with them.
_RENAMED: Final[dict[KeyPath, str]] = {
    ("criteria", "snap_cells"): "Write snap_m, a distance in metres: up to 1.5, 0 to leave every "
    "inlet in the cell in which it was drawn",
}
#: Name of the job file in its folder.
JOB_FILE: Final = "job.toml"


def _criteria_table() -> type[Table]:
    """Derive the model of `[criteria]`, so that a new criterion is declared in one place only."""
    hints = get_type_hints(Criteria)
    keys: dict[str, Any] = {}
    for item in fields(Criteria):
        low, high = item.metadata["low"], item.metadata["high"]
        keys[item.name] = (hints[item.name], Field(default=item.default, ge=low, le=high))
    return create_model("CriteriaTable", __base__=Table, **keys)


if TYPE_CHECKING:
    CriteriaField = Criteria
else:
    CriteriaField = Annotated[
        _criteria_table(),
        BeforeValidator(lambda value: asdict(value) if isinstance(value, Criteria) else value),
        AfterValidator(lambda table: Criteria(**table.model_dump())),
        PlainSerializer(asdict),
    ]


class Job(Table):
    """
    All settings of a study.

    Examples
    --------
    >>> from lotflow.inputs.job_tables import LayerEntry
    >>> job = Job(elevation=Elevation(file=(Path("dem.tif"),)),
    ...           layers=Layers(lot=LayerEntry(file=Path("lot.geojson"))))
    >>> job.job.units, job.criteria.snap_m, job.layers.own()["lot"].path.name
    (None, 0.75, 'lot.geojson')
    """

    # tables of defaults are made without validators of their own, which take time to build
    job: General = Field(default_factory=General.model_construct)
    elevation: Elevation
    levels: Levels | None = None
    layers: Layers
    rainfall: Rain | None = None
    setbacks: Setbacks = Setbacks()
    prices: Prices | None = None
    observations: Observations | None = None
    criteria: CriteriaField = Field(default_factory=Criteria)
    terrain: Terrain = Field(default_factory=Terrain.model_construct)
    confidence: Confidence = Field(default_factory=Confidence.model_construct)

    @model_validator(mode="after")
    def _benchmark_has_a_unit(self) -> Self:
        levels = self.levels
        if levels is None or levels.benchmark is None:
            return self
        if levels.unit is None and self.job.units is None:
            raise InputError(
                "the benchmark of [levels] has no unit, and [job] has no units to take it from",
                'Give unit = "m" or "ft"',
            )
        return self

    @property
    def units(self) -> UnitSystem:
        """Unit system of reports; metric until it is known where the lot lies."""
        return self.job.units or "metric"

    @property
    def name_is_given(self) -> bool:
        """Whether somebody has named the lot; otherwise it is called as a file or folder is."""
        return "name" in self.job.model_fields_set and bool(self.job.name)

    @property
    def intensity_m_s(self) -> float | None:
        """Stated rainfall intensity [m/s]; None where none is stated."""
        if self.job.intensity_mm_h is not None:
            return to_si(self.job.intensity_mm_h, "mm_h")
        return None if self.job.intensity_in_h is None else to_si(self.job.intensity_in_h, "in_h")

    @property
    def level_offset_m(self) -> float:
        """What site levels [m] lack of elevations in the raster's datum; 0 without a benchmark."""
        levels = self.levels
        if levels is None or levels.benchmark is None or levels.elevation_m is None:
            return 0.0
        return levels.elevation_m - to_si(levels.benchmark, self._unit_of_benchmark)

    @property
    def is_to_be_tied(self) -> bool:
        """Whether nobody has said where the benchmark lies in the raster's datum."""
        return self.has_benchmark and self.levels is not None and self.levels.elevation_m is None

    def tied(self, lacks_m: float) -> Job:
        """Give the job with a benchmark whose levels lack so much [m] of the raster's datum."""
        if self.levels is None or self.levels.benchmark is None:
            return self
        elevation_m = to_si(self.levels.benchmark, self._unit_of_benchmark) + lacks_m
        levels = self.levels.model_copy(update={"elevation_m": round(elevation_m, 4)})
        return self.model_copy(update={"levels": levels})

    def untied(self) -> Job:
        """Give the job as it was before its benchmark was tied."""
        if self.levels is None:
            return self
        levels = self.levels.model_copy(update={"elevation_m": None})
        return self.model_copy(update={"levels": levels})

    @property
    def _unit_of_benchmark(self) -> Literal["m", "ft"]:
        """Unit in which the level of the benchmark is given."""
        given = None if self.levels is None else self.levels.unit
        return given or ("ft" if self.units == "us" else "m")

    @property
    def is_drawn_by_benchmark(self) -> bool:
        """Whether levels in the drawing start from that benchmark too."""
        return self.levels is not None and self.levels.drawn == "benchmark"

    @property
    def has_benchmark(self) -> bool:
        """Whether levels on site start from a benchmark of their own."""
        return self.levels is not None and self.levels.benchmark is not None

    @property
    def unit_of_notes(self) -> Literal["m", "ft"] | None:
        """Unit of level notes whose columns do not name theirs; None where the job has none."""
        if self.levels is not None and self.levels.unit is not None:
            return self.levels.unit
        return None if self.job.units is None else "ft" if self.job.units == "us" else "m"

    def files(self) -> list[Path]:
        """Every file that the job names, but the job file itself."""
        single = (self.layers.file, self.rainfall and self.rainfall.file,
                  self.prices and self.prices.file,
                  self.observations and self.observations.file)  # fmt: skip
        own = (source.path for source in self.layers.own().values())
        noted = () if self.levels is None else (*self.levels.notes, *self._places())
        return [*self.elevation.file, *own, *(file for file in single if file), *noted]

    def _places(self) -> tuple[Path, ...]:
        """Files of the result whose field sheet was carried along."""
        if self.levels is None or self.levels.places is None:
            return ()
        return self.levels.places / "summary.json", self.levels.places / "result.gpkg"

    def describe(self) -> dict[str, Any]:
        """All settings as plain values for the provenance; files by name, without folders."""
        return self.model_dump(mode="json", exclude_none=True)


def read_job(path: Path) -> Job:
    """
    Read a job file.

    Parameters
    ----------
    path
        The job's folder, or the file itself.

    Returns
    -------
    job
        Relative paths start at the job file's folder; without a name of its own the job is
        called as that folder.

    Raises
    ------
    InputError
        If there is no such file, or anything in it is wrong: all faults at once, each with key
        and line.
    """
    named = path / JOB_FILE if os.path.isdir(path) else path  # noqa: PTH112 - never raises
    file = local_file(named, "job file")
    data = read_bytes(file, DEFAULT_LIMITS.job_bytes, "job file")
    toml = parse_toml(data, str(file))
    try:
        job = Job.model_validate(toml.values, context={"folder": file.parent})
    except ValidationError as error:
        raise InputError(faults_of(error, Job, toml, str(file))) from None
    return job if job.job.name else _named(job, file.resolve().parent.name)


def _named(job: Job, name: str) -> Job:
    """Give a job the name of its folder."""
    name = clean_text(name, longest=10 * LONGEST_TEXT)[:LONGEST_TEXT] or "job"
    return _called(job, name)


def _called(job: Job, name: str) -> Job:
    """Call a job as nobody has named it."""
    general = job.job.model_copy(update={"name": name})
    general.model_fields_set.discard("name")
    return job.model_copy(update={"job": general})


def settled(job: Job, *, name: str | None, units: UnitSystem) -> Job:
    """
    Settle what a job leaves to its inputs: the name of the lot, and the units of reports.

    Parameters
    ----------
    name
        Of the lot by its layer; None where it has none. What the job file or a caller says goes
        before it, the name of a file or folder comes after it.
    units
        Where the job states none.
    """
    known: dict[str, str] = {"units": job.job.units or units}
    if name and not job.name_is_given:
        known["name"] = name
    return job.model_copy(update={"job": job.job.model_copy(update=known)})


def screening_job(  # noqa: PLR0913 - what is known of a lot, each by its name
    elevation: Sequence[Path],
    layers: Mapping[str, Path],
    *,
    vertical_unit: VerticalUnit | None = None,
    margin_m: float | None = None,
    coefficient: float | None = None,
    intensity: float | None = None,
    intensity_unit: str = "mm_h",
    units: UnitSystem | None = None,
    lot_name: str | None = None,
    lot_key: str | None = None,
) -> Job:
    """
    Make a job from files and numbers.

    Parameters
    ----------
    elevation
        The raster, or neighbouring tiles.
    layers
        File of each site layer that is given; the lot must be. Those of "streets" count as
        constraints of that kind.
    vertical_unit
        Unit of the elevations where the file does not say.
    margin_m
        Ground read round the lot at first [m].
    coefficient
        Runoff coefficient of all ground.
    intensity, intensity_unit
        Rainfall intensity, and its unit: "mm_h" or "in_h".
    units
        Of reports; None for those of the country in which the lot lies.
    lot_name, lot_key
        Of a layer of many lots the one to take, by its value in a column; `name` where no column
        is given.

    Raises
    ------
    InputError
        If a number is out of its bounds, or an intensity has no coefficient.
    """
    if intensity is not None and coefficient is None:
        raise InputError(
            Fault("a rainfall intensity is given and no runoff coefficient",
                  "Give a coefficient too: flow is C times i times area", column="intensity",
                  value=intensity)
        )  # fmt: skip
    general: dict[str, Any] = {} if units is None else {"units": units}
    if coefficient is not None:
        general["coefficient"] = coefficient
    if intensity is not None:
        general[f"intensity_{intensity_unit}"] = intensity
    entries = {
        "constraints" if name == "streets" else name: LayerEntry(
            file=path, kind="street" if name == "streets" else None
        )
        for name, path in layers.items()
    }
    try:
        if lot_name is not None or lot_key is not None:
            entries["lot"] = LayerEntry(file=layers["lot"], key=lot_key, only=lot_name)
        job = Job(
            job=General(**general),
            elevation=Elevation(
                file=tuple(elevation), vertical_unit=vertical_unit, margin_m=margin_m
            ),
            layers=Layers.model_validate(entries),
        )
    except ValidationError as error:
        raise InputError(
            [
                Fault(detail["msg"], column=".".join(map(str, detail["loc"])),
                      value=detail["input"])
                for detail in error.errors()
            ]
        ) from None  # fmt: skip
    return _named(job, layers["lot"].stem)


def with_realisations(job: Job, number: int | None) -> Job:
    """
    Let a caller decide how many realisations are run.

    Parameters
    ----------
    number
        How many; None leaves what the job says.
    """
    if number is None:
        return job
    confidence = job.confidence.model_copy(update={"realisations": number, "precision": None})
    return job.model_copy(update={"confidence": confidence})


_TEMPLATE: Final = """\
# A lotflow job. Lines that start with # are settings at their defaults: remove the # to change.

[job]
name = {name}
units = {units}  # of reports: "us" or "metric"; without it us where the lot lies in the US
# ground = "lawn"  # cover of ground without a cover polygon
# soil_group = "C"  # hydrologic soil group A, B, C or D
# soak_test_in_h = 0.2  # or soak_test_mm_h; or readings: soak_test_drops_in, soak_test_minutes
# coefficient = 0.35  # one runoff coefficient for all ground, instead of covers
# {intensity}  # one rainfall intensity, instead of a rainfall table

[elevation]
file = {elevation}  # or a list of neighbouring tiles
{vertical_unit}  # "m", "ft" or "us-ft"; only needed where the file does not say
# rmse_m = 0.10  # vertical accuracy (USGS lidar quality level 2)
# correlation_m = 10  # range of the correlated part of the error
# white_share = 0.1  # share of the error's variance that is not correlated
# margin_m = 100  # ground read round the lot at first

# [levels]  # where levels were taken on site
# benchmark = 100.00  # level in the site notes of a benchmark of their own
# elevation_m = 31.42  # its elevation in the raster's datum; without it, levels on paving tie it
# unit = {level_unit}  # of the benchmark, and of notes that do not say theirs
# drawn = "benchmark"  # what levels in the drawing are measured from: that, or "raster"
# notes = "notes.csv"  # level notes as they were written, or a list of them
# places = "first_visit"  # result whose field sheet was carried: notes may name its places

[layers]
file = "site.gpkg"  # every layer by its name
lot = {lot}  # a layer may have a file of its own, or {{ file = "a.gpkg", layer = "b" }}

# [rainfall]
# file = "rainfall.csv"
# storms = [2, 10, 100]  # return periods in years
# uplift = 1.0  # factor for a changed climate
# storm_type = "II"  # NRCS rain distribution I, IA, II or III: for the graphical peak too

# [setbacks]  # least distances of outlets and drain lines by the local rules; none is assumed
# source = "town code, section ..."
# lot_line_{length_unit} = {lot_line}
# foundation_{length_unit} = {foundation}

# [prices]
# file = "prices.csv"  # your price list, with the columns item and price

# [observations]  # rain of the days on which water was seen, layers observation_points, _areas
# rain = "rain.csv"  # columns date and {rain}; or here: {rain} = {{ 2026-05-03 = {rain_depth} }}

# [criteria]
{criteria}

# [terrain]
# direction = "ltd"  # "ltd", "steepest" or "richdem-d8"

# [confidence]
# realisations = 100  # 0 is off; or, instead, precision = 0.05: shares good to 5 in 100
# seed = 0
"""


def job_template(
    name: str,
    elevation_file: str,
    lot_file: str,
    vertical_unit: VerticalUnit | None,
    units: UnitSystem,
    *,
    only: tuple[str, str] | None = None,
) -> str:
    """
    Write the job file of a new job.

    Parameters
    ----------
    elevation_file, lot_file
        Paths, relative to the job's folder or absolute.
    vertical_unit
        Unit of the elevations; None where the raster says it.
    units
        Unit system of reports and of the columns to draw.
    only
        Column and value by which the lot is found in its file.

    Returns
    -------
    text
        TOML that `read_job` accepts, with every other setting as a comment.

    Raises
    ------
    ParameterError
        If a path cannot be written as text.

    Examples
    --------
    >>> text = job_template("Yard", "dem.tif", "lot.geojson", None, "us")
    >>> print(*text.splitlines()[2:4], sep="; ")
    [job]; name = "Yard"
    """
    stated = vertical_unit is not None
    return _TEMPLATE.format(
        name=_quoted(name),
        units=_quoted(units),
        elevation=_quoted(elevation_file),
        lot=_quoted(lot_file) if only is None else _one_of_many(lot_file, *only),
        vertical_unit=("" if stated else "# ") + f"vertical_unit = {_quoted(vertical_unit or 'm')}",
        intensity="intensity_in_h = 1.0" if units == "us" else "intensity_mm_h = 25.0",
        level_unit=_quoted("ft" if units == "us" else "m"),
        length_unit="ft" if units == "us" else "m",
        rain="rain_in" if units == "us" else "rain_mm",
        rain_depth="1.62" if units == "us" else "41.0",
        lot_line="5.0" if units == "us" else "1.5",
        foundation="10.0" if units == "us" else "3.0",
        criteria="\n".join(_criteria_lines()),
    )


#: Keys that hold paths, and how deep below them: a key, a list or a table of them.
_PATHS: Final[tuple[KeyPath, ...]] = (
    ("elevation", "file"), ("layers",), ("rainfall", "file"), ("prices", "file"),
    ("observations", "rain"), ("levels", "notes"), ("levels", "places"),
)  # fmt: skip


def moved_job_text(path: Path, folder: Path, layers: str) -> str:
    """
    Give the text of a job file for another folder: as it is written, with its paths from there.

    Parameters
    ----------
    path
        The job's folder, or the file itself.
    folder
        Where it will lie.
    layers
        Name there of the file of all layers.

    Raises
    ------
    InputError
        If it cannot be read, or its paths cannot be found again in its text.
    """
    named = path / JOB_FILE if os.path.isdir(path) else path  # noqa: PTH112 - never raises
    file = local_file(named, "job file")
    data = read_bytes(file, DEFAULT_LIMITS.job_bytes, "job file")
    values = parse_toml(data, str(file)).values
    text = data.decode()
    drawn = values["layers"].get("file")
    if drawn is None:
        text = re.sub(
            r"(?m)^[ \t]*\[layers\].*$", rf"\g<0>\nfile = {_quoted(layers)}", text, count=1
        )
        values["layers"]["file"] = layers
    moved = {old: Path(os.path.relpath(file.parent / old, folder)).as_posix()
             for old in _path_values(values)}  # fmt: skip
    moved[drawn if drawn is not None else layers] = layers
    quoted = {written: old for old in moved for written in (_quoted(old), f"'{old}'")}
    # all at once: what a path becomes may be what another one was
    text = re.sub(
        rf"({'|'.join(map(re.escape, quoted))})(?=\s*(?:[,\]}}#]|$))",
        lambda found: _quoted(moved[quoted[found[0]]]), text, flags=re.MULTILINE,
    )  # fmt: skip
    if parse_toml(text.encode(), str(file)).values != _with_paths(values, moved):
        raise InputError(
            Fault("the paths of the job cannot be told apart in its text",
                  "Write each path in plain quotes, and nothing else of the same text", str(file))
        )  # fmt: skip
    return text


def _path_values(values: Mapping[str, Any]) -> list[str]:
    """List the paths of a job file as they are written."""
    found: list[str] = []
    _with_paths(values, _Heard(found))
    return list(dict.fromkeys(found))


class _Heard(dict[str, str]):
    """Keeps what is looked up, and changes nothing."""

    def __init__(self, found: list[str]) -> None:
        super().__init__()
        self._found = found

    def __missing__(self, key: str) -> str:
        self._found.append(key)
        return key


def _with_paths(values: Mapping[str, Any], moved: Mapping[str, str]) -> dict[str, Any]:
    """Put other paths into the values of a job file."""
    changed = {key: dict(table) if isinstance(table, dict) else table
               for key, table in values.items()}  # fmt: skip
    for table, *keys in _PATHS:
        held = changed.get(str(table))
        if not isinstance(held, dict):
            continue
        for key in [str(key) for key in keys] or list(held):
            if key in held:
                held[key] = _moved(held[key], moved)
    return changed


def _moved(value: Any, moved: Mapping[str, str]) -> Any:
    """Put another path in the place of one, of a list of them, or of that of a layer."""
    if isinstance(value, str):
        return moved[value]
    if isinstance(value, list):
        return [_moved(one, moved) for one in value]
    if isinstance(value, dict) and "file" in value:
        return value | {"file": moved[value["file"]]}
    return value


def _one_of_many(file: str, key: str, only: str) -> str:
    """Write which lot of a file is meant."""
    return f"{{ file = {_quoted(file)}, key = {_quoted(key)}, only = {_quoted(only)} }}"


def _criteria_lines() -> list[str]:
    """Write each criterion with its default, meaning and the source of the default."""
    return [
        f"# {item.name} = {'0.05' if item.default is None else f'{item.default:g}'}"
        f"  # {item.metadata['meaning']}"
        for item in fields(Criteria)
    ]


def _quoted(text: str) -> str:
    """Write a TOML basic string; JSON's differ from it only in the delete character."""
    try:
        text.encode()
    except UnicodeEncodeError:
        raise ParameterError(f"{text!r} cannot be written into a job file.") from None
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def faults_of(
    error: ValidationError, model: type[BaseModel], toml: TomlText, file: str
) -> list[Fault]:
    """Turn the errors of a model into faults, in the order of the file."""
    faults: list[Fault] = []
    for details in error.errors(include_url=False):
        path = details["loc"]
        value = details["input"] if _is_scalar(details["input"]) else None
        faults += [
            Fault(rule, remedy, file, column=_key(path), value=value, line=toml.line(path))
            for rule, remedy in _explained(details, model)
        ]
    return sorted(faults, key=lambda fault: fault.line or 0)


def _is_scalar(value: object) -> bool:
    """Tell whether a value is worth quoting."""
    return isinstance(value, (str, int, float, bool))


def _key(path: KeyPath) -> str:
    """Write a path as it is written in TOML."""
    return ".".join(str(part) for part in path)


def _explained(details: ErrorDetails, model: type[BaseModel]) -> Iterator[tuple[str, str]]:
    """Say what must hold, and what to do."""
    path, kind = details["loc"], details["type"]
    raised = details.get("ctx", {}).get("error")
    if isinstance(raised, InputError):
        yield from ((fault.rule, fault.remedy) for fault in raised.faults)
    elif kind == "extra_forbidden":
        yield "the key is not known", _known_key(path, model)
    elif kind == "missing":
        is_table = len(path) == 1
        yield (
            ("the table is missing", f"Add it: [{path[0]}]")
            if is_table
            else ("the key is missing", "Add it")
        )
    elif kind == "literal_error":
        choices = list(_choices(_annotation(path, model)))
        yield f"must be {one_of(choices)}", _near(details["input"], choices)
    elif kind in _RULES:
        limits = {name: _plain(limit) for name, limit in details.get("ctx", {}).items()}
        yield _RULES[kind].format(**limits), ""
    else:
        yield f"{details['msg'][:1].lower()}{details['msg'][1:]}", ""


def _plain(limit: object) -> object:
    """Write a limit as one would write it: 1, not 1.0."""
    return f"{limit:g}" if isinstance(limit, float) else limit


def _near(value: object, choices: list[str]) -> str:
    """Offer the choice that was probably meant, if any is."""
    near = closest(value, choices) if isinstance(value, str) else None
    return f"Did you mean {near!r}?" if near else ""


def _known_key(path: KeyPath, model: type[BaseModel]) -> str:
    """Say what an unknown key was probably meant to be, or in which table it belongs."""
    name = str(path[-1])
    if path in _RENAMED:
        return _RENAMED[path]
    table = _model_in(_annotation(path[:-1], model)) or model
    for home, item in model.model_fields.items():
        other = _model_in(item.annotation)
        if len(path) <= 2 and other not in (None, table) and name in other.model_fields:
            return f"It belongs into [{home}]"
    return did_you_mean(name, table.model_fields)


def _annotation(path: KeyPath, model: type[BaseModel]) -> Any:
    """Find the type that a key is declared with."""
    found: Any = model
    for part in path:
        table = _model_in(found)
        # an index of a list leads no deeper into the tables
        if table is not None and part in table.model_fields:
            found = table.model_fields[str(part)].annotation
    return found


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """Find the table in a type such as `Annotated[Table, ...] | None`."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    inner = (_model_in(part) for part in _unwrapped(annotation))
    return next((table for table in inner if table is not None), None)


def _choices(annotation: Any) -> Iterator[str]:
    """List the words of a type such as `Literal[...] | None`."""
    if get_origin(annotation) is Literal:
        yield from get_args(annotation)
    for part in _unwrapped(annotation):
        yield from _choices(part)


def _unwrapped(annotation: Any) -> tuple[Any, ...]:
    """Take a union or an annotated type apart."""
    if get_origin(annotation) is Annotated:
        return get_args(annotation)[:1]
    return get_args(annotation) if get_origin(annotation) in (Union, types.UnionType) else ()
