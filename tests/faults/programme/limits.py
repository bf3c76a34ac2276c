"""How much a case may take."""

from __future__ import annotations

from typing import Final

#: Processor time a case may take [s]: that of its child, whatever else the machine does.
CPU_SECONDS: Final = 5.0
#: When it is ended [s], and memory above what the server has mapped [bytes].
SECONDS: Final = 60.0
MEMORY_BYTES: Final = 1 << 30
