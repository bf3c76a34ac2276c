"""
The one door in: which files may be opened, and how a failure to read one is told.

How much a file may hold stands in `lotflow.inputs.limits`. Bytes are read here, rasters in
`lotflow.inputs.rasters` and `lotflow.inputs.ascii_grid`, vector layers in
`lotflow.inputs.vectors` (`layer_names`, `read_layer`). No other module opens a file of the
user. This one imports nothing heavy.
"""

from __future__ import annotations

import atexit
import csv
import errno
import hashlib
import io
import re
import sqlite3
import sys
import zlib
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal

from lotflow.errors import Fault, InputError, LotflowError
from lotflow.text import closest, is_unicode

FileKind = Literal["geotiff", "ascii-grid", "geopackage", "geojson", "shapefile"]


_TIFF_STARTS: Final = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
#: OGC GeoPackage 1.0, 1.1, and 1.2 and later: application_id, bytes 68-71 of the SQLite header.
_GEOPACKAGE_IDS: Final = (b"GP10", b"GP11", b"GPKG")
#: Bytes that are hashed at once.
_PIECE: Final = 4_000_000
_ASCII_GRID_START: Final = re.compile(
    rb"\s*(ncols|nrows|xllcorner|xllcenter|yllcorner|yllcenter|cellsize|dx|dy)\s+[-+.\d]", re.I
)
#: What a refused file looks like by its first bytes, and what to do about it.
_REFUSED: Final[tuple[tuple[bytes, str, str], ...]] = (
    (rb"PK\x03\x04", "a zip archive", "Unpack it and name the file inside"),
    (rb"\x1f\x8b|\xfd7zXZ|BZh|7z\xbc\xaf", "a packed archive",
     "Unpack it and name the file inside"),
    (rb"\s*<(\?xml[^>]*>\s*<)?(VRT|OGRVRT)", "a virtual raster or layer (VRT) that points to "
     "other files", "Name the files themselves"),
    (rb"\s*<(!doctype\s+html|html)", "a web page, not the data", "Download the file again"),
    (rb"\s*<", "an XML file", "Export the data as GeoTIFF or GeoPackage"),
    (rb"version https://git-lfs", "a pointer to a file kept elsewhere (Git LFS)",
     "Fetch the file itself"),
    (rb"SQLite format 3", "a SQLite database that is no GeoPackage", "Export it as GeoPackage"),
    (rb"\x89HDF|CDF[\x01\x02\x05]", "an HDF or netCDF file", "Export it as GeoTIFF"),
    (rb"\x89PNG|\xff\xd8\xff|GIF8", "a picture without coordinates", "Name the data itself"),
    (rb"LASF", "a point cloud", "Grid its ground points first: lotflow grid"),
    (rb"%PDF", "a PDF document", "Name the data itself"),
)  # fmt: skip


def local_file(path: str | Path, what: str) -> Path:
    """
    Accept a path only if it is an existing regular file on this machine.

    Parameters
    ----------
    path
        As the user gave it.
    what
        What it should be, for the message: "elevation raster".

    Returns
    -------
    path
        The same path.

    Raises
    ------
    InputError
        If it is a URL, a library's own path syntax or text instead of a path, a folder or a
        device, or does not exist; then names alike in the same folder are offered.
    """
    text = str(path)
    if (wrong := _not_a_path(text)) is not None:
        raise InputError(
            Fault(
                f"the {what} must be a file on this machine, not {wrong}",
                "Save the data to a file and give its path",
                value=text,
            )
        )
    file = Path(path)
    with reading(text):
        if file.is_file():
            return file
        rule, remedy = _why_absent(file, what)
    raise InputError(Fault(rule, remedy, file=text))


def _not_a_path(text: str) -> str | None:
    """Say what the text is where it is no plain path."""
    if re.match(r"[A-Za-z][\w.+-]*://", text):
        return "a URL"
    if re.match(r"/+vsi", text):
        return "a virtual path (/vsi...)"
    if re.match(r"[A-Za-z][\w.+-]+:", text):
        return "a path with a prefix before a colon"
    if text.lstrip().startswith(("<", "{", "[")) or "\n" in text or "\0" in text:
        return "the text of one"
    if not is_unicode(text):
        return "one whose name, or whose folder's name, is no text in UTF-8"
    return None if text else "nothing"


