"""
The directories and blocks of a TIFF, read on their own: what the file says that it holds.

The usual library drops a directory, a mask or a tie point that it cannot make out, takes a block
wherever its offset points, and reads a damaged one without a word. What the directories say is
read here, so that it can be held against what the library makes of it, and the stored bytes of
every block are verified before their values are taken.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal, Protocol

import numpy as np
from numpy.typing import NDArray
from rasterio.enums import Interleaving

from lotflow.findings import Finding
from lotflow.inputs.limits import Limits
from lotflow.inputs.raster_header import Window

#: No file has more directories, none more tags.
_MOST_DIRECTORIES: Final = 256
_MOST_TAGS: Final = 4096
#: Bytes that are searched at once.
_PIECE: Final = 4_000_000
#: Types of numbers by their code (TIFF 6.0, section 2; BigTIFF).
_TYPES: Final = {
    1: "u1", 2: "u1", 3: "u2", 4: "u4", 6: "i1", 7: "u1", 8: "i2", 9: "i4", 11: "f4", 12: "f8",
    13: "u4", 16: "u8", 17: "i8", 18: "u8",
}  # fmt: skip
_SUBFILE: Final = 254
_WIDTH, _HEIGHT, _BITS, _PHOTOMETRIC = 256, 257, 258, 262
#: Offsets and sizes of strips, and of tiles.
_BLOCKS: Final = ((273, 279), (324, 325))
_STRIP_ROWS, _TILE_WIDTH, _TILE_HEIGHT = 278, 322, 323
_SAMPLES, _PLANAR = 277, 284
#: Each band is stored on its own.
_SEPARATE: Final = 2
_COMPRESSION: Final = 259
_COMPRESSIONS: Final = {1: "NONE", 8: "DEFLATE", 32_946: "DEFLATE"}
_CELL_SIZE, _TIE_POINTS, _MATRIX = 33_550, 33_922, 34_264
_REDUCED, _PAGE, _MASK = 1, 2, 4
#: Photometric interpretation of a mask.
_IS_MASK: Final = 4
#: Tie points may differ by so much of a cell from what the first says.
_TIE_SHARE: Final = 0.01


class Bytes(Protocol):
    """Bytes with a place to read from: an open file, or one that comes part by part."""

    def read(self, size: int, /) -> bytes:
        """Give the next bytes; fewer at the end."""

    def seek(self, offset: int, whence: int = 0, /) -> int:
        """Go to a place counted from the start, or from the end where `whence` is 2."""

    def tell(self) -> int:
        """Say where it stands."""


@dataclass(frozen=True)
class Directory:
    """One image of a TIFF."""

    #: Where its bytes stand in the file.
    start: int
    stop: int
    #: Of the bytes, "<" or ">".
    order: Literal["<", ">"]
    #: Per tag: code of the type, number of values, their place in the file.
    tags: dict[int, tuple[int, int, int]]

    def values(self, stream: Bytes, tag: int) -> NDArray[np.generic]:
        """Read the values of a tag; none where it is missing."""
        if tag not in self.tags:
            return np.zeros(0)
        kind, count, place = self.tags[tag]
        if kind not in _TYPES:
            raise ValueError(f"the type of its tag {tag} is unknown")
        dtype = np.dtype(_TYPES[kind]).newbyteorder(self.order)
        if count * dtype.itemsize > _size(stream) - place:
            raise ValueError(f"its tag {tag} points beyond the end")
        stream.seek(place)
        return np.frombuffer(stream.read(count * dtype.itemsize), dtype)

    def number(self, stream: Bytes, tag: int, default: int = 0) -> int:
        """Read a tag of one whole number."""
        values = self.values(stream, tag)
        return int(values[0]) if values.size else default


def directories(stream: Bytes) -> Iterator[Directory]:
    """
    Give the directories of a TIFF or BigTIFF in the order of their chain.

    References
    ----------
    Adobe, TIFF Revision 6.0, section 2.
    """
    head = stream.read(16)
    order: Literal["<", ">"] = "<" if head[:2] == b"II" else ">"
    is_big = struct.unpack_from(f"{order}H", head, 2)[0] == 43
    # offsets and counts have 8 bytes in a BigTIFF, else 4
    word, at, count_code = ("Q", 8, "Q") if is_big else ("I", 4, "H")
    entry = struct.Struct(f"{order}HH{word}{8 if is_big else 4}s")
    counter, link = struct.Struct(f"{order}{count_code}"), struct.Struct(f"{order}{word}")
    inside = entry.size - (12 if is_big else 8)
    (start,) = link.unpack_from(head, at)
    seen: set[int] = set()
    while start:
        if start in seen or len(seen) >= _MOST_DIRECTORIES or start > _size(stream):
            raise ValueError("the chain of its directories is broken")
        seen.add(start)
        stream.seek(start)
        (count,) = counter.unpack(stream.read(counter.size))
        if count > _MOST_TAGS:
            raise ValueError("a directory of it holds too many tags")
        tags: dict[int, tuple[int, int, int]] = {}
        first = start + counter.size
        for i in range(count):
            tag, kind, length, value = entry.unpack(stream.read(entry.size))
            width = np.dtype(_TYPES.get(kind, "u8")).itemsize
            place = first + (i + 1) * entry.size - inside
            if length * width > inside:
                (place,) = link.unpack(value)
            tags.setdefault(tag, (kind, length, place))
        end = stream.read(link.size)
        yield Directory(start, stream.tell(), order, tags)
        (start,) = link.unpack(end)


def check_structure(path: Path) -> tuple[Directory | None, tuple[Finding, ...]]:
    """
    Refuse a TIFF whose directories contradict one another or themselves.

    Refused are a broken chain of directories, a mask that is not wholly one, two blocks that
    overlap, and what places the image twice. Given is the directory of the mask of the first image,
    None where it has none, and what is odd and may be meant.
    """
    with path.open("rb") as stream:
        main, mask, in_order = checked_images(stream)
        if mask is None and _lost_mask(stream, main.order):
            raise ValueError("it holds a mask that no directory leads to")
    found: tuple[Finding, ...] = ()
    if not in_order:
        found = (Finding("blocks-out-of-order", "note", path.name),)
    return mask, found


def checked_images(stream: Bytes) -> tuple[Directory, Directory | None, bool]:
    """
    Give the directories of the first image and of its mask, and whether blocks stand in order.

    Only directories are read; a mask that none leads to is not looked for.

    Parameters
    ----------
    stream
        Of a whole TIFF, with `read`, `seek` and `tell`.

    Raises
    ------
    ValueError
        If the directories contradict one another or themselves.
    """
    try:
        chain = list(directories(stream))
    except struct.error:
        raise ValueError("the chain of its directories is cut off") from None
    if not chain:
        raise ValueError("it holds no directory")
    masks = [one for one in chain[1:] if _is_mask(stream, one, chain[0])]
    if len(masks) > 1:
        raise ValueError("it holds several masks of one image")
    in_order = _check_blocks(stream, chain, [chain[0], *masks])
    _check_place(stream, chain[0])
    return chain[0], (masks[0] if masks else None), in_order


@dataclass(frozen=True, eq=False)
class Layout:
    """
    How the blocks of one image lie in a file.

    Parameters
    ----------
    size
        Rows and columns of the image.
    block
        Rows and columns of a block; a last strip may be shorter.
    tiled
        Whether blocks are tiles; else they are strips.
    planes
        How often the image is stored, each band on its own; 1 where bands lie together.
    offsets, sizes
        Of the blocks: from left to right, from above, plane by plane [bytes].
    """

    size: tuple[int, int]
    block: tuple[int, int]
    tiled: bool
    planes: int
    offsets: NDArray[np.generic]
    sizes: NDArray[np.generic]

    @property
    def across(self) -> int:
        """Blocks beside one another."""
        return -(-self.size[1] // self.block[1])

    @property
    def down(self) -> int:
        """Blocks below one another."""
        return -(-self.size[0] // self.block[0])

    def touched(self, window: Window) -> Iterator[tuple[int, int]]:
        """Give row and column, counted in blocks, of those that a window touches."""
        for i in range(window.row_start // self.block[0], -(-window.row_stop // self.block[0])):
            for j in range(
                window.column_start // self.block[1], -(-window.column_stop // self.block[1])
            ):
                yield i, j


def layout_of(stream: Bytes, image: Directory) -> Layout:
    """
    Read how the blocks of an image lie.

    Parameters
    ----------
    stream, image
        As `checked_images` takes and gives them.

    Raises
    ------
    ValueError
        If there are more or fewer blocks than the size of the image asks for.

    References
    ----------
    Adobe, TIFF Revision 6.0, sections 2, 8 (PlanarConfiguration) and 15 (tiles).
    """
    width, height, rows, columns = (
        image.number(stream, tag) for tag in (_WIDTH, _HEIGHT, _TILE_HEIGHT, _TILE_WIDTH)
    )
    tiled = bool(rows and columns)
    if not tiled:
        rows, columns = min(image.number(stream, _STRIP_ROWS, height), height), width
    offsets, sizes = (image.values(stream, tag) for tag in _BLOCKS[tiled])
    separate = image.number(stream, _PLANAR, 1) == _SEPARATE
    planes = image.number(stream, _SAMPLES, 1) if separate else 1
    layout = Layout((height, width), (max(rows, 1), max(columns, 1)), tiled, planes, offsets, sizes)
    if not offsets.size == sizes.size == layout.across * layout.down * planes:
        raise ValueError("it has other blocks than its size asks for")
    return layout


def is_deflate(stream: Bytes, image: Directory) -> bool:
    """
    Tell whether the blocks of an image carry the checksum of deflate.

    Parameters
    ----------
    stream, image
        As `checked_images` takes and gives them.
    """
    return _COMPRESSIONS.get(image.number(stream, _COMPRESSION, 1)) == "DEFLATE"


def mask_blocks(path: Path, mask: Directory, window: Window) -> tuple[str, list[Block]]:
    """
    Look up the blocks of a mask that a window touches.

    Given are the compression, "" where it is neither "DEFLATE" nor "NONE", and the blocks.
    """
    with path.open("rb") as stream:
        layout = layout_of(stream, mask)
        bits, compression = mask.number(stream, _BITS, 1), mask.number(stream, _COMPRESSION, 1)
    rows, columns = layout.block
    row_bytes = -(-columns * bits // 8)
    blocks = []
    for i, j in layout.touched(window):
        least = rows if layout.tiled else min(rows, layout.size[0] - i * rows)
        cells = Window(i * rows, (i + 1) * rows, j * columns, (j + 1) * columns)
        offset, size = (int(v[i * layout.across + j]) for v in (layout.offsets, layout.sizes))
        blocks.append(Block(cells, offset, size, (least * row_bytes, rows * row_bytes)))
    return _COMPRESSIONS.get(compression, ""), blocks


#: Tags that say what the numbers of an image are and where it lies, of no other image, text or
#: program; types, sizes, compression, tables of it, place, CRS, GDAL's unit and scale, nodata.
_COPIED: Final[tuple[int, ...]] = (
    254, 256, 257, 258, 259, 262, 266, 277, 278, 284, 317, 322, 323, 338, 339, 347,
    33_550, 33_922, 34_264, 34_735, 34_736, 34_737, 42_112, 42_113, 50_674,
)  # fmt: skip
#: Most bytes of the tags of an image, its places of blocks aside.
_MOST_TAG_BYTES: Final = 1_000_000
#: Bytes of a value by the code of its type, also of those that are not read here.
_WIDTHS: Final = {5: 8, 10: 8} | {code: np.dtype(name).itemsize for code, name in _TYPES.items()}


def thinned(
    stream: Bytes,
    images: Sequence[tuple[Directory, Layout]],
    blocks: Mapping[tuple[int, int], bytes],
) -> bytes:
    """
    Make a TIFF of the same images in which only some blocks are stored, byte for byte.

    The others count as never written: whoever reads the file gets the same numbers from the
    blocks that are there, and none elsewhere. A BigTIFF in the same order of bytes.

    Parameters
    ----------
    stream, images
        As `checked_images` takes and gives them, with their layouts.
    blocks
        By number of the image and of the block in its layout.

    References
    ----------
    Adobe, TIFF Revision 6.0, section 2; the BigTIFF extension of libtiff.
    """
    order = images[0][0].order
    made = bytearray((b"II" if order == "<" else b"MM") + struct.pack(f"{order}HHHQ", 43, 8, 0, 0))
    link = 8
    for number, (image, layout) in enumerate(images):
        values = {tag: _raw(stream, image, tag) for tag in _COPIED if tag in image.tags}
        if sum(len(raw) for _, _, raw in values.values()) > _MOST_TAG_BYTES:
            raise ValueError("its tags are too large")
        places = np.zeros((2, layout.offsets.size), dtype=f"{order}u8")
        for (of, block), data in blocks.items():
            if of == number:
                places[:, block] = len(made), len(data)
                made += data
        for tag, row in zip(_BLOCKS[layout.tiled], places, strict=True):
            values[tag] = (16, row.size, row.tobytes())
        made += bytes(-len(made) % 8)
        struct.pack_into(f"{order}Q", made, link, len(made))
        entries = struct.pack(f"{order}Q", len(values))
        beyond = bytearray()
        after = len(made) + 8 + 20 * len(values) + 8
        for tag in sorted(values):
            kind, count, raw = values[tag]
            inside = raw.ljust(8, b"\0")
            if len(raw) > 8:
                inside = struct.pack(f"{order}Q", after + len(beyond))
                beyond += raw + bytes(-len(raw) % 8)
            entries += struct.pack(f"{order}HHQ", tag, kind, count) + inside
        link = len(made) + len(entries)
        made += entries + bytes(8) + beyond
    return bytes(made)


def _raw(stream: Bytes, image: Directory, tag: int) -> tuple[int, int, bytes]:
    """Give type, number and bytes of the values of a tag."""
    kind, count, place = image.tags[tag]
    length = count * _WIDTHS.get(kind, 1)
    if length > min(_MOST_TAG_BYTES, _size(stream) - place):
        raise ValueError(f"its tag {tag} points beyond the end")
    stream.seek(place)
    return kind, count, stream.read(length)


def _size(stream: Bytes) -> int:
    """Bytes of the file; leaves the place where it is."""
    place = stream.tell()
    size = stream.seek(0, 2)
    stream.seek(place)
    return size


def _is_mask(stream: Bytes, one: Directory, main: Directory) -> bool:
    """Tell a mask of the first image from overviews and other images; refuse half a mask."""
    kind = one.number(stream, _SUBFILE)
    if list(one.tags) != sorted(one.tags) or kind & ~(_REDUCED | _PAGE | _MASK):
        raise ValueError("the directory of a further image is damaged")
    looks = one.number(stream, _PHOTOMETRIC, -1) == _IS_MASK
    if bool(kind & _MASK) != looks:
        raise ValueError("an image in it is called a mask and is none, or the other way round")
    sizes = [tuple(image.number(stream, tag) for tag in (_WIDTH, _HEIGHT)) for image in (one, main)]
    bits = one.number(stream, _BITS, 1)
    if kind & _REDUCED:
        if sizes[0] == sizes[1] and sizes[0] != (1, 1):
            raise ValueError("an image in it is called smaller and is not")
        return False
    if not looks:
        if bits == 1 and sizes[0] == sizes[1]:
            raise ValueError("an image in it looks like its mask and is not called so")
        return False
    if sizes[0] != sizes[1] or bits not in (1, 8):
        raise ValueError("its mask has another size than the image")
    return True


def _lost_mask(stream: Bytes, order: Literal["<", ">"]) -> bool:
    """Look for the first tag of a mask's directory, in any form, that no directory has."""
    # a count of 4 bytes, of 8 in a BigTIFF; a value of 4 bytes, or of 2; a mask, also as a page
    patterns = [
        struct.pack(f"{order}HH{count}{value}", _SUBFILE, kind, 1, _MASK | page)
        for count in "IQ"
        for kind, value in ((4, "I"), (3, "H"))
        for page in (0, _PAGE)
    ]
    longest = max(map(len, patterns))
    stream.seek(0)
    tail = b""
    while piece := stream.read(_PIECE):
        if any(pattern in tail + piece for pattern in patterns):
            return True
        tail = (tail + piece)[-longest:]
    return False


