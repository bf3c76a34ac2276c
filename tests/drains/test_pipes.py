"""Full-flow pipes: formulas, sizing, their domain; the packaged tables fit their words."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lotflow.drains.pipes import (
    channel_roughness,
    friction_slope,
    full_flow_capacity,
    full_flow_velocity,
    minimum_fall,
    pipe_material,
    pipe_size,
    required_diameter,
    sizes_offered,
    smallest_standard_size,
)
from lotflow.errors import ParameterError
from lotflow.layers import MATERIALS
from lotflow.tables import read_table
from lotflow.tables.drains import (
    ChannelRoughness,
    ContractionLoss,
    MinimumFall,
    PipeMaterial,
    PipeSize,
    SoilInfiltration,
    StructureLoss,
)

INCH = 0.0254
GPM = 231 * INCH**3 / 60
CFS = 0.3048**3
INCHES = np.array([3, 4, 6, 8, 10, 12]) * INCH

diameters = st.floats(0.05, 2.0)
slopes = st.floats(1e-4, 0.5)
roughnesses = st.floats(0.008, 0.03)
flows = st.floats(1e-5, 2.0)
growth = st.floats(1.001, 3.0)


@settings(max_examples=50, deadline=None)
@given(diameters, slopes, roughnesses, growth)
def test_capacity_grows_with_diameter_fall_and_smoothness(diameter, slope, roughness, factor):
    capacity = full_flow_capacity(diameter, slope, roughness)
    assert full_flow_capacity(diameter * factor, slope, roughness) > capacity
    assert full_flow_capacity(diameter, slope * factor, roughness) > capacity
    assert full_flow_capacity(diameter, slope, roughness / factor) > capacity


@settings(max_examples=50, deadline=None)
@given(diameters, slopes, roughnesses)
def test_capacity_is_velocity_times_area(diameter, slope, roughness):
    area = np.pi * diameter**2 / 4
    assert full_flow_capacity(diameter, slope, roughness) == pytest.approx(
        area * full_flow_velocity(diameter, slope, roughness)
    )


@settings(max_examples=50, deadline=None)
@given(diameters, slopes, roughnesses)
def test_required_diameter_undoes_capacity(diameter, slope, roughness):
    flow = full_flow_capacity(diameter, slope, roughness)
    assert required_diameter(flow, slope, roughness) == pytest.approx(diameter)


@settings(max_examples=50, deadline=None)
@given(diameters, slopes, roughnesses)
def test_friction_slope_of_the_capacity_is_the_slope_of_the_pipe(diameter, slope, roughness):
    flow = full_flow_capacity(diameter, slope, roughness)
    assert friction_slope(flow, diameter, roughness) == pytest.approx(slope)


@settings(max_examples=50, deadline=None)
@given(diameters, slopes, roughnesses)
def test_velocity_goes_with_the_root_of_the_slope(diameter, slope, roughness):
    velocity = full_flow_velocity(diameter, slope, roughness)
    assert (velocity / full_flow_velocity(diameter, 1.0, roughness)) ** 2 == pytest.approx(slope)


@settings(max_examples=50, deadline=None)
@given(flows, slopes, roughnesses)
def test_sizing_is_idempotent_and_sufficient(flow, slope, roughness):
    size = smallest_standard_size(flow, slope, roughness, INCHES)
    if np.isnan(size):
        assert full_flow_capacity(INCHES[-1], slope, roughness) < flow
        return
    capacity = full_flow_capacity(size, slope, roughness)
    assert capacity >= flow * (1 - 1e-8)
    assert smallest_standard_size(capacity, slope, roughness, INCHES) == size
    smaller = INCHES[size > INCHES]
    assert np.all(full_flow_capacity(smaller, slope, roughness) < flow)


def test_size_never_falls_below_the_pipe_upstream():
    size = smallest_standard_size(0.001, 0.01, 0.010, INCHES, at_least=np.array([0.0, INCHES[2]]))
    assert size.tolist() == [INCHES[0], INCHES[2]]


def test_sizes_may_come_in_any_order():
    assert smallest_standard_size(0.004, 0.01, 0.010, INCHES[::-1]) == pytest.approx(INCHES[1])


@pytest.mark.parametrize("slope", [0.0, -0.01])
def test_without_fall_a_pipe_carries_nothing_and_no_size_is_enough(slope):
    assert full_flow_capacity(0.1, slope, 0.010) == 0.0
    assert required_diameter(0.001, slope, 0.010) == np.inf
    assert np.isnan(smallest_standard_size(0.001, slope, 0.010, INCHES))
    assert required_diameter(0.0, slope, 0.010) == 0.0


def test_numbers_and_arrays_are_taken_alike():
    single = full_flow_capacity(0.1, 0.01, 0.010)
    many = full_flow_capacity(np.array([0.1, 0.2]), 0.01, 0.010)
    assert isinstance(single, float)
    assert many[0] == single
    assert full_flow_capacity(np.array([[0.1], [0.2]]), [0.01, 0.02], 0.010).shape == (2, 2)


# check of the design computation: capacity of full pipes, cubic feet per second
@pytest.mark.parametrize(
    ("inches", "roughness", "expected"),
    [
        (3, 0.010, (0.081, 0.115, 0.162)),
        (4, 0.010, (0.175, 0.247, 0.350)),
        (4, 0.013, (0.135, 0.190, 0.269)),
        (4, 0.020, (0.087, 0.124, 0.175)),
        (6, 0.010, (0.516, 0.729, 1.032)),
        (8, 0.013, (0.854, 1.208, 1.709)),
        (10, 0.010, (2.014, 2.848, 4.028)),
        (12, 0.013, (2.519, 3.563, 5.039)),
    ],
)
def test_capacity_against_independently_computed_values(inches, roughness, expected):
    capacity = full_flow_capacity(inches * INCH, np.array([0.005, 0.01, 0.02]), roughness) / CFS
    assert capacity == pytest.approx(expected, rel=2e-4, abs=6e-4)


def test_two_full_4_inch_pipes_are_two_thirds_of_a_6_inch_pipe():
    four, six = full_flow_capacity(np.array([4, 6]) * INCH, 0.01, 0.010)
    assert 2 * four / six == pytest.approx(0.68, abs=0.005)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: full_flow_capacity(0.0, 0.01, 0.010), "diameter must be greater than 0, not 0"),
        (
            lambda: full_flow_velocity(-0.1, 0.01, 0.010),
            "diameter must be greater than 0, not -0.1",
        ),
        (lambda: full_flow_capacity(0.1, 0.01, 0.0), "roughness must be greater than 0, not 0"),
        (lambda: full_flow_capacity([0.1, np.nan], 0.01, 0.010), "diameter must be .* not nan"),
        (lambda: full_flow_capacity(np.inf, 0.01, 0.010), "diameter must be .* not inf"),
        (lambda: full_flow_capacity(0.1, np.nan, 0.010), "slope must be a finite number, not nan"),
        (lambda: friction_slope(-1.0, 0.1, 0.010), "flow must be 0 or more, not -1"),
        (lambda: required_diameter(1.0, 0.01, -0.010), "roughness must be greater than 0"),
        (lambda: smallest_standard_size(1.0, 0.01, 0.010, []), "number of standard sizes must"),
        (lambda: smallest_standard_size(1.0, 0.01, 0.010, [0.1, 0.0]), "standard size must"),
    ],
)
def test_outside_the_domain_the_value_and_the_rule_are_said(call, message):
    with pytest.raises(ParameterError, match=message):
        call()


TABLES = {
    "channel_roughness": ChannelRoughness,
    "contraction_losses": ContractionLoss,
    "infiltration": SoilInfiltration,
    "minimum_fall": MinimumFall,
    "pipe_materials": PipeMaterial,
    "pipe_sizes": PipeSize,
    "structure_losses": StructureLoss,
}


@pytest.mark.parametrize("name", TABLES)
def test_every_row_names_its_source(name):
    rows = read_table(name, TABLES[name])
    assert rows
    assert all(row.source.strip() for row in rows)


def test_materials_are_those_of_the_layer_and_their_design_value_lies_in_the_range():
    rows = read_table("pipe_materials", PipeMaterial)
    assert tuple(row.material for row in rows) == MATERIALS
    surfaces = read_table("channel_roughness", ChannelRoughness)
    assert all(row.n_low <= row.n_design <= row.n_high for row in (*rows, *surfaces))


@pytest.mark.parametrize("material", MATERIALS)
@pytest.mark.parametrize("inches", [3, 4, 6, 8, 10, 12])
def test_every_material_has_the_standard_sizes_in_inches(material, inches):
    row = pipe_size(material, inches * INCH)
    assert row.label == f"{inches} in"
    assert row.inside_diameter_m == pytest.approx(inches * INCH, rel=0.03)


@pytest.mark.parametrize("material", MATERIALS)
@pytest.mark.parametrize("millimetres", [75, 100, 150, 200, 225, 250, 300])
def test_every_material_has_the_standard_sizes_in_millimetres(material, millimetres):
    row = pipe_size(material, millimetres / 1000)
    assert row.label == f"{millimetres} mm"
    assert row.inside_diameter_m == pytest.approx(millimetres / 1000, rel=0.06)


def test_an_inside_diameter_equal_to_the_nominal_size_says_why():
    for row in read_table("pipe_sizes", PipeSize):
        if abs(row.inside_diameter_m - row.size_m) < 1e-4:
            assert "inside" in row.source


# ASTM D1785, schedule 40, 3 in: average inside diameter 3.042 in; ASTM D3034 SDR 35, 6 in:
# 6.275 - 2 x 0.180 in; EN 1401-1 SDR 41, 160 mm: 160 - 2 x 4.0 mm
@pytest.mark.parametrize(
    ("size", "inside_mm"), [(3 * INCH, 77.3), (6 * INCH, 150.2), (0.160, 152.0)]
)
def test_published_inside_diameters_of_pvc(size, inside_mm):
    assert pipe_size("pvc", size).inside_diameter_mm == pytest.approx(inside_mm, abs=0.05)


def test_offered_sizes_grow_and_stay_within_one_system():
    for material in MATERIALS:
        for system, unit in (("us", "in"), ("metric", "mm")):
            rows = sizes_offered(material, system)
            inside = [row.inside_diameter_mm for row in rows]
            assert len(rows) >= 4
            assert inside == sorted(set(inside))
            assert {row.unit for row in rows} == {unit}


# Chicago plumbing code, table 18-29-704.1: 1/4, 1/8 and 1/16 in per ft
@pytest.mark.parametrize(
    ("inches", "per_foot"),
    [(2, 0.25), (2.5, 0.25), (3, 0.125), (4, 0.125), (6, 0.125), (8, 0.0625), (12, 0.0625)],
)
def test_minimum_fall_of_a_pipe_by_size(inches, per_foot):
    assert minimum_fall("pipe", inches * INCH).least * 12 == pytest.approx(per_foot, abs=1e-4)


@pytest.mark.parametrize(("size", "per_foot"), [(0.050, 0.25), (0.075, 0.125), (0.200, 0.0625)])
def test_minimum_fall_of_a_pipe_by_metric_size(size, per_foot):
    assert minimum_fall("pipe", size).least * 12 == pytest.approx(per_foot, abs=1e-4)


@pytest.mark.parametrize(
    ("kind", "least", "preferred"),
    [("lawn", 0.02, None), ("grass swale", 0.01, 0.02), ("paved swale", 0.0075, None)],
)
def test_minimum_fall_of_surfaces(kind, least, preferred):
    row = minimum_fall(kind)
    assert (row.least, row.preferred) == (least, preferred)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: pipe_material("hdpe smoth"), "'hdpe smoth' .* Did you mean 'hdpe smooth'"),
        (lambda: pipe_size("steel", 0.1), "'steel' is not a pipe material"),
        (lambda: pipe_size("pvc", 0.090), r"90.0 mm \(3.54 in\) is not a nominal size of pvc"),
        (lambda: sizes_offered("", "us"), "is not a pipe material"),
        (lambda: minimum_fall("lawns"), "Did you mean 'lawn'"),
        (lambda: minimum_fall("pipe"), "least fall of a pipe depends on its size"),
        (lambda: minimum_fall("pipe", -0.1), "size must be 0 or more"),
        (lambda: channel_roughness("glass"), "'glass' is not a channel surface"),
    ],
)
def test_a_key_or_size_the_table_does_not_have_is_refused(call, message):
    with pytest.raises(ParameterError, match=message):
        call()
