"""Downspouts of a site: where each leads, and what is wrong or doubtful about them."""

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from lotflow.errors import InputError
from lotflow.inputs.site_layer import empty_site_layer
from lotflow.layers import SITE_LAYERS
from lotflow.terrain import known_surfaces as known
from lotflow.terrain.cells import polygon_cells
from lotflow.terrain.downspouts import case_roofs, roof_notes
from lotflow.terrain.surface import prepare_surface

HOUSE = shapely.box(10, 10, 20, 22)  # 120 m2
SHED = shapely.box(28, 28, 32, 32)
LOT = shapely.box(5, 5, 25, 35)


def layer(name, rows):
    """A site layer as it is after reading."""
    if not rows:
        return empty_site_layer(SITE_LAYERS[name], None)
    names = [column.inside_name for column in SITE_LAYERS[name].columns]
    kinds = {column.inside_name: column.kind for column in SITE_LAYERS[name].columns}
    values = {
        n: pd.Series(
            [row.get(n, np.nan if kinds[n] == "number" else None) for row in rows],
            dtype="float64" if kinds[n] == "number" else "object",
        )
        for n in names
    }
    return gpd.GeoDataFrame(values, geometry=[row["geometry"] for row in rows])


def site(downspouts, *, inlets=(), lines=(), outlets=()):
    point = shapely.Point(9, 9)
    return SimpleNamespace(
        buildings=layer("buildings", [{"name": "House", "geometry": HOUSE},
                                      {"name": None, "geometry": SHED}]),
        downspouts=layer("downspouts", downspouts),
        inlets=layer("inlets", [{"geometry": point, **row} for row in inlets]),
        drain_lines=layer(
            "drain_lines", [{"geometry": shapely.LineString([(9, 9), (2, 9)]), **row}
                            for row in lines]),
        outlets=layer("outlets", [{"geometry": point, **row} for row in outlets]),
    )  # fmt: skip


def surface():
    return prepare_surface(known.tilted_plane(40, slope=0.03), buildings=[HOUSE, SHED])


def spout(x=9.5, y=9.5, **given):
    return {"geometry": shapely.Point(x, y), **given}


def faults(found, case="today"):
    with pytest.raises(InputError) as raised:
        case_roofs(found, surface(), case)
    return raised.value.faults


def test_a_downspout_without_a_building_belongs_to_the_one_it_stands_at():
    roofs = case_roofs(site([spout(), spout(27.5, 30)]), surface(), "today")
    assert [(d.name, d.building) for d in roofs.downspouts] == [
        ("downspout 1", 1), ("downspout 2", 2),
    ]  # fmt: skip


def test_a_downspout_of_no_building_is_a_fault():
    """4 m off every wall, and no building named."""
    (fault,) = faults(site([spout(5.5, 15, name="D1")]))
    assert (fault.layer, fault.row, fault.value) == ("downspouts", 1, "D1")
    assert "no building within 3.0 m (9.8 ft)" in fault.rule


def test_a_node_nobody_drew_is_a_fault_with_a_suggestion():
    (fault,) = faults(site([spout(leads_to="Yard bassin")], inlets=[{"name": "Yard basin"}]))
    assert (fault.column, fault.value) == ("leads_to", "Yard bassin")
    assert fault.remedy == "Did you mean 'Yard basin'?"


@pytest.mark.parametrize("to", [None, "", "surface", "Surface"])
def test_surface_or_nothing_leads_onto_the_ground(to):
    roofs = case_roofs(site([spout(leads_to=to)]), surface(), "today")
    assert roofs.downspouts[0].node == ""
    assert not roofs.surface.piped.any()


@pytest.mark.parametrize(
    "where", [{"inlets": [{"name": "N"}]}, {"lines": [{"from_node": "N", "to_node": "X"}]},
              {"lines": [{"from_node": "X", "to_node": "N"}]}, {"outlets": [{"name": "N"}]},
              {"lines": [{"name": "N", "from_node": "X", "to_node": "Y"}]}],
)  # fmt: skip
def test_inlets_lines_their_ends_and_outlets_take_a_downspout(where):
    roofs = case_roofs(site([spout(leads_to="N", roof_area_m2=30.0)], **where), surface(), "today")
    assert roofs.connected_cells(["N"]).tolist() == [30]


def test_more_roof_than_the_building_has_is_a_fault():
    """200 m2 of a footprint of 120 m2 is a mistake, and so are two times 100 m2."""
    for rows in ([spout(roof_area_m2=200.0)], [spout(roof_area_m2=100.0)] * 2):
        (fault,) = faults(site(rows))
        assert "House are given 200 m² (2,153 ft²)" in fault.rule
        assert fault.column == "roof_area"


def test_a_little_more_roof_than_footprint_counts_and_is_said():
    """Eaves overhang: 150 of 120 m2 is within the factor of 1.5."""
    found = site([spout(roof_area_m2=100.0), spout(20.5, 22.5, roof_area_m2=50.0)])
    roofs = case_roofs(found, surface(), "today")
    assert roofs.cells == pytest.approx([100, 50])
    (note,) = roof_notes(found, roofs, "today", polygon_cells(LOT, surface().ground))
    assert (note.rule, note.measured, note.limit) == ("roof-areas-exceed-footprint", 150, 120)


