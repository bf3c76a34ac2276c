"""
Vector layers as they stand in the file: GeoPackage, GeoJSON and Shapefile, nothing else.

The usual library forgives damage: a GeoJSON that is cut off, a table part without a checksum. So
both are checked here as far as their structure tells, and each file is read from a private copy.
"""

from __future__ import annotations

import codecs
import json
import re
import shutil
import struct
import tempfile
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyogrio
import shapely

from lotflow.errors import Fault, InputError
from lotflow.inputs.crs_text import check_crs_text
from lotflow.inputs.geopackage import GeoPackage, indexed_rows, private_geopackage
from lotflow.inputs.limits import DEFAULT_LIMITS, Limits
from lotflow.inputs.open import (
    FileKind,
    beside,
    kept_of,
    opened_once,
    read_bytes,
    reading,
    sha256,
    sha256_of,
    sniff,
)
from lotflow.text import LONGEST_TEXT, clean_text, did_you_mean

if TYPE_CHECKING:
    import pandas as pd
    from geopandas import GeoDataFrame
    from numpy.typing import NDArray
    from pyproj import CRS

# GeoJSON

#: A list that begins with a number, and what every feature says of itself.
_POSITION: Final = re.compile(rb"\[\s*[-\d]")
_FEATURE: Final = re.compile(rb'"type"\s*:\s*"Feature"')
_CRS_NAME: Final = re.compile(
    r"urn:(x-)?ogc:def:crs[:,][\w:.,+-]+|[A-Za-z]{2,12}:[\w.+]{1,20}"
    r"|https?://(www\.)?opengis\.net/def/crs/[\w/.-]+", re.ASCII
)  # fmt: skip
_NAME_EXAMPLE: Final = "urn:ogc:def:crs:EPSG::26918"

# The table part of a Shapefile, dBASE

_HEADER: Final = struct.Struct("<B3xIHH20x")
_FIELD: Final = struct.Struct("<11sc4xBB14x")
_INDEX_HEADER_BYTES, _INDEX_ENTRY_BYTES = 100, 8
_END_OF_FIELDS: Final = 0x0D
_KEPT, _DELETED = 0x20, 0x2A
_REMEDY: Final = "Export it again, best as GeoPackage"
#: A table in pieces is not listed cell by cell.
_MOST_FAULTS: Final = 20
#: What a value of each type looks like, but for the blanks or zero bytes round it.
_NUMBER: Final = re.compile(rb"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?|\*+|[-+]?(nan|inf)", re.I)
_VALUES: Final = {
    b"C": re.compile(rb"[^\x00-\x08\x0b\x0c\x0e-\x1f\x7f]*"),
    b"N": _NUMBER,
    b"F": _NUMBER,
    b"D": re.compile(rb"\d{8}|0+|\*+"),
    b"L": re.compile(rb"[YyNnTtFf?]"),
}

# Any of them

#: What the library must say that it reads; whatever else it finds in the file is refused.
_DRIVERS: Final[dict[FileKind, str]] = {
    "geopackage": "GPKG",
    "geojson": "GeoJSON",
    "shapefile": "ESRI Shapefile",
}
_SHAPEFILE_PARTS: Final = (".shp", ".shx", ".dbf", ".prj", ".cpg")


@dataclass(frozen=True)
class _Copy:
    """A private copy of a vector file, its layers and the hashes of its parts as in the user's."""

    source: Path
    path: Path
    kind: FileKind
    layers: tuple[str, ...]
    geopackage: GeoPackage | None = None
    hashes: dict[str, str] = field(default_factory=dict)
    counted: tuple[int, int] | None = None
    options: dict[str, Any] = field(default_factory=dict)
    encoding: dict[str, Any] | None = None


@dataclass(frozen=True)
class Part:
    """
    Which rows of a layer are read.

    Parameters
    ----------
    box, crs
        Those that lie near this area, west, south, east and north of this CRS. Of a layer of which
        none does the first row is read: that the layer is given must not be lost.
    only
        Those that have this value in this column.
    """

    box: tuple[float, float, float, float] | None = None
    crs: CRS | None = None
    only: tuple[str, str] | None = None


#: All rows.
WHOLE: Final = Part()
#: An area that is brought into another CRS is widened by this share of it.
_SLACK: Final = 0.02


