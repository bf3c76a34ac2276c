"""The hand-made results are a module of this folder."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from hand_made import site_layers


@pytest.fixture
def site():
    """Layers of a lot with a low spot at a door and a wall to which the ground falls."""
    return site_layers()