def _check_blocks(stream: Bytes, chain: list[Directory], images: list[Directory]) -> bool:
    """Refuse blocks that share bytes with others or with a directory; tell whether in order."""
    parts = [np.array([[one.start, one.stop] for one in chain], dtype=np.int64)]
    in_order = True
    for image in images:
        for offset_tag, size_tag in _BLOCKS:
            offsets, sizes = (
                image.values(stream, tag).astype(np.int64) for tag in (offset_tag, size_tag)
            )
            if offsets.size != sizes.size:
                if sizes.size:
                    raise ValueError("its blocks have more places than sizes, or fewer")
                continue
            stored = (offsets > 0) & (sizes > 0)
            parts.append(np.stack([offsets[stored], (offsets + sizes)[stored]], axis=1))
            in_order &= bool((np.diff(offsets[stored]) > 0).all())
    spans = np.concatenate(parts)
    spans = spans[np.argsort(spans[:, 0], kind="stable")]
    if (spans[1:, 0] < spans[:-1, 1]).any():
        raise ValueError("two of its blocks share the same bytes")
    return in_order


def _check_place(stream: Bytes, main: Directory) -> None:
    """Refuse tie points that contradict one another, and a matrix that contradicts them."""
    ties = main.values(stream, _TIE_POINTS).astype(np.float64)
    cell = main.values(stream, _CELL_SIZE).astype(np.float64)
    if ties.size % 6 or cell.size not in (0, 3):
        raise ValueError("the tags that place it are cut short")
    if not ties.size or not cell.size:
        return
    # column, row, -, east, north, -; rows count downwards
    column, row, _, east, north, _ = ties.reshape(-1, 6).T
    corners = np.stack([east - column * cell[0], north + row * cell[1]], axis=1)
    away = np.abs(corners - corners[0]) / np.abs(cell[:2]) if (cell[:2] != 0).all() else corners
    if not (away <= _TIE_SHARE).all():
        raise ValueError("its tie points contradict one another, or the size of its cells")
    matrix = main.values(stream, _MATRIX).astype(np.float64)
    if matrix.size == 16:
        told = np.array([matrix[0], -matrix[5], matrix[3], matrix[7]])
        here = np.array([cell[0], cell[1], *corners[0]])
        if not (np.abs(told - here) <= _TIE_SHARE * np.abs(cell[0])).all():
            raise ValueError("it is placed twice, in two places")