def layer_names(path: Path, *, limits: Limits = DEFAULT_LIMITS) -> tuple[str, ...]:
    """
    Name the layers with geometry of a vector file, in the order of the file.

    A GeoJSON file and a Shapefile hold one layer, named like the file.
    """
    with _private_copy(path, limits) as copy:
        return copy.layers


def read_layer(
    path: Path, layer: str | None = None, *, limits: Limits = DEFAULT_LIMITS
) -> GeoDataFrame:
    """
    Read one layer as it is: attributes raw, coordinates in the file's own CRS.

    A GeoJSON file without a CRS is in longitude and latitude of WGS 84, as RFC 7946 says. What
    the library warned of while it read is kept in `attrs["warnings"]`, a tuple of text; in
    `attrs["encoding"]` what a Shapefile states of its text where that was not followed, else
    None; in `attrs["sha256"]` the SHA-256 of what was read, of the file and of every part beside
    it, by file name.

    Refused are layers without geometry or CRS, views, virtual tables, and what holds more than it
    may.

    References
    ----------
    Butler, H. et al. (2016), The GeoJSON Format, RFC 7946, section 4.
    """
    with _private_copy(path, limits) as copy:
        return _read(copy, _chosen(copy, layer), limits)


def read_layers(
    path: Path, layers: Mapping[str, Part], *, limits: Limits = DEFAULT_LIMITS
) -> dict[str, GeoDataFrame]:
    """
    Read several layers of one file, of each a part, from one private copy; see `read_layer`.

    `attrs["rows"]` has the numbers of the rows in the file, from 1, where not all were read, else
    None; `attrs["of"]` how many the file has.
    """
    frames: dict[str, GeoDataFrame] = {}
    faults: list[Fault] = []
    with _private_copy(path, limits) as copy:
        for layer, part in layers.items():
            try:
                frames[layer] = _read(copy, _chosen(copy, layer), limits, part)
            except InputError as error:
                faults.extend(error.faults)
    if faults:
        raise InputError(faults)
    return frames


def column_values(path: Path, layer: str, column: str) -> list[str]:
    """
    Give the values of a column as text, row by row as they stand in the file; empty for none.

    Whole numbers stand without a decimal point, whatever type they have there.

    Raises
    ------
    InputError
        If the file has no such column.
    """
    with _private_copy(path, DEFAULT_LIMITS) as copy:
        return _keys(copy, _chosen(copy, layer), column).tolist()


def _private_copy(path: Path, limits: Limits) -> AbstractContextManager[_Copy]:
    """Give a checked private copy, within `files_kept` always the same one of a file."""
    return opened_once("private copy", path, lambda: _made_copy(path, limits))


@contextmanager
def _made_copy(path: Path, limits: Limits) -> Iterator[_Copy]:
    """Check a vector file and copy it to where nothing beside it is read or changed with it."""
    kind = sniff(path)
    if kind not in _DRIVERS:
        raise InputError(
            Fault("this is a raster, not a layer of points, lines or polygons", "Name a "
                  "GeoPackage, GeoJSON or Shapefile", file=str(path))
        )  # fmt: skip
    if kind == "geopackage":
        with private_geopackage(path, limits) as found:
            yield _Copy(path, found.copy, kind, found.layers, found, found.hashes)
        return
    with reading(path), tempfile.TemporaryDirectory(prefix="lotflow-") as folder:
        if kind == "geojson":
            yield _geojson_copy(path, Path(folder) / "copy.geojson", limits)
        else:
            yield _shapefile_copy(path, Path(folder) / "copy.shp", limits)


def _geojson_copy(path: Path, copy: Path, limits: Limits) -> _Copy:
    """Read the text strictly, since the library forgives damage, and copy it."""
    data = read_bytes(path, limits.vector_bytes, "vector file")
    counted = check_geojson(data, path, limits)
    copy.write_bytes(data)
    told = {path.name: sha256_of(data)}
    return _Copy(path, copy, "geojson", (path.stem,), hashes=told, counted=counted)


