"""The programme's own modules, its server and where its tallies go."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from programme.server import Server


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """A process that has everything imported and runs each case in a child of its own."""
    with Server() as running:
        yield running