def _why_absent(file: Path, what: str) -> tuple[str, str]:
    """Say why there is no regular file, and what may have been meant."""
    if file.is_dir():
        return f"the {what} must be a file, this is a folder", "Name a file in it"
    if file.exists():
        return f"the {what} must be a regular file, not a device or pipe", "Save it to a file"
    if not file.parent.is_dir():
        return f"the {what} does not exist, nor does its folder", "Check the path"
    near = closest(file.name, sorted(other.name for other in file.parent.iterdir()))
    return f"the {what} does not exist", f"Did you mean {near!r}?" if near else "Check the path"


def sniff(path: Path) -> FileKind:
    """
    Tell what a file is by its first bytes; its name does not count.

    Parameters
    ----------
    path
        A local file.

    Raises
    ------
    InputError
        If it is none of the formats that are read; the message says what it looks like.
    """
    with reading(path), path.open("rb") as stream:
        head = stream.read(512)
    return kind_of(head, str(path))


def kind_of(head: bytes, file: str) -> FileKind:
    """
    Tell what a file is by its first bytes.

    Parameters
    ----------
    head
        The first 512 of them.
    file
        For the message.

    Raises
    ------
    InputError
        As `sniff`.
    """
    if head.startswith(_TIFF_STARTS):
        return "geotiff"
    if head.startswith(b"SQLite format 3\0") and head[68:72] in _GEOPACKAGE_IDS:
        return "geopackage"
    if head.startswith(b"\0\0\x27\x0a"):
        return "shapefile"
    if head.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"{"):
        return "geojson"
    if _ASCII_GRID_START.match(head):
        return "ascii-grid"
    raise InputError(_refusal(head, file))


def _refusal(head: bytes, file: str) -> Fault:
    """Say what a file that is not read looks like."""
    formats = "GeoTIFF and ASCII grid, GeoPackage, GeoJSON and Shapefile are read"
    if not head:
        return Fault("the file is empty", "Download or export it again", file=file)
    for pattern, looks, remedy in _REFUSED:
        if re.match(pattern, head, re.I):
            return Fault(f"this looks like {looks}; {formats}", remedy, file=file)
    return Fault(f"this is no format that is known; {formats}", "Convert it", file=file)


def read_bytes(path: Path, limit: int, what: str) -> bytes:
    """
    Read a whole file that must not be large.

    Parameters
    ----------
    path
        A local file.
    limit
        Most bytes it may hold [bytes].
    what
        What it is, for the message.

    Raises
    ------
    InputError
        If it holds more, or cannot be read.
    """
    with reading(path), path.open("rb") as stream:
        data = stream.read(limit + 1)
    if len(data) > limit:
        raise InputError(
            Fault(f"the {what} may hold {limit:,} bytes, this is more", "Check that it is the "
                  "right file", file=str(path))
        )  # fmt: skip
    return data


