"""How much a case may take."""

from __future__ import annotations

from typing import Final

#: Time a case may take [s], and memory above what the server has mapped [bytes].
SECONDS: Final = 5.0
MEMORY_BYTES: Final = 1 << 30