def test_areas_within_the_breadth_of_eaves_are_not_spoken_of():
    """121 of 120 m2; and what a roof has by its outline counts, not by its cells."""
    found = site([spout(roof_area_m2=61.0), spout(20.5, 22.5, roof_area_m2=60.0)])
    lot = polygon_cells(LOT, surface().ground)
    assert roof_notes(found, case_roofs(found, surface(), "today"), "today", lot) == []


def test_a_roof_smaller_than_a_cell_is_said():
    """A porch that holds no centre of a cell has a downspout of its own."""
    found = site([spout(29.5, 9.5, building="Porch", roof_area_m2=0.5)])
    porch = shapely.box(29.6, 9.6, 30.4, 10.4)
    found.buildings = layer("buildings", [{"name": "Porch", "geometry": porch}])
    ground = prepare_surface(known.tilted_plane(40, slope=0.03), buildings=[porch])
    roofs = case_roofs(found, ground, "today")
    (note,) = roof_notes(found, roofs, "today", polygon_cells(LOT, ground.ground))
    assert (note.rule, note.subject, note.measured) == (
        "roof-smaller-than-cell", "downspout 1", 0.5,
    )  # fmt: skip


def test_roof_that_no_downspout_drains_is_said_to_shed_at_the_eaves():
    found = site([spout(roof_area_m2=50.0)])
    lot = polygon_cells(LOT, surface().ground)
    (note,) = roof_notes(found, case_roofs(found, surface(), "today"), "today", lot)
    assert (note.rule, note.subject, note.measured) == ("roof-sheds-at-eaves", "House", 70)
    bare = site([])
    (note,) = roof_notes(bare, case_roofs(bare, surface(), "today"), "today", lot)
    assert note.measured == 120  # the shed stands off the lot


def test_a_downspout_off_the_data_is_a_fault_beside_all_others():
    """All faults of the layer come at once."""
    found = faults(site([spout(90, 90, building="House"), spout(leads_to="X"), spout(5.5, 15)]))
    assert [fault.row for fault in found] == [1, 2, 3]
    assert "outside the elevation data" in found[0].rule


def test_cases_have_their_own_downspouts_and_nodes():
    """What leads into a basin that goes runs onto the ground then, and that is said."""
    found = site(
        [spout(name="D1", leads_to="Old", roof_area_m2=40.0),
         spout(20.5, 22.5, name="D2", roof_area_m2=30.0, status="proposed", leads_to="New")],
        inlets=[{"name": "Old", "status": "replaced"}, {"name": "New", "status": "proposed"}],
    )  # fmt: skip
    today = case_roofs(found, surface(), "today")
    assert today.connected_cells(["Old", "New"]).tolist() == [40, 0]
    assert [d.name for d in today.downspouts] == ["D1"]
    later = case_roofs(found, surface(), "proposed")
    assert later.connected_cells(["Old", "New"]).tolist() == [0, 30]
    notes = roof_notes(found, later, "proposed", polygon_cells(LOT, surface().ground))
    assert [n.subject for n in notes if n.rule == "downspout-without-node"] == ["D1"]


def test_a_row_that_replaces_another_takes_its_place_building_and_roof_in_its_case():
    old = spout(9.5, 9.5, name="DS1", roof_area_m2=30.0, leader_m=0.08)
    # 6 m off: of no building that it could stand at
    new = spout(9.5, 4.5, name="DS1, led off", replaces="DS1", status="proposed")
    unnamed = spout(9.5, 20.5)
    other = spout(4.5, 20.5, name="third", replaces="downspout 3", status="proposed")
    drawn = site([old, new, unnamed, other])
    today = case_roofs(drawn, surface(), "today").downspouts
    proposed = case_roofs(drawn, surface(), "proposed").downspouts
    assert [one.name for one in today] == ["DS1", "downspout 3"]
    assert [one.name for one in proposed] == ["DS1, led off", "third"]
    assert [one.building for one in proposed] == [1, 1]
    assert proposed[0].area_m2 == 30.0
    assert np.isnan(proposed[1].area_m2)
    assert proposed[0].leader_m == 0.08
    grid = surface().ground
    assert proposed[0].cell == grid.row_column(9.5, 4.5)[0] * 40 + 9
    # no water is lost or made: each case lands the whole footprint
    for case in ("today", "proposed"):
        roofs = case_roofs(drawn, surface(), case)
        assert roofs.surface.rain_weight.sum() == pytest.approx(1600.0)


@pytest.mark.parametrize("replaces", ["DS2", "DS1, led off"])
def test_a_row_that_replaces_none_that_there_is_is_a_fault(replaces):
    rows = [spout(name="DS1"),
            spout(9.5, 4.5, name="DS1, led off", replaces=replaces, status="proposed")]  # fmt: skip
    found = faults(site(rows), "proposed")
    assert [(fault.row, fault.column, fault.value) for fault in found] == [
        (2, "replaces", replaces)
    ]