def csv_rows(data: bytes, file: str, separators: str = ",") -> list[tuple[int, list[str]]]:
    r"""
    Take a comma-separated table apart: lines with their numbers, those without content left out.

    Parameters
    ----------
    separators
        What may stand between cells: of several the one that its first line has most often.

    Raises
    ------
    InputError
        If it is no such table in UTF-8.

    Examples
    --------
    >>> csv_rows(b'item, price\n\n"pipe, white", 4\n', "prices.csv")
    [(1, ['item', 'price']), (3, ['pipe, white', '4'])]
    >>> csv_rows(b"point;level\nA;1,25\n", "notes.csv", ",;")
    [(1, ['point', 'level']), (2, ['A', '1,25'])]
    """
    try:
        text = data.decode("utf-8-sig")
        first = text.lstrip().partition("\n")[0]
        reader = csv.reader(io.StringIO(text, newline=""), strict=True, skipinitialspace=True,
                            delimiter=max(separators, key=first.count))  # fmt: skip
        return [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    except (UnicodeDecodeError, csv.Error) as error:
        rule = f"not a comma-separated table in UTF-8 ({error})"
        raise InputError(Fault(rule, "Save it as CSV (UTF-8)", file=file)) from error


def sha256(path: Path) -> str:
    """
    Give the SHA-256 of a file, by which a result tells what it was made from.

    Parameters
    ----------
    path
        A local file.

    References
    ----------
    FIPS PUB 180-4, Secure Hash Standard (August 2015).
    """
    digest = hashlib.sha256()
    # large pieces, since each waits for the interpreter when other threads compute
    buffer = memoryview(bytearray(_PIECE))
    with reading(path), path.open("rb", buffering=0) as stream:
        while count := stream.readinto(buffer):
            digest.update(buffer[:count])
    return digest.hexdigest()


def hashes_of(path: Path) -> dict[str, str]:
    """
    Give the SHA-256 of a file and of all that may stand beside it and be read with it, by name.

    Parameters
    ----------
    path
        A local file.
    """
    beside = [part for part in _parts_beside(path) if part.is_file() and part.stat().st_size]
    return {part.name: sha256(part) for part in (path, *beside)}


def sha256_of(data: bytes) -> str:
    """
    Give the SHA-256 of what was read, whatever has become of the file since.

    Parameters
    ----------
    data
        All bytes of a file.

    Examples
    --------
    >>> sha256_of(b"")[:16]
    'e3b0c44298fc1c14'
    """
    return hashlib.sha256(data).hexdigest()


def beside(path: Path, suffix: str) -> Path | None:
    """
    Find the file of the same name with another ending, in lower or upper case.

    Parameters
    ----------
    path
        A local file.
    suffix
        With its dot, in lower case: ".prj".
    """
    candidates = (path.with_suffix(suffix), path.with_suffix(suffix.upper()))
    return next((candidate for candidate in candidates if candidate.is_file()), None)


@dataclass
class _Kept:
    """What was made of files and is used again, by what it is, its file and the file's stamps."""

    things: dict[tuple[Any, ...], Any] = field(default_factory=dict)
    endings: ExitStack = field(default_factory=ExitStack)


_KEPT: Final[ContextVar[_Kept | None]] = ContextVar("files kept", default=None)


#: Of the process, where it works on the same files again and again.
_TO_THE_END: Final = _Kept()


@contextmanager
def files_kept(*, to_the_end: bool = False) -> Iterator[None]:
    """
    Read each file once within the block: private copies, hashes and keys are kept until its end.

    A file that changed meanwhile is read anew. Within another such block this one adds nothing.

    Parameters
    ----------
    to_the_end
        Whether they are kept for the next such block too, until the process ends.
    """
    if _KEPT.get() is not None:
        yield
        return
    kept = _TO_THE_END if to_the_end else _Kept()
    with nullcontext() if to_the_end else kept.endings:
        token = _KEPT.set(kept)
        try:
            yield
        finally:
            _KEPT.reset(token)


atexit.register(_TO_THE_END.endings.close)


def kept_of(what: str, path: Path, make: Callable[[], Any], *about: object) -> Any:
    """
    Give what is made of a file, made once within `files_kept`, else each time.

    Parameters
    ----------
    what, about
        What it is, and of which part of the file.
    path
        The file.
    make
        Makes it.

    Examples
    --------
    >>> with files_kept():
    ...     [kept_of("answer", Path("a"), lambda: object()) for _ in range(2)].count(None)
    0
    """
    kept = _KEPT.get()
    if kept is None:
        return make()
    key = (what, str(path), _stamps(path), *about)
    if key not in kept.things:
        kept.things[key] = make()
    return kept.things[key]


@contextmanager
def opened_once(
    what: str, path: Path, make: Callable[[], AbstractContextManager[Any]]
) -> Iterator[Any]:
    """
    Open something for the block, or within `files_kept` until its end.

    Parameters
    ----------
    what
        What it is.
    path
        The file it is made of.
    make
        Opens it.
    """
    kept = _KEPT.get()
    if kept is None:
        with make() as opened:
            yield opened
    else:
        yield kept_of(what, path, lambda: kept.endings.enter_context(make()))


#: What may stand beside a file and be read with it.
_BESIDE: Final = (
    "-wal",
    "-journal",
    ".shx",
    ".SHX",
    ".dbf",
    ".DBF",
    ".prj",
    ".PRJ",
    ".cpg",
    ".CPG",
    ".tfw",
    ".TFW",
    ".tifw",
    ".TIFW",
    ".wld",
    ".WLD",
)


def _parts_beside(path: Path) -> list[Path]:
    """Name what may stand beside a file."""
    return [
        path.with_name(path.name + end) if end.startswith("-") else path.with_suffix(end)
        for end in _BESIDE
    ]


def _stamps(path: Path) -> tuple[tuple[int, int], ...]:
    """Give size and time of change of a file and of what may stand beside it; zeros for none."""
    found = []
    for file in (path, *_parts_beside(path)):
        try:
            stat = file.stat()
        except OSError:
            found.append((0, 0))
        else:
            found.append((stat.st_size, stat.st_mtime_ns))
    return tuple(found)


@contextmanager
def reading(path: str | Path, *, layer: str | None = None) -> Iterator[None]:
    """
    Turn whatever a library raises while it reads into one error that names the file.

    Parameters
    ----------
    path
        The file that is read.
    layer
        Its layer, where it has any.

    Raises
    ------
    InputError
        In place of every error a damaged, locked or unreadable file can cause. Other
        exceptions are faults of the program and pass.
    """
    try:
        yield
    except LotflowError:
        raise
    except _file_errors() as error:
        rule = f"the file could not be read: {_reason(error)}"
        remedy = "It may be damaged or locked: compare it with its source or export it again"
        is_of_machine = _is_about_the_copy(error)
        if is_of_machine:
            rule = f"no private copy of it could be made to read from: {_reason(error)}"
            remedy = (
                "Free some space where temporary files go, or set TMPDIR to another folder; see "
                "`ulimit -f` for a limit on the size of files"
            )
        told = InputError(Fault(rule, remedy, file=str(path), layer=layer))
        told.is_of_machine = is_of_machine
        raise told from error


def _is_about_the_copy(error: BaseException) -> bool:
    """Tell whether writing failed: nothing but the private copy of a file is written here."""
    if not isinstance(error, OSError):
        return False
    no_folder = "usable temporary directory" in str(error)
    return no_folder or error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS)