def _shapefile_copy(path: Path, copy: Path, limits: Limits) -> _Copy:
    """Copy the parts of a Shapefile; where no `.cpg` states the encoding, UTF-8 is tried."""
    parts = {suffix: beside(path, suffix) for suffix in _SHAPEFILE_PARTS[1:]}
    missing = [suffix for suffix in (".shx", ".dbf") if parts[suffix] is None]
    if missing:
        raise InputError(
            Fault(f"the Shapefile's part {' and '.join(missing)} is missing",
                  "Copy all its parts into one folder", file=str(path))
        )  # fmt: skip
    present = [(".shp", path), *((suffix, part) for suffix, part in parts.items() if part)]
    limits.check("vector_bytes", sum(part.stat().st_size for _, part in present),
                 "the file holds {} bytes", file=str(path))  # fmt: skip
    for suffix, part in present:
        if suffix == ".prj":
            text = read_bytes(part, limits.side_file_bytes, "projection file")
            check_crs_text(text, file=str(part))
            copy.with_suffix(suffix).write_bytes(text)
        else:
            shutil.copyfile(part, copy.with_suffix(suffix))
    told = {part.name: sha256(copy.with_suffix(suffix)) for suffix, part in present}
    table, index = copy.with_suffix(".dbf"), copy.with_suffix(".shx")
    data = table.read_bytes()
    check_table(dict(present)[".dbf"], data, index.stat().st_size)
    stated = copy.with_suffix(".cpg").read_bytes() if parts[".cpg"] else None
    # the rows begin where the header says; what stands before them is no text
    encoding, doubt = _encoding(data[int.from_bytes(data[8:10], "little") :], stated)
    return _Copy(path, copy, "shapefile", (path.stem,), hashes=told,
                 options={"encoding": encoding} if encoding else {}, encoding=doubt)  # fmt: skip


def _encoding(rows: bytes, stated: bytes | None) -> tuple[str, dict[str, Any] | None]:
    """
    Settle the encoding of a Shapefile's text, and tell where it is not the one it states.

    UTF-8 is told from the older Latin-1 by trying: other text is hardly ever valid UTF-8. Empty
    where the stated one is to be used.
    """
    tried = "UTF-8" if _decodes(rows, "utf-8") else "ISO-8859-1"
    if stated is None:
        return tried, None
    name = stated.decode("latin-1").strip()
    shown = clean_text(name[:LONGEST_TEXT])
    if rows.isascii():
        return ("", None) if _codec(name) else (tried, None)
    codec = _codec(name) if name else None
    if codec and _decodes(rows, codec) and (tried == "UTF-8") == (codec == "utf-8"):
        return "", None
    return tried, {"stated": shown, "is_known": codec is not None, "taken": tried}


def _codec(name: str) -> str | None:
    """Give Python's name of an encoding that a `.cpg` states; None where it is unknown."""
    digits = "".join(filter(str.isdigit, name))
    names = [name, f"cp{digits}", f"iso8859-{digits[4:]}" if digits.startswith("8859") else name]
    for one in names:
        with suppress(LookupError, ValueError):
            return codecs.lookup(one).name
    return None


def _decodes(rows: bytes, codec: str) -> bool:
    """Tell whether bytes are text in an encoding."""
    try:
        rows.decode(codec)
    except UnicodeDecodeError:
        return False
    return True


def _chosen(copy: _Copy, layer: str | None) -> str:
    """Give the layer to read, which must be there and must be safe to read."""
    if layer is None and len(copy.layers) != 1:
        held = f"the layers {', '.join(map(repr, copy.layers))}" if copy.layers else "no layer"
        rule = f"the file holds {held}, and none was named"
        raise InputError(Fault(rule, "Name one" if copy.layers else "", file=str(copy.source)))
    chosen = copy.layers[0] if layer is None else layer
    if copy.geopackage is not None:
        copy.geopackage.require(chosen)
    elif chosen not in copy.layers:
        raise InputError(Fault("there is no such layer", did_you_mean(chosen, copy.layers),
                               file=str(copy.source), layer=chosen))  # fmt: skip
    return chosen


