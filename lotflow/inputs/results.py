"""
Results that runs have written, read again: complete, unchanged, and every table typed.

Only two files of a result are read: `summary.json`, which holds all figures and the hashes, and
`result.gpkg`, which holds the shapes. Both may come from a stranger.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from lotflow.errors import Fault, InputError
from lotflow.inputs.open import local_file, read_bytes, reading, sha256
from lotflow.inputs.vectors import WHOLE, layer_names, read_layers
from lotflow.layers import RESULT_LAYERS
from lotflow.text import clean_text

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

    from lotflow.units import UnitSystem

SUMMARY: Final = "summary.json"
SHAPES: Final = "result.gpkg"
#: Versions of the summary that are understood.
VERSIONS: Final = ("1",)
#: Key by which the summary of a comparison tells that it is none of a result.
COMPARISON: Final = "comparison"
_LARGEST: Final = 192 * 1024 * 1024
#: Longest text that is kept: sentences are longer than names.
_LONGEST: Final = 4000
#: Rows of one table, and depth and number of the options that a result was made with.
_MOST_ROWS: Final = 1_000_000
_DEEPEST: Final = 6
_MOST_OPTIONS: Final = 2000

_DRAWN: Final = (
    "lot", "low_spots", "ponds", "catchments", "flow_paths", "lot_line_crossings", "inlets",
    "buildings", "contours", "openings", "facades", "drain_lines", "nodes",
    "earthwork_lines", "earthwork_areas", "shots",
)  # fmt: skip
#: Lists of the summary, each with the layers whose columns it has.
_TABLES: Final[dict[str, tuple[str, ...]]] = {
    "low_spots": ("low_spots",),
    "inlets": ("inlets",),
    "runoff": ("runoff",),
    "lines": ("line_storms", "drain_lines"),
    "findings": ("findings",),
    "ponds": ("ponds",),
    "pond_cases": ("pond_cases",),
    "wall_water": ("wall_water",),
    "inlet_bypass": ("inlet_bypass",),
    "outlet_storms": ("outlet_storms",),
    "lot_line_crossings": ("lot_line_crossings",),
    "facades": ("facades",),
    "openings": ("openings",),
    "earthwork_lines": ("earthwork_lines",),
    "earthwork_areas": ("earthwork_areas",),
    "quantities": ("quantities",),
}
_KINDS: Final[dict[str, dict[str, str]]] = {
    key: {one.key: str(one.kind) for layer in layers for one in RESULT_LAYERS[layer].columns}
    for key, layers in _TABLES.items()
} | {
    "answer": {
        "rank": "number", "theme": "text", "harm": "text", "place": "text",
        "x": "number", "y": "number",
        "verdict": "text", "remedy": "text", "grade": "text", "takes": "text", "evidence": "text",
    },
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class StoredResult:
    """
    A result as it can be compared.

    Parameters
    ----------
    label
        What it is called: its folder, or the state of the drains it shows.
    name
        Of the lot.
    units
        Of its reports.
    tables
        Figures by the key of the summary, with all columns of the schema; SI.
    layers
        Shapes by name, with all columns of the schema under the keys of the summary.
    accuracy
        `rmse_m` and `cell_m` of the elevation data, where they are known.
    balance
        Where the water goes [m2].
    options
        What it was made from and with: options of the job by their path, hashes of inputs.
    """

    label: str
    name: str
    units: UnitSystem
    tables: Mapping[str, pd.DataFrame]
    layers: Mapping[str, GeoDataFrame]
    accuracy: Mapping[str, float] = field(default_factory=dict)
    balance: Mapping[str, float] = field(default_factory=dict)
    options: Mapping[str, str] = field(default_factory=dict)

    @property
    def metres_per_unit(self) -> float:
        """Length of one unit of the coordinates, by the lot's area in both [m]."""
        # not by the CRS: drivers take one in feet without a code for the like in metres
        lot = self.layers["lot"]
        drawn, told = float(lot.geometry.area.sum()), float(lot["area_m2"].sum())
        return math.sqrt(told / drawn) if drawn > 0 and told > 0 else 1.0


