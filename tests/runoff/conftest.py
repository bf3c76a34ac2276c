"""Rainfall used in several tests of the runoff room."""

from pathlib import Path

import pytest

from lotflow.inputs.rainfall import parse_rainfall

REFERENCE = Path(__file__).parents[1] / "reference"


@pytest.fixture(scope="session")
def irving():
    """NOAA Atlas 14, Irving TX: 5 min to 24 h, 1 to 100 years."""
    return parse_rainfall((REFERENCE / "atlas14_irving.csv").read_bytes(), "irving.csv")


@pytest.fixture(scope="session")
def fort_myers():
    """NOAA Atlas 14, Fort Myers FL: 5 min to 24 h, 1 to 100 years."""
    return parse_rainfall((REFERENCE / "atlas14_fort_myers.csv").read_bytes(), "fort_myers.csv")