def _read(copy: _Copy, layer: str, limits: Limits, part: Part = WHOLE) -> GeoDataFrame:
    """Read a layer of the copy, or a part of it, and check what came."""
    inside = layer if copy.geopackage is not None else None
    with reading(copy.source, layer=layer), warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        told = _told(copy, inside)
        driver, columns = told["driver"], len(told["fields"])
        limits.check("columns", columns, "the layer holds {} columns", file=str(copy.source))
        if driver != _DRIVERS[copy.kind]:
            raise ValueError(f"it is a file of the kind {driver}, not {_DRIVERS[copy.kind]}")
        some = None if part == WHOLE else _ids_of_part(copy, layer, part, told["crs"], limits)
        if some is None:
            frame = _whole(copy, layer, limits)
        else:
            frame = pyogrio.read_dataframe(
                copy.path, layer=inside, fid_as_index=True, **some.options
            ).sort_index()
            rows = np.searchsorted(some.ids, frame.index.to_numpy()) + 1
            frame = frame.reset_index(drop=True)
            frame.attrs["rows"], frame.attrs["of"] = tuple(rows.tolist()), some.ids.size
    if "geometry" not in frame:
        raise InputError(Fault("this table has no geometry", "Export it as a layer with geometry",
                               file=str(copy.source), layer=layer))  # fmt: skip
    if copy.geopackage is not None and layer in copy.geopackage.own_crs:
        frame = _as_defined(frame, copy.geopackage.own_crs[layer])
    _check_content(copy, layer, frame, limits)
    if some is None and part != WHOLE:
        frame = _part_of(copy, layer, frame, part)
    if len(frame) == frame.attrs["of"]:
        frame.attrs["rows"] = None
    frame.attrs["sha256"] = dict(copy.hashes)
    frame.attrs["encoding"] = copy.encoding
    frame.attrs["warnings"] = tuple(str(warning.message) for warning in caught)
    return frame


def _whole(copy: _Copy, layer: str, limits: Limits) -> GeoDataFrame:
    """Read all rows; of a text, which has no index, within `files_kept` once."""

    def read() -> GeoDataFrame:
        inside = layer if copy.geopackage is not None else None
        return pyogrio.read_dataframe(
            copy.path, layer=inside, max_features=limits.features + 1, **copy.options
        )

    frame = read() if copy.geopackage else kept_of("rows", copy.source, read).copy()
    frame.attrs["rows"], frame.attrs["of"] = None, len(frame)
    return frame


@dataclass(frozen=True)
class _Ids:
    """Ids of all rows of a layer in their order, and how the wanted ones are asked for."""

    ids: NDArray[np.int64]
    options: dict[str, Any]


def _ids_of_part(
    copy: _Copy, layer: str, part: Part, crs: str | None, limits: Limits
) -> _Ids | None:
    """Find how a part can be read alone; None where all must be read to find it."""
    if copy.geopackage is None:
        return None
    if part.only is not None:
        keys = _keys(copy, layer, part.only[0])
        wanted = keys.index[keys == part.only[1]].to_numpy()
        if not wanted.size:
            raise _no_such_row(copy, layer, part.only, keys.tolist())
        return _Ids(keys.index.to_numpy(), {"fids": wanted.tolist()})
    ids = kept_of("index", copy.source, lambda: indexed_rows(copy.path, layer), layer)
    # a CRS without a code counts as it is defined, as `_as_defined` takes it
    box = _box_in(part, copy.geopackage.own_crs.get(layer, crs))
    if ids is None or not ids.size or box is None:
        return None
    nearby = pyogrio.read_bounds(copy.path, layer=layer, bbox=box)[0]
    limits.check("features", nearby.size, "near the lot the layer holds {} features",
                 file=str(copy.source))  # fmt: skip
    return _Ids(ids, {"bbox": box} if nearby.size else {"fids": ids[:1].tolist()})


def _box_in(part: Part, crs: str | None) -> tuple[float, float, float, float] | None:
    """Give the area in the CRS of a file; None where it cannot be told."""
    from pyproj import CRS, Transformer  # noqa: PLC0415  only needed for a part of a layer
    from pyproj.exceptions import ProjError  # noqa: PLC0415

    if part.box is None or crs is None:
        return None
    try:
        own = CRS.from_user_input(crs)
        box = part.box
        if not own.equals(part.crs, ignore_axis_order=True):
            there = Transformer.from_crs(part.crs, own, always_xy=True)
            west, south, east, north = there.transform_bounds(*box)
            x, y = _SLACK * (east - west), _SLACK * (north - south)
            box = (west - x, south - y, east + x, north + y)
    except ProjError:
        return None
    west, south, east, north = box
    return box if np.isfinite(box).all() and west < east and south < north else None