def result_folder(path: str | Path) -> Path:
    """
    Find the folder of a result: the path itself, or `result` in the folder of a job.

    Parameters
    ----------
    path
        As the user gave it.

    Raises
    ------
    InputError
        If there is no result in either.
    """
    folder = Path(path)
    with reading(str(path)):
        for place in (folder, folder / "result"):
            if (place / SUMMARY).exists():
                return place
        if folder.is_file():
            rule, remedy = "this is a file, not the folder of a result", "Name its folder"
        elif folder.is_dir():
            rule = "the folder holds no result"
            remedy = (
                "Name a folder that `lotflow run` or `screen` has written, or a job that has been "
                "run into its folder `result`"
            )
        else:
            local_file(path, "folder of a result")  # says what is wrong with such a path
            rule, remedy = "there is no such folder", "Check the path"
    raise InputError(Fault(rule, remedy, file=str(path)))


def read_result(
    path: str | Path, *, same_content: Callable[[Path, str | None], bool] = lambda *_: False
) -> StoredResult:
    """
    Read a result that a run has written.

    Parameters
    ----------
    path
        Its folder, or that of a job with a result in it.
    same_content
        Tells of a GeoPackage whose bytes have changed whether what is in it is still that of
        which the summary keeps the hash: a viewer changes bytes by opening a file.

    Raises
    ------
    InputError
        If there is none, it is incomplete or of another version, a file is missing or is not the
        one that was written, or anything in it is not what a result holds.
    """
    folder = result_folder(path)
    file = local_file(folder / SUMMARY, "summary of a result")
    summary = _summary(read_bytes(file, _LARGEST, "summary of a result"), file)
    shapes = local_file(folder / SHAPES, "GeoPackage of a result")
    _require_unchanged(shapes, summary, same_content)
    held = layer_names(shapes)
    wanted = ["lot", *(name for name in _DRAWN[1:] if name in held)]
    layers = read_layers(shapes, dict.fromkeys(wanted, WHOLE))
    return result_of(summary, layers, label=str(path), file=str(file))


@dataclass(frozen=True)
class SheetPlace:
    """
    A place that a field sheet prints.

    Parameters
    ----------
    name
        As it is printed.
    x, y
        NaN where the crew chooses the place, or where nothing is drawn.
    surface_kind, subject
        What the rod stands on there, and what is drawn there whose level it is; empty where the
        place does not tell.
    only_compared
        Whether a level of it is only compared.
    """

    name: str
    x: float
    y: float
    surface_kind: str = ""
    subject: str = ""
    only_compared: bool = False


def places_of_sheet(path: str | Path, *, crs_name: str) -> list[SheetPlace]:
    """
    Read where the places of a field sheet are, by the result that it is part of.

    Parameters
    ----------
    path
        Folder of the result, or of a job with a result in it.
    crs_name
        Of the CRS in which the places are wanted, as a result names it.

    Returns
    -------
    places
        A place may have several names.

    Raises
    ------
    InputError
        If there is no result, or it is in another CRS.
    """
    file = local_file(result_folder(path) / SUMMARY, "summary of a result")
    summary = _summary(read_bytes(file, _LARGEST, "summary of a result"), file)
    made_in = _mapping(_mapping(summary, "provenance", str(file)), "elevation", str(file))
    if made_in.get("crs") != crs_name:
        rule = f"the result is not in {crs_name}, the CRS of the elevation data"
        remedy = "Name the result whose field sheet was carried, of the same elevation data"
        raise InputError(Fault(rule, remedy, file=str(file)))
    if "sheet_places" not in summary:
        rule = "the result does not tell the places of its field sheet: it is of an earlier version"
        remedy = "Give x and y in the notes, or run the job as it was before the visit once more"
        raise InputError(Fault(rule, remedy, file=str(file)))
    kinds = {"name": "text", "x": "number", "y": "number", "surface_kind": "text",
             "subject": "text", "only_compared": "yes_no"}  # fmt: skip
    rows = _table(summary["sheet_places"], "sheet_places", kinds, str(file)).to_dict("records")
    return [
        SheetPlace(
            row["name"] or "", row["x"], row["y"], row["surface_kind"] or "",
            row["subject"] or "", row["only_compared"] is True,
        )
        for row in rows
    ]  # fmt: skip