def _file_errors() -> tuple[type[BaseException], ...]:
    """Give the exceptions a bad file can cause, of those libraries that are loaded at all."""
    named = {
        "rasterio.errors": ("RasterioError",),
        "rasterio._err": ("CPLE_BaseError",),
        "pyogrio.errors": ("DataSourceError", "DataLayerError", "FeatureError", "GeometryError",
                           "FieldError", "CRSError"),
        "shapely.errors": ("ShapelyError",),
        "pyproj.exceptions": ("ProjError",),
    }  # fmt: skip
    loaded: list[Any] = [
        getattr(sys.modules[module], name)
        for module, names in named.items()
        if module in sys.modules
        for name in names
        if hasattr(sys.modules[module], name)
    ]
    # UnicodeDecodeError and numpy's shape errors are ValueErrors
    builtin = (OSError, ValueError, OverflowError, EOFError, MemoryError, RecursionError)
    return (*builtin, zlib.error, sqlite3.Error, *loaded)


def _reason(error: BaseException) -> str:
    """Give the deepest reason in printable characters; libraries put theirs into `__cause__`."""
    while error.__cause__ is not None:
        error = error.__cause__
    if isinstance(error, MemoryError):
        return "it needs more memory than there is"
    text = str(error) if not isinstance(error, OSError) else error.strerror or str(error)
    printable = "".join(c if c.isprintable() else " " for c in text or type(error).__name__)
    return " ".join(printable.split())[:300]