def _part_of(copy: _Copy, layer: str, frame: GeoDataFrame, part: Part) -> GeoDataFrame:
    """Take a part of a layer that was read whole."""
    if part.only is not None:
        keys = _as_keys(frame[_column(copy, layer, part.only[0], list(frame.columns))])
        chosen = np.flatnonzero(keys == part.only[1])
        if not chosen.size:
            raise _no_such_row(copy, layer, part.only, keys.tolist())
    else:
        box = _box_in(part, frame.crs.to_wkt())
        if box is None:
            return frame
        near = frame.sindex.query(shapely.box(*box))
        # what lies nowhere is told of, wherever the lot is
        nowhere = np.flatnonzero(frame.geometry.isna() | frame.geometry.is_empty)
        chosen = (
            np.union1d(near, nowhere) if near.size or nowhere.size else np.arange(len(frame[:1]))
        )
    attrs = {**frame.attrs, "rows": tuple((chosen + 1).tolist())}
    frame = frame.iloc[chosen].reset_index(drop=True)
    frame.attrs = attrs
    return frame


def _keys(copy: _Copy, layer: str, column: str) -> pd.Series[str]:
    """Values of a column as text, by the ids of the rows, which are in the order of the file."""

    def read() -> pd.Series[str]:
        inside = layer if copy.geopackage is not None else None
        fields = pyogrio.read_info(copy.path, layer=inside, **copy.options)["fields"]
        name = _column(copy, layer, column, list(fields))
        table = pyogrio.read_dataframe(
            copy.path, layer=inside, columns=[name], read_geometry=False, fid_as_index=True,
            **copy.options,
        )  # fmt: skip
        return _as_keys(table.sort_index()[name])

    with reading(copy.source, layer=layer):
        keys: pd.Series[str] = kept_of("keys", copy.source, read, layer, column)
    return keys


def _as_keys(values: pd.Series[Any]) -> pd.Series[str]:
    """Write values as one would name a row by them."""
    return values.map(as_key).astype(object)


def as_key(value: object) -> str:
    """
    Write a value as one would name a row by it.

    Examples
    --------
    >>> as_key(12.0), as_key(" A 7 "), as_key(None), as_key(float("nan")), as_key(7)
    ('12', 'A 7', '', '', '7')
    """
    if value is None or value != value:  # noqa: PLR0124 - a missing number
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _column(copy: _Copy, layer: str, wanted: str, names: Sequence[str]) -> str:
    """Find a column by its name; capitals count only where two differ by nothing else."""
    if wanted in names:
        return wanted
    alike = [name for name in names if name.casefold() == wanted.casefold()]
    if len(alike) == 1:
        return alike[0]
    known = [name for name in names if name != "geometry"]
    remedy = did_you_mean(wanted, known) if known else ""
    raise InputError(Fault(f"there is no column {wanted!r}", remedy, str(copy.source), layer))


def _no_such_row(copy: _Copy, layer: str, only: tuple[str, str], keys: Sequence[str]) -> InputError:
    """Say that no row has a value."""
    column, value = only
    known = [key for key in dict.fromkeys(keys) if key]
    remedy = did_you_mean(value, known) if known else "The column is empty"
    return InputError(
        Fault("no row has this value", remedy, str(copy.source), layer, column=column, value=value)
    )


def _as_defined(frame: GeoDataFrame, definition: str) -> GeoDataFrame:
    """
    Give a layer the CRS of its definition, which bears no code.

    The library looks for a code, and takes a grid in feet for its twin in metres.
    """
    from pyproj import CRS  # noqa: PLC0415  only needed for CRSs without a code
    from pyproj.exceptions import ProjError  # noqa: PLC0415

    try:
        defined = CRS.from_wkt(definition)
    except ProjError:
        return frame  # undefined, or damaged: told of by what was read
    if frame.crs is not None and defined.equals(frame.crs, ignore_axis_order=True):
        return frame
    return frame.set_crs(defined, allow_override=True)


def _told(copy: _Copy, inside: str | None) -> dict[str, Any]:
    """Ask what the file says of itself."""
    try:
        return dict(pyogrio.read_info(copy.path, layer=inside, **copy.options))
    except UnboundLocalError:  # how the library stumbles over a CRS that it cannot write down
        raise ValueError("its coordinate reference system is damaged") from None