def result_of(
    summary: Mapping[str, Any], layers: Mapping[str, Any], *, label: str, file: str = SUMMARY
) -> StoredResult:
    """
    Bring what a result holds into typed tables.

    Parameters
    ----------
    summary
        Content of `summary.json`.
    layers
        Layers with geometry, by name; the lot at least.
    label
        What the result is called.
    file
        Of the summary, for messages.

    Raises
    ------
    InputError
        If a value is not of its column's kind; all faults of a table at once.
    """
    lot = layers["lot"]
    if not len(lot) or lot.geometry.is_empty.all():
        raise InputError(Fault("the result holds no lot", "Run it again", file=file, layer="lot"))
    told = _mapping(summary, "lot", file)
    options = _options(_mapping(summary, "provenance", file))
    tables = {key: _table(summary.get(key), key, kinds, file) for key, kinds in _KINDS.items()}
    return StoredResult(
        label=label,
        name=_text(told.get("name") or ""),
        units="us" if options.get("job.units") == "us" else "metric",
        tables=tables,
        layers={name: _shapes(layers[name], name, file) for name in _DRAWN if name in layers},
        accuracy=_numbers(_mapping(summary, "accuracy", file)),
        balance=_numbers(_mapping(summary, "balance", file)),
        options=options,
    )


def _summary(data: bytes, file: Path) -> dict[str, Any]:
    """Parse a summary and check what it says of itself."""

    def refused(rule: str, remedy: str) -> InputError:
        return InputError(Fault(rule, remedy, file=str(file)))

    def no_number(text: str) -> float:
        raise ValueError(f"{text} is no number")

    with reading(file):
        summary = json.loads(data, parse_constant=no_number)
    if not isinstance(summary, dict) or "schema_version" not in summary:
        raise refused("this is not the summary of a result", "Name the folder a run has written")
    if COMPARISON in summary:
        raise refused("this is a comparison, not a result", "Name the results it was made from")
    version = summary["schema_version"]
    if version not in VERSIONS:
        raise refused(
            f"the result has the schema version {_text(str(version))[:40]!r}; this program reads "
            f"{', '.join(VERSIONS)}",
            "Run the job again with this version of lotflow",
        )
    if summary.get("state") != "complete":
        raise refused("the result is incomplete: a run was interrupted", "Run it again")
    kept = summary.get("contents")
    said = {key: value for key, value in summary.items() if key != "contents"}
    found = hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()
    if not isinstance(kept, dict) or kept.get(SUMMARY, found) != found:
        raise refused("the summary is not the one the run has written", "Run the job again")
    return summary


def _require_unchanged(
    path: Path, summary: Mapping[str, Any], same_content: Callable[[Path, str | None], bool]
) -> None:
    """Raise where a file is not the one the manifest names."""
    files = summary.get("files")
    entry = files.get(path.name) if isinstance(files, dict) else None
    if not isinstance(entry, dict):
        rule = f"the summary beside it names no {path.name}"
        raise InputError(Fault(rule, "Run the job again", file=str(path)))
    content = summary["contents"].get(path.name)
    if sha256(path) != entry.get("sha256") and not same_content(path, content):
        rule = "the file is not the one the run has written"
        remedy = "Run the job again; what was changed is kept by another name"
        raise InputError(Fault(rule, remedy, file=str(path)))


def _table(rows: Any, key: str, kinds: Mapping[str, str], file: str) -> pd.DataFrame:
    """Bring a list of the summary into a table of typed columns."""
    rows = [] if rows is None else rows
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise InputError(Fault("this is not a list of entries", "Run it again", file, layer=key))
    if len(rows) > _MOST_ROWS:
        rule = f"the list holds {len(rows):,} entries, more than {_MOST_ROWS:,}"
        raise InputError(Fault(rule, "Compare parts of the lot", file, layer=key))
    columns = {name: [row.get(name) for row in rows] for name in kinds}
    return pd.DataFrame(_typed(columns, key, kinds, file))