@dataclass(frozen=True)
class Block:
    """One stored block of a band."""

    #: The cells it holds; may reach beyond the raster.
    cells: Window
    #: Where its bytes stand in the file, and how many; -1 where it was never written.
    offset: int
    size: int
    #: Least and most bytes that it may decode to.
    decoded: tuple[int, int]

    @property
    def is_stored(self) -> bool:
        """Whether the file holds any bytes for it."""
        return self.size > 0


def touched_blocks(
    dataset: Any, band: int, window: Window, path: Path, limits: Limits
) -> list[Block]:
    """Look up the blocks of a band that a window touches, after their size was found bearable."""
    rows, columns = dataset.block_shapes[0]
    touched = (
        range(window.row_start // rows, -(-window.row_stop // rows)),
        range(window.column_start // columns, -(-window.column_stop // columns)),
    )
    row_bytes = _row_bytes(dataset)
    total = len(touched[0]) * len(touched[1]) * rows * row_bytes
    limits.check("decoded_bytes", total, "the blocks of the window hold {} bytes", file=str(path))
    blocks = []
    for i in touched[0]:
        for j in touched[1]:
            cells = Window(i * rows, (i + 1) * rows, j * columns, (j + 1) * columns)
            # the last strip may be written short or full; a tile is always full
            shortest = min(rows, dataset.height - i * rows) if columns >= dataset.width else rows
            offset, size = (
                int(dataset.get_tag_item(f"BLOCK_{item}_{j}_{i}", "TIFF", bidx=band) or -1)
                for item in ("OFFSET", "SIZE")
            )
            blocks.append(Block(cells, offset, size, (shortest * row_bytes, rows * row_bytes)))
    return blocks


def _row_bytes(dataset: Any) -> int:
    """Bytes of one row of a decoded block."""
    bits = dataset.tags(1, ns="IMAGE_STRUCTURE").get("NBITS")
    bits = int(bits) if bits else 8 * np.dtype(dataset.dtypes[0]).itemsize
    planes = dataset.count if dataset.interleaving == Interleaving.pixel else 1
    return -(-int(dataset.block_shapes[0][1]) * bits * planes // 8)


def compression_of(dataset: Any) -> str:
    """Name the compression of a raster's blocks as GDAL does; "NONE" where there is none."""
    return str(dataset.tags(ns="IMAGE_STRUCTURE").get("COMPRESSION", "NONE"))


def verify_blocks(path: Path, compression: str, blocks: list[Block]) -> None:
    """
    Raise where stored bytes do not decode in full to what their block must hold.

    A deflate block carries a checksum, an uncompressed one a length; of other compressions
    nothing can be verified.

    References
    ----------
    Deutsch, P. and Gailly, J-L. (1996), ZLIB Compressed Data Format Specification, RFC 1950:
    the Adler-32 checksum at the end of a stream.
    """
    if compression not in ("DEFLATE", "NONE"):
        return
    with path.open("rb") as stream:
        for block in blocks:
            if not block.is_stored:
                continue
            stream.seek(block.offset)
            length = block.size
            if compression == "DEFLATE":
                length = _inflated(stream.read(block.size), block.decoded[1])
            if not block.decoded[0] <= length <= block.decoded[1]:
                raise zlib.error(_damage(block))


def _inflated(data: bytes, longest: int) -> int:
    """Length that bytes inflate to; -1 where the stream is cut off or its checksum is wrong."""
    stream = zlib.decompressobj()
    try:
        length = len(stream.decompress(data, longest + 1))
    except zlib.error:
        return -1
    # the end is reached only after the Adler-32 checksum was found right
    return length if stream.eof else -1


def _damage(block: Block) -> str:
    """Say which block is damaged."""
    return (f"the block at row {block.cells.row_start + 1}, column "
            f"{block.cells.column_start + 1} is damaged")  # fmt: skip