def _check_content(copy: _Copy, layer: str, frame: GeoDataFrame, limits: Limits) -> None:
    """Raise where rows were lost, are too many, or stand nowhere on Earth."""
    file = str(copy.source)
    limits.check("features", len(frame), "the layer holds {} features or more", file=file)
    vertices = int(shapely.get_num_coordinates(frame.geometry.to_numpy()).sum())
    limits.check("vertices", vertices, "the layer holds {} vertices", file=file)
    if copy.counted is not None:
        # an empty shape is one too, of which geopandas warns
        missing = int(shapely.is_missing(frame.geometry.to_numpy()).sum())
        came = (len(frame), len(frame) - missing)
        for what, told, read in zip(("features", "shapes"), copy.counted, came, strict=True):
            if told != read:
                rule = f"of {told} {what} in the text, {read} could be read"
                raise InputError(Fault(rule, "Export it again", file=file, layer=layer))
    if frame.crs is None or not (frame.crs.is_projected or frame.crs.is_geographic):
        part = " (a Shapefile keeps it in the .prj part)" if copy.kind == "shapefile" else ""
        rule = f"the layer has no coordinate reference system{part}"
        raise InputError(Fault(rule, "Assign the CRS it was drawn in and export it again",
                               file=file, layer=layer))  # fmt: skip


def check_geojson(data: bytes, path: Path, limits: Limits) -> tuple[int, int]:
    """
    Count what a GeoJSON file holds, so that what is lost when it is read shows.

    Given are the number of features, and of those that have a geometry. `ValueError` and
    `RecursionError` mean that it is no GeoJSON, or names its CRS by a link.

    References
    ----------
    Butler, H. et al. (2016), The GeoJSON Format, RFC 7946, sections 3 and 4. The older member
    "crs" of GeoJSON 2008 is allowed where it is a name.

    Examples
    --------
    >>> from lotflow.inputs.limits import DEFAULT_LIMITS
    >>> check_geojson(b'{"type": "Point", "coordinates": [4.3, 52.0]}', Path("a"), DEFAULT_LIMITS)
    (1, 1)
    """
    _check_counts(data, path, limits)
    document = json.loads(
        data.decode("utf-8-sig"), parse_constant=_no_number, object_pairs_hook=_plain_object
    )
    features = [document]
    if document.get("type") == "FeatureCollection":
        features = document.get("features")
    if not (isinstance(features, list) and all(isinstance(item, dict) for item in features)):
        raise ValueError("its features are no list of features")
    limits.check("features", len(features), "the file holds {} features", file=str(path))
    if document.get("crs") is None:
        _check_degrees(document, path)
    return len(features), sum(1 for feature in features if _has_shape(feature))


def _check_counts(data: bytes, path: Path, limits: Limits) -> None:
    """Count in the bytes, since parsing takes ten times as long and a hundred times the memory."""
    file = str(path)
    # of all brackets at least half are those of positions, and counting brackets takes no memory
    limits.check("vertices", data.count(b"[") // 2, "the file holds {} positions or more",
                 file=file)  # fmt: skip
    limits.check("vertices", len(_POSITION.findall(data)), "the file holds {} positions", file=file)
    limits.check("features", len(_FEATURE.findall(data)), "the file holds {} features", file=file)


def _plain_object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """
    Refuse a CRS that is a link wherever one may stand: the usual library would fetch it.

    It also takes the member's name in any capitals, and of two members the one it likes.
    """
    for key, value in pairs:
        if key.casefold() == "crs" and isinstance(value, dict) and not _is_named_crs(value):
            raise ValueError(f"its CRS is no name of a CRS that is known, such as {_NAME_EXAMPLE}")
    return dict(pairs)


def _is_named_crs(member: dict[str, Any]) -> bool:
    """Tell a CRS given by authority and code."""
    properties = member.get("properties")
    if member.keys() != {"type", "properties"} or member["type"] != "name":
        return False
    return (isinstance(properties, dict) and properties.keys() == {"name"}
            and isinstance(properties["name"], str)
            and _CRS_NAME.fullmatch(properties["name"]) is not None)  # fmt: skip


def _no_number(text: str) -> float:
    """Refuse what JSON does not know as a number."""
    raise ValueError(f"{text} is no number in JSON")


def _has_shape(feature: dict[str, Any]) -> bool:
    """Tell a feature with a geometry, or a geometry that stands for one."""
    return feature.get("type") != "Feature" or feature.get("geometry") is not None


