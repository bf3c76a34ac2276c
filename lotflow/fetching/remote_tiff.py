"""
The blocks of a remote GeoTIFF that an area touches, as a small local file with the same blocks.

Its directories are read by our own reader, through the door. What is local then is a TIFF of the
same size in which only those blocks are stored, byte for byte; it is read like every other file,
with one driver, its checksums verified. No library is told the address.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from lotflow.errors import Fault, FetchError, InputError
from lotflow.fetching.http_door import HEAD, Door, Known, NoPartsError, Place, Span, Store
from lotflow.inputs.limits import DEFAULT_LIMITS
from lotflow.inputs.open import kind_of, reading
from lotflow.inputs.raster_header import RasterHeader, Window
from lotflow.inputs.rasters import read_header
from lotflow.inputs.tiff_structure import (
    Bytes,
    Directory,
    Layout,
    checked_images,
    is_deflate,
    layout_of,
    thinned,
)

#: Parts of directories beyond the first part are asked for in so many bytes.
_PIECE: Final = 16_384
#: Blocks with no more than this between them come in one request: what stands there is asked for
#: in vain. Eight bytes stand there in a cloud-optimised GeoTIFF.
_GAP: Final = 1024
#: Most bytes of one request: what is lost where it is stopped.
_MOST_AT_ONCE: Final = 8_000_000
_NAME: Final = re.compile(r"[^A-Za-z0-9._-]+")


class RemoteFile:
    """
    A file that lies elsewhere, and what has come of it.

    Parameters
    ----------
    door
        What asks.
    place
        Where it lies.
    store
        Where parts are kept.
    folder
        An empty private folder, for a file that comes as a whole.
    whole
        Whether the whole file is wanted.
    """

    def __init__(
        self, door: Door, place: Place, store: Store, folder: Path, *, whole: bool = False
    ) -> None:
        self.door, self.place, self.store, self._folder = door, place, store, folder
        self.parts: dict[Span, bytes] = {}
        self.local: Path | None = None
        self.why_whole = "asked for" if whole else ""
        try:
            data, self.known = door.part(place, Span(0, HEAD - 1))
        except NoPartsError as error:
            self.why_whole = str(error)
            self.known = Known(error.place, error.size, "", "")
        else:
            self.parts[Span(0, len(data) - 1)] = data
            _require_tiff(data, place)
        self.sha256 = ""

    @property
    def size(self) -> int:
        """Bytes of the whole file; -1 where the server does not say."""
        return self.known.size

    def fetch_whole(self, tell: Callable[[int], None]) -> None:
        """Fetch the whole file into the private folder; tell how many bytes have come."""
        path = self._folder / "whole.tif"
        digest = hashlib.sha256()
        with path.open("wb") as stream:

            def sink(piece: bytes) -> None:
                if stream.tell() == 0:
                    _require_tiff(piece, self.place)
                stream.write(piece)
                digest.update(piece)
                tell(stream.tell())

            def reset() -> None:
                nonlocal digest
                stream.seek(0)
                stream.truncate()
                digest = hashlib.sha256()

            known = self.door.whole(self.known.place, sink, reset)
        if not known.size:
            raise FetchError(f"{self.place.shown}: the file is empty.")
        if self.size >= 0 and known.size != self.size:
            raise FetchError(
                f"{self.place.shown}: {known.size:,} bytes came, not the {self.size:,} that were "
                "announced."
            )
        self.known, self.local, self.sha256 = known, path, digest.hexdigest()

    def stream(self) -> AbstractContextManager[Bytes]:
        """Give the bytes to a reader; what is not here yet is asked for."""
        if self.local is not None:
            return self.local.open("rb")
        return _Stream(self)

    def bytes_at(self, span: Span) -> bytes:
        """Give bytes that lie within a part that has come, else fetch what covers them."""
        for part, data in self.parts.items():
            if part.first <= span.first and span.last <= part.last:
                return data[span.first - part.first : span.last - part.first + 1]
        first = span.first // _PIECE * _PIECE
        last = min(-(-(span.last + 1) // _PIECE) * _PIECE, self.size) - 1
        return self.fetch(Span(first, last))[span.first - first : span.last - first + 1]

    def fetch(self, span: Span) -> bytes:
        """Fetch a part, or take it from what was kept of an earlier try."""
        key = hashlib.sha256(
            f"{self.known.place.url}\n{self.known.tag}\n{self.known.size}".encode()
        ).hexdigest()[:16]
        data = self.store.get(key, (span.first, span.last))
        if data is None:
            data, _ = self.door.part(self.known.place, span, self.known)
            self.store.put(key, (span.first, span.last), data)
        self.parts[span] = data
        return data

    def fingerprints(self) -> list[tuple[int, int, str]]:
        """Give first and last byte and SHA-256 of every part that was used."""
        if self.local is not None:
            return [(0, self.size - 1, self.sha256)]
        return [
            (span.first, span.last, hashlib.sha256(data).hexdigest())
            for span, data in sorted(self.parts.items(), key=lambda it: it[0].first)
        ]


def _require_tiff(head: bytes, place: Place) -> None:
    """Refuse what is no TIFF by its first bytes, saying what it looks like."""
    if kind_of(head[:512], place.shown) != "geotiff":
        rule = "this is no GeoTIFF, and nothing else is fetched"
        raise InputError(Fault(rule, "Name the address of a GeoTIFF", file=place.shown))


class _Stream:
    """What a reader of directories asks of a file."""

    def __init__(self, remote: RemoteFile) -> None:
        self._remote, self._at = remote, 0

    def __enter__(self) -> _Stream:
        """Give itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing is open."""

    def read(self, size: int) -> bytes:
        """Give the next bytes; fewer at the end."""
        last = min(self._at + size, self._remote.size) - 1
        if last < self._at:
            return b""
        data = self._remote.bytes_at(Span(self._at, last))
        self._at += len(data)
        return data

    def seek(self, offset: int, whence: int = 0) -> int:
        """Go to a place counted from the start, or from the end where `whence` is 2."""
        self._at = max(offset + (self._remote.size if whence == 2 else 0), 0)
        return self._at

    def tell(self) -> int:
        """Say where it stands."""
        return self._at


@dataclass(frozen=True)
class Plan:
    """
    The blocks that an area needs of a file.

    Parameters
    ----------
    blocks
        Where each lies, by number of image and of block.
    spans
        What is to be asked for.
    octets
        Bytes of the blocks.
    """

    blocks: dict[tuple[int, int], Span]
    spans: tuple[Span, ...]
    octets: int


class RemoteTiff:
    """
    A GeoTIFF that lies elsewhere.

    Parameters
    ----------
    remote
        Its bytes.
    folder
        A private folder, in which the small local file is made.

    Raises
    ------
    InputError
        If it is none, or its header cannot be used; the message names the address.
    """

    def __init__(self, remote: RemoteFile, folder: Path) -> None:
        self.remote = remote
        last = remote.place.target.partition("?")[0].rpartition("/")[2]
        name = _NAME.sub("_", last).strip("._")[-80:].removesuffix(".tif") or "remote"
        #: The small local file, named like the remote one.
        self.path = folder / f"{name}.tif"
        self._images: list[tuple[Directory, Layout]] = []
        with reading(remote.place.shown), remote.stream() as stream:
            main, mask, _ = checked_images(stream)
            for image in [main] if mask is None else [main, mask]:
                self._images.append((image, layout_of(stream, image)))
        self.header = self._written({})

    @property
    def has_checksum(self) -> bool:
        """Whether its blocks carry one: that of deflate."""
        with self.remote.stream() as stream:
            return is_deflate(stream, self._images[0][0])

    def plan(self, window: Window) -> Plan:
        """
        Tell which blocks a window needs.

        Parameters
        ----------
        window
            In rows and columns of the file.
        """
        blocks: dict[tuple[int, int], Span] = {}
        for number, (_, layout) in enumerate(self._images):
            for plane in range(layout.planes):
                for i, j in layout.touched(window):
                    block = (plane * layout.down + i) * layout.across + j
                    offset, size = int(layout.offsets[block]), int(layout.sizes[block])
                    if offset > 0 and size > 0:
                        blocks[number, block] = Span(offset, offset + size - 1)
        size = self.remote.size
        if any(span.last >= size for span in blocks.values()):
            raise InputError(
                Fault("a block of it lies beyond the end of the file", "It may be cut off at its "
                      "source", file=self.remote.place.shown)
            )  # fmt: skip
        return Plan(
            blocks,
            tuple(_joined(blocks.values(), self.remote.parts)),
            sum(span.size for span in blocks.values()),
        )

    def fetch(self, plan: Plan, tell: Callable[[int], None]) -> RasterHeader:
        """
        Fetch the blocks of a plan into the small local file and give its header.

        Parameters
        ----------
        plan
            As `plan` gives it.
        tell
            Called with the number of bytes after each part.
        """
        if self.remote.local is None:
            self.remote.door.budget.require(sum(span.size for span in plan.spans))
            for span in plan.spans:
                self.remote.fetch(span)
                tell(span.size)
        with self.remote.stream() as stream:
            data = {}
            for key, span in plan.blocks.items():
                stream.seek(span.first)
                data[key] = stream.read(span.size)
        return self._written(data)

    def _written(self, blocks: dict[tuple[int, int], bytes]) -> RasterHeader:
        """Write the small local file with these blocks and read its header."""
        with reading(self.remote.place.shown), self.remote.stream() as stream:
            content = thinned(stream, self._images, blocks)
        with reading(self.path):
            self.path.write_bytes(content)
        with naming(self.remote.place, self.path):
            return read_header(self.path, DEFAULT_LIMITS)


@contextmanager
def naming(place: Place, path: Path) -> Iterator[None]:
    """
    Name the address in faults of the small local file, which nobody knows.

    Parameters
    ----------
    place, path
        Of both.
    """
    try:
        yield
    except InputError as error:
        raise InputError(
            [
                replace(one, file=place.shown) if one.file in (str(path), path.name) else one
                for one in error.faults
            ]
        ) from error


def _joined(blocks: Iterable[Span], here: Iterable[Span]) -> Iterator[Span]:
    """Give what is to be asked for: blocks that are not here yet, neighbours in one."""
    run: Span | None = None
    have = list(here)
    for span in sorted(set(blocks), key=lambda one: one.first):
        if any(part.first <= span.first and span.last <= part.last for part in have):
            continue
        near = run is not None and span.first - run.last - 1 <= _GAP
        if run is not None and near and span.last - run.first < _MOST_AT_ONCE:
            run = Span(run.first, max(run.last, span.last))
            continue
        if run is not None:
            yield run
        run = span
    if run is not None:
        yield run
