"""The packaged pipe tables fit their words, and a wrong key or size is refused with a hint."""

from __future__ import annotations

import pytest

from lotflow.drains.pipe_tables import (
    channel_roughness,
    minimum_fall,
    pipe_material,
    pipe_size,
    sizes_offered,
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
