"""Vector layers as they stand in the file: GeoPackage, GeoJSON and Shapefile, nothing else."""

from __future__ import annotations

import codecs
import shutil
import tempfile
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pyogrio
import shapely

from lotflow.errors import Fault, InputError
from lotflow.inputs.crs_text import check_crs_text
from lotflow.inputs.geojson import check_geojson
from lotflow.inputs.geopackage import GeoPackage, private_geopackage
from lotflow.inputs.limits import DEFAULT_LIMITS, Limits
from lotflow.inputs.open import FileKind, beside, read_bytes, reading, sha256, sha256_of, sniff
from lotflow.inputs.shapefile_table import check_table
from lotflow.text import LONGEST_TEXT, clean_text, did_you_mean

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

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
    doubts: tuple[tuple[str, str], ...] = ()


def layer_names(path: Path, *, limits: Limits = DEFAULT_LIMITS) -> tuple[str, ...]:
    """
    Name the layers with geometry of a vector file, in the order of the file.

    A GeoJSON file and a Shapefile hold one layer, named like the file.

    Parameters
    ----------
    path
        A local file (`lotflow.inputs.open.local_file`).
    limits
        How much it may hold.

    Raises
    ------
    InputError
        If it is no vector file, too large, or damaged.
    """
    with _private_copy(path, limits) as copy:
        return copy.layers


def read_layer(
    path: Path, layer: str | None = None, *, limits: Limits = DEFAULT_LIMITS
) -> GeoDataFrame:
    """
    Read one layer as it is: attributes raw, coordinates in the file's own CRS.

    A GeoJSON file without a CRS is in longitude and latitude of WGS 84, as RFC 7946 says. What
    the library warned of while it read is kept in `attrs["warnings"]`, a tuple of text; what is
    doubtful of the file itself in `attrs["doubts"]`, pairs of a rule and a text; in
    `attrs["sha256"]` the SHA-256 of what was read, of the file and of every part beside it, by
    file name.

    Parameters
    ----------
    path
        A local file (`lotflow.inputs.open.local_file`).
    layer
        Its name; may be left out where there is only one.
    limits
        How much it may hold.

    Raises
    ------
    InputError
        If it cannot be read, the layer is missing, has no geometry or no CRS, is a view or a
        virtual table, or holds more than it may.

    References
    ----------
    Butler, H. et al. (2016), The GeoJSON Format, RFC 7946, section 4.
    """
    with _private_copy(path, limits) as copy:
        return _read(copy, _chosen(copy, layer), limits)


def read_layers(
    path: Path, layers: Sequence[str], *, limits: Limits = DEFAULT_LIMITS
) -> dict[str, GeoDataFrame]:
    """
    Read several layers of one file, from one private copy; see `read_layer`.

    Parameters
    ----------
    path
        A local file.
    layers
        Their names.
    limits
        How much each may hold.

    Raises
    ------
    InputError
        As `read_layer`, with the faults of all layers.
    """
    frames: dict[str, GeoDataFrame] = {}
    faults: list[Fault] = []
    with _private_copy(path, limits) as copy:
        for layer in layers:
            try:
                frames[layer] = _read(copy, _chosen(copy, layer), limits)
            except InputError as error:
                faults.extend(error.faults)
    if faults:
        raise InputError(faults)
    return frames


@contextmanager
def _private_copy(path: Path, limits: Limits) -> Iterator[_Copy]:
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
    doubts = (("text-encoding", doubt),) if doubt else ()
    return _Copy(path, copy, "shapefile", (path.stem,), hashes=told,
                 options={"encoding": encoding} if encoding else {}, doubts=doubts)  # fmt: skip


def _encoding(rows: bytes, stated: bytes | None) -> tuple[str, str]:
    """
    Settle the encoding of a Shapefile's text, and say where it is not the one it states.

    UTF-8 is told from the older Latin-1 by trying: other text is hardly ever valid UTF-8. Empty
    where the stated one is to be used.
    """
    tried = "UTF-8" if _decodes(rows, "utf-8") else "ISO-8859-1"
    if stated is None:
        return tried, ""
    name = stated.decode("latin-1").strip()
    shown = clean_text(name[:LONGEST_TEXT])
    if rows.isascii():
        return ("", "") if _codec(name) else (tried, "")
    if not name:
        return tried, f"the part .cpg is empty: text was read as {tried}"
    codec = _codec(name)
    if codec is None:
        known = f"the part .cpg names no encoding that is known, {shown!r}"
        return tried, f"{known}: text was read as {tried}"
    if not _decodes(rows, codec) or (tried == "UTF-8") != (codec == "utf-8"):
        return tried, f"the part .cpg says {shown}, but the text is {tried}, as which it was read"
    return "", ""


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


def _read(copy: _Copy, layer: str, limits: Limits) -> GeoDataFrame:
    """Read a layer of the copy and check what came."""
    inside = layer if copy.geopackage is not None else None
    with reading(copy.source, layer=layer), warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        told = _told(copy, inside)
        driver, columns = told["driver"], len(told["fields"])
        limits.check("columns", columns, "the layer holds {} columns", file=str(copy.source))
        if driver != _DRIVERS[copy.kind]:
            raise ValueError(f"it is a file of the kind {driver}, not {_DRIVERS[copy.kind]}")
        frame = pyogrio.read_dataframe(
            copy.path, layer=inside, max_features=limits.features + 1, **copy.options
        )
    if "geometry" not in frame:
        raise InputError(Fault("this table has no geometry", "Export it as a layer with geometry",
                               file=str(copy.source), layer=layer))  # fmt: skip
    _check_content(copy, layer, frame, limits)
    frame.attrs["sha256"] = dict(copy.hashes)
    frame.attrs["doubts"] = copy.doubts
    frame.attrs["warnings"] = tuple(str(warning.message) for warning in caught)
    return frame


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
