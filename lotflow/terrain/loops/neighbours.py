"""The eight neighbours of a cell, and whole numbers as the compiler likes them; not compiled."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

DirectionArray = NDArray[np.uint8]
CellArray = NDArray[np.uint64]
IndexArray = NDArray[np.int64]
OrderArray = NDArray[np.uint32]

#: Steps per direction 1..8; index 0 stays.
ROW_STEP: Final = np.array([0, 0, -1, -1, -1, 0, 1, 1, 1], dtype=np.int64)
COLUMN_STEP: Final = np.array([0, -1, -1, 0, 1, 1, 1, 0, -1], dtype=np.int64)

#: Neighbours in the order in which ties are settled: cardinal ones first, by row then column.
TIE_ORDER: Final = np.array([3, 1, 5, 7, 2, 4, 8, 6], dtype=np.int64)

#: One over the square root of two.
DIAGONAL_SHARE: Final = 0.7071067811865476

# Cells are counted without a sign where it matters: numba asks of every signed index whether it
# counts from the end. A neighbour before its cell is then found by running over, which is exact.
# Numbers beside them need to be unsigned too, or numba makes fractions of both.
ZERO: Final = np.uint64(0)
ONE: Final = np.uint64(1)
#: Direction of the lowest bit that is set in a byte, the first for direction 1; 0 where none is.
DIRECTION_OF_BIT: Final = np.array(
    [(value & -value).bit_length() for value in range(256)], dtype=np.uint8
)
