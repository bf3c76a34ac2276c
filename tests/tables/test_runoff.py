"""The packaged tables of the runoff room: complete, in range, each row with its source."""

from dataclasses import dataclass

import pytest

from lotflow.errors import EngineError
from lotflow.layers import COVERS
from lotflow.tables import read_table
from lotflow.tables.runoff import (
    Cover,
    CurveNumbers,
    FrequencyFactor,
    PeakCoefficients,
    PondFactor,
    Roughness,
    UnitHydrographPoint,
    cover_keys,
)

TABLES = [
    ("covers", Cover),
    ("curve_numbers", CurveNumbers),
    ("sheet_flow_roughness", Roughness),
    ("nrcs_peak", PeakCoefficients),
    ("pond_factors", PondFactor),
    ("frequency_factors", FrequencyFactor),
    ("unit_hydrograph", UnitHydrographPoint),
]


@pytest.mark.parametrize(("name", "row_type"), TABLES)
def test_every_row_names_its_source(name, row_type):
    rows = read_table(name, row_type)
    assert rows
    assert all(len(row.source) > 10 for row in rows)


def test_a_table_is_read_once():
    assert read_table("covers", Cover) is read_table("covers", Cover)


def test_the_covers_are_those_of_the_layer_schema():
    assert cover_keys() == COVERS


def test_every_cover_has_one_row_for_each_soil_and_slope():
    for key in COVERS:
        for group in "ABCD":
            rows = [r for r in read_table("covers", Cover)
                    if r.cover == key and group in r.soil_groups]  # fmt: skip
            limits = [row.slope_to for row in rows]
            assert limits[-1] is None, (key, group)
            assert None not in limits[:-1]
            assert limits[:-1] == sorted(limits[:-1])


def test_defaults_lie_within_their_published_range():
    for row in read_table("covers", Cover):
        assert 0 <= row.coefficient_low <= row.coefficient_default <= row.coefficient_high <= 1


def test_every_cover_leads_to_curve_numbers_and_a_roughness():
    numbers = {row.surface for row in read_table("curve_numbers", CurveNumbers)}
    rough = {row.surface for row in read_table("sheet_flow_roughness", Roughness)}
    for row in read_table("covers", Cover):
        assert row.curve_numbers in numbers
        assert row.roughness in rough
        assert row.infiltration in ("none", "soil", "compacted soil")


def test_curve_numbers_do_not_fall_from_group_a_to_d():
    for row in read_table("curve_numbers", CurveNumbers):
        groups = [row.of_group(group) for group in "ABCD"]
        assert groups == sorted(groups)
        assert 30 <= groups[0] <= groups[-1] <= 100


def test_what_is_from_memory_or_common_practice_says_so():
    """Rows whose published text was not read must not look as if it had been."""
    marked = {row.cover for row in read_table("covers", Cover)
              if "from memory" in row.source or "no published source" in row.source}  # fmt: skip
    assert marked == {"permeable pavers", "gravel", "planting", "artificial turf", "water"}
    assert all("mass from memory" in r.source
               for r in read_table("unit_hydrograph", UnitHydrographPoint))  # fmt: skip


@dataclass(frozen=True)
class WrongColumns:
    surface: str
    n: float
    source: str


@dataclass(frozen=True)
class WrongType:
    surface: int
    roughness: float
    source: str


@pytest.mark.parametrize(
    ("name", "row_type", "message"),
    [
        ("no_such_table", Roughness, "no_such_table.csv is missing"),
        ("sheet_flow_roughness", WrongColumns, "sheet_flow_roughness.csv is damaged"),
        ("sheet_flow_roughness", WrongType, "sheet_flow_roughness.csv is damaged"),
    ],
)
def test_a_missing_or_damaged_table_is_a_fault_of_the_installation(name, row_type, message):
    with pytest.raises(EngineError, match=message):
        read_table(name, row_type)
