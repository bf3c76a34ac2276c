"""The stored blocks of a GeoTIFF: where their bytes stand, and whether they are whole."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from rasterio.enums import Interleaving

from lotflow.inputs.limits import Limits
from lotflow.inputs.raster_header import Window


@dataclass(frozen=True)
class Block:
    """
    One stored block of a band.

    Parameters
    ----------
    cells
        The cells it holds; may reach beyond the raster.
    offset, size
        Where its bytes stand in the file, and how many; -1 where it was never written.
    decoded
        Least and most bytes that it may decode to.
    """

    cells: Window
    offset: int
    size: int
    decoded: tuple[int, int]

    @property
    def is_stored(self) -> bool:
        """Whether the file holds any bytes for it."""
        return self.size > 0


def touched_blocks(
    dataset: Any, band: int, window: Window, path: Path, limits: Limits
) -> list[Block]:
    """
    Look up the blocks of a band that a window touches, after their size was found bearable.

    Parameters
    ----------
    dataset
        The open raster.
    band
        Counted from 1.
    window
        Within the raster.
    path
        Of the file, for messages.
    limits
        How many bytes they may decode to.

    Raises
    ------
    InputError
        If they hold more.
    """
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
    """
    Name the compression of a raster's blocks as GDAL does; "NONE" where there is none.

    Parameters
    ----------
    dataset
        The open raster.
    """
    return str(dataset.tags(ns="IMAGE_STRUCTURE").get("COMPRESSION", "NONE"))


def verify_blocks(path: Path, compression: str, blocks: list[Block]) -> None:
    """
    Raise where stored bytes do not decode in full to what their block must hold.

    A deflate block carries a checksum, an uncompressed one a length; of other compressions
    nothing can be verified.

    Parameters
    ----------
    path
        Of the file.
    compression
        "DEFLATE", "NONE" or another.
    blocks
        To be verified.

    Raises
    ------
    zlib.error
        If a block is damaged or cut off.

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