def _check_degrees(document: Any, path: Path) -> None:
    """Raise where a file that states no CRS cannot be in degrees."""
    stack = [document]
    while stack:
        item = stack.pop()
        if isinstance(item, dict):
            parts = ("features", "geometry", "geometries", "coordinates")
            stack.extend(item.get(part) for part in parts)
        elif _is_position(item):
            if abs(item[0]) > 180 or abs(item[1]) > 90:
                raise InputError(
                    Fault("a GeoJSON file without a CRS is in longitude and latitude (RFC 7946), "
                          "this holds other coordinates",
                          "Export it in WGS 84, or as GeoPackage with its CRS",
                          file=str(path), value=item[:2])
                )  # fmt: skip
        elif isinstance(item, list):
            stack.extend(item)


def _is_position(item: Any) -> bool:
    """Tell a pair or triple of numbers from lists of such."""
    return (isinstance(item, list) and len(item) > 1
            and all(isinstance(number, (int, float)) for number in item[:2]))  # fmt: skip


@dataclass(frozen=True)
class _Field:
    """A column: its name, type, and where its value stands in a row."""

    name: str
    kind: bytes
    place: slice


def check_table(path: Path, table: bytes, index_bytes: int) -> None:
    """
    Refuse a table part that is damaged, as far as its structure tells.

    The size of the `.shx` tells how many shapes there are.

    References
    ----------
    Shapefile technical description, July 1998, "Organization of the dBASE file"; header and
    column descriptors of dBASE III.
    """
    try:
        start, width, fields = _structure(table)
        rows = _rows(table, start, width, index_bytes)
    except (ValueError, struct.error) as error:
        rule = f"the table part of the Shapefile is damaged: {error}"
        raise InputError(Fault(rule, _REMEDY, file=str(path))) from error
    damaged = _damaged_values(table[start:], rows, width, fields)
    faults = [
        Fault("the table part of the Shapefile is damaged: this is no value of its column",
              _REMEDY, file=str(path), row=row, column=column, value=value)
        for row, column, value in islice(damaged, _MOST_FAULTS)
    ]  # fmt: skip
    if faults:
        raise InputError(faults)


def _structure(table: bytes) -> tuple[int, int, list[_Field]]:
    """Bytes before the rows, bytes of each row, and the columns."""
    version, _, start, width = _HEADER.unpack_from(table)
    if version & 0x07 != 3 and version != 0x30:
        raise ValueError("it is no dBASE table")
    fields: list[_Field] = []
    at, place = _HEADER.size, 1
    if len(table) < start:
        raise ValueError("it is cut off")
    while at < start and table[at] != _END_OF_FIELDS:
        name, kind, length, decimals = _FIELD.unpack_from(table, at)
        if kind == b"C":  # long texts have the high byte of their length there
            length += 256 * decimals
        text = name.split(b"\0")[0].decode("utf-8", "replace").strip()
        if not text.isprintable() or not text or not kind.isalpha() or length == 0:
            raise ValueError(f"its column {len(fields) + 1} is none")
        fields.append(_Field(text, kind, slice(place, place + length)))
        at, place = at + _FIELD.size, place + length
    if at >= start or place != width:
        raise ValueError("its columns do not fit its rows")
    return start, width, fields


def _rows(table: bytes, start: int, width: int, index_bytes: int) -> int:
    """Number of rows, which is that of the shapes, and all of which must be there."""
    rows: int = _HEADER.unpack_from(table)[1]
    shapes = (index_bytes - _INDEX_HEADER_BYTES) // _INDEX_ENTRY_BYTES
    if rows != shapes:
        raise ValueError(f"it holds {rows} rows, and the Shapefile {shapes} shapes")
    if len(table) < start + rows * width:
        raise ValueError("it is cut off")
    return rows


def _damaged_values(
    body: bytes, rows: int, width: int, fields: list[_Field]
) -> Iterator[tuple[int, str | None, str]]:
    """Row, column and value of what is none of the column's type."""
    for row in range(rows):
        record = body[row * width : (row + 1) * width]
        if record[0] not in (_KEPT, _DELETED):
            yield row + 1, None, chr(record[0])
        for column in fields:
            value = record[column.place].strip(b" \0")
            known = _VALUES.get(column.kind)
            if known is not None and value and not known.fullmatch(value):
                yield row + 1, column.name, value.decode("utf-8", "replace")