def _shapes(frame: GeoDataFrame, name: str, file: str) -> GeoDataFrame:
    """Bring a layer to the columns of the schema, by the keys of the summary, and its geometry."""
    columns = RESULT_LAYERS[name].columns
    kinds = {column.key: column.kind for column in columns}
    there = {}
    for column in columns:
        # older results have columns that are named as the keys are
        named = column.name if column.name in frame else column.key
        given = frame[named].astype(object).tolist() if named in frame else [None] * len(frame)
        there[column.key] = given
    bare: GeoDataFrame = frame[["geometry"]].reset_index(drop=True)
    drawn = bare.assign(**_typed(there, name, kinds, file))
    return drawn[~(drawn.geometry.is_empty | drawn.geometry.isna())].reset_index(drop=True)


def _typed(
    columns: Mapping[str, list[Any]], layer: str, kinds: Mapping[str, str], file: str
) -> dict[str, list[Any]]:
    """Give every value in the kind of its column, missing ones as NaN, "" or False."""
    faults: list[Fault] = []
    typed: dict[str, list[Any]] = {}
    for name, values in columns.items():
        read = {"text": _as_text, "yes_no": _as_truth}.get(kinds[name], _as_number)
        typed[name] = []
        for row, value in enumerate(values, start=1):
            try:
                typed[name].append(read(value))
            except (TypeError, ValueError, OverflowError):
                rule = f"this is no {'number' if read is _as_number else 'value of its column'}"
                faults.append(
                    Fault(
                        rule, "Run it again", file, layer=layer, row=row, column=name, value=value
                    )
                )
    if faults:
        raise InputError(faults[:20])
    return typed


def _as_number(value: Any) -> float:
    """Give a finite number, NaN where there is none."""
    if value is None or value is pd.NA:
        return math.nan
    if isinstance(value, (str, bytes, bool)):
        raise TypeError
    number = float(value)
    if math.isinf(number):
        raise ValueError
    return number


def _as_text(value: Any) -> str:
    """Give clean text, empty where there is none."""
    if value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return ""
    if not isinstance(value, str):
        raise TypeError
    return _text(value)


def _as_truth(value: Any) -> bool:
    """Give whether it is so; what nobody knows is not."""
    if value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return False
    if value not in (True, False):
        raise TypeError
    return bool(value)


def _text(value: str) -> str:
    """Clean a text and cut it where it is very long."""
    return clean_text(value[:_LONGEST], longest=_LONGEST)


def _mapping(summary: Mapping[str, Any], key: str, file: str) -> dict[str, Any]:
    """Give a part of the summary that has keys."""
    part = summary.get(key)
    if part is not None and not isinstance(part, dict):
        raise InputError(Fault("this is not a set of keys", "Run it again", file, layer=key))
    return part or {}


def _numbers(part: Mapping[str, Any]) -> dict[str, float]:
    """Keep what is a number."""
    return {
        str(key): float(value)
        for key, value in part.items()
        if isinstance(value, (int, float)) and not isinstance(value, bool)
    }


def _options(provenance: Mapping[str, Any]) -> dict[str, str]:
    """Name what a result was made from and with, each as one short text."""
    told = dict(_flat(provenance.get("job"), "", 0))
    for key in ("program", "use_covers"):
        told[key] = _short(provenance.get(key))
    for key, name in (("elevation", "crs"), ("rainfall", "sha256"), ("prices", "sha256")):
        part = provenance.get(key)
        if isinstance(part, dict):
            told[f"{key} {name}"] = _short(part.get(name))
    elevation = provenance.get("elevation")
    files = elevation.get("files") if isinstance(elevation, dict) else None
    hashes = [one.get("sha256") for one in files or () if isinstance(one, dict)]
    told["elevation sha256"] = ", ".join(map(_short, hashes))
    return dict(list(told.items())[:_MOST_OPTIONS])


def _flat(value: Any, path: str, depth: int) -> Iterable[tuple[str, str]]:
    """List the leaves of nested options by their path."""
    if isinstance(value, dict) and depth < _DEEPEST:
        for key, part in value.items():
            name = _text(str(key))[:80]
            yield from _flat(part, f"{path}.{name}" if path else name, depth + 1)
    elif path:
        yield path, _short(value)


def _short(value: Any) -> str:
    """Give an option as a short text."""
    text = ", ".join(map(str, value)) if isinstance(value, list) else str(value)
    return "" if value is None else _text(text)[:200]
