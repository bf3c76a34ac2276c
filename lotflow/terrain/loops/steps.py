"""The eight neighbours of a cell, and the types of arrays."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

ByteArray = NDArray[np.uint8]
IndexArray = NDArray[np.int64]
BitArray = NDArray[np.uint64]

#: Steps per direction 1..8; index 0 stays.
ROW_STEP: Final = np.array([0, 0, -1, -1, -1, 0, 1, 1, 1], dtype=np.int64)
COLUMN_STEP: Final = np.array([0, -1, -1, 0, 1, 1, 1, 0, -1], dtype=np.int64)

#: Neighbours in the order in which ties are settled: cardinal ones first, by row then column.
TIE_ORDER: Final = np.array([3, 1, 5, 7, 2, 4, 8, 6], dtype=np.int64)

#: One over the square root of two.
DIAGONAL_SHARE: Final = 0.7071067811865476
