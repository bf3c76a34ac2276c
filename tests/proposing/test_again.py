"""What becomes of rows that were proposed before; what of drawn drains may be joined."""

from __future__ import annotations

import json
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine

from lotflow.errors import InputError
from lotflow.grid import Grid
from lotflow.inputs.proposals import digest, read_earlier
from lotflow.layers.proposals import Earlier, EarlierRow, Rejected
from lotflow.proposing.again import kept_away, settled
from lotflow.proposing.inlets import _pinned
from lotflow.proposing.sound import sound_nodes


def layer(rows: list[dict], shapes: list) -> gpd.GeoDataFrame:
    columns = ["name", "status", "origin", "keep", "kind", "from_node", "to_node", "size_m",
               "allowed"]  # fmt: skip
    return gpd.GeoDataFrame(pd.DataFrame(rows, columns=columns), geometry=shapes)


OURS = {"status": "proposed", "origin": "lotflow", "keep": False}
AT = {"A": (10.0, 10.0), "B": (20.0, 10.0), "joint": (15.0, 5.0), "end": (15.0, 0.0)}


def drawing(**changed) -> SimpleNamespace:
    """Two inlets of ours, joined at a joint, to an outlet of ours; one basin of the user's."""
    inlets = layer(
        [OURS | {"name": "A", "kind": "catch basin"}, OURS | {"name": "B", "kind": "catch basin"},
         {"name": "Mine", "status": "proposed", "origin": None, "keep": None}],
        [shapely.Point(AT["A"]), shapely.Point(AT["B"]), shapely.Point(30, 30)],
    )  # fmt: skip
    ways = [("1", "A", "joint"), ("2", "B", "joint"), ("3", "joint", "end")]
    lines = layer(
        [OURS | {"name": name, "from_node": start, "to_node": end, "size_m": 0.1016}
         for name, start, end in ways],
        [shapely.LineString([AT[start], AT[end]]) for _, start, end in ways],
    )  # fmt: skip
    outlets = layer([OURS | {"name": "end", "kind": "curb"}], [shapely.Point(AT["end"])])
    spouts = gpd.GeoDataFrame({"leads_to": ["surface"]}, geometry=[shapely.Point(0, 0)])
    constraints = gpd.GeoDataFrame({"name": [], "kind": []}, geometry=[])
    site = {"inlets": inlets, "drain_lines": lines, "outlets": outlets, "downspouts": spouts,
            "constraints": constraints}  # fmt: skip
    return SimpleNamespace(**(site | changed))


def earlier(site: SimpleNamespace) -> Earlier:
    rows = []
    for table in ("inlets", "drain_lines", "outlets"):
        frame = getattr(site, table)
        for name, shape, size, origin in zip(
            frame["name"], frame.geometry, frame["size_m"], frame["origin"], strict=True
        ):
            values = {"size_m": float(size)} if table == "drain_lines" else {}
            at = tuple(map(tuple, shapely.get_coordinates(shape).tolist()))
            if origin == "lotflow":
                rows.append(EarlierRow(table, name, at, values))
    return Earlier(tuple(rows))


def test_untouched_rows_of_ours_are_free_and_the_users_never() -> None:
    found = settled(drawing(), earlier(drawing()), 1.0)
    assert found.free == {"inlets": {"A", "B"}, "drain_lines": {"1", "2", "3"}, "outlets": {"end"}}
    assert found.theirs == {}
    assert found.rejected == ()


def test_a_moved_or_changed_row_is_the_users_and_what_it_leads_to_stays() -> None:
    site = drawing()
    before = earlier(site)
    site.inlets.loc[0, "geometry"] = shapely.Point(10.5, 10.0)
    found = settled(site, before, 1.0)
    assert found.theirs == {"inlets": {"A"}}
    assert found.free["inlets"] == {"B"}
    assert found.free["drain_lines"] == {"1", "2", "3"}  # its line is laid anew
    site = drawing()
    site.drain_lines.loc[0, "size_m"] = 0.1524
    found = settled(site, before, 1.0)
    assert found.theirs == {"drain_lines": {"1"}}
    # the inlet it starts at, the line that takes its water and the outlet stay
    assert found.free == {"inlets": {"B"}, "drain_lines": {"2"}}
    # in feet a hundredth of a foot is no move
    site = drawing()
    site.inlets.loc[0, "geometry"] = shapely.Point(10.05, 10.0)
    assert settled(site, before, 0.3048).theirs == {}


def test_a_row_to_keep_stays_and_a_line_of_the_users_holds_what_it_names() -> None:
    site = drawing()
    before = earlier(site)
    site.inlets["keep"] = [True, False, None]
    found = settled(site, before, 1.0)
    assert found.free["inlets"] == {"B"}
    site = drawing()
    site.drain_lines = pd.concat([site.drain_lines, layer(
        [{"name": "Mine", "status": "proposed", "from_node": "B", "to_node": "end"}],
        [shapely.LineString([AT["B"], AT["end"]])])], ignore_index=True)  # fmt: skip
    found = settled(site, before, 1.0)
    assert found.free == {"inlets": {"A"}, "drain_lines": {"1", "2", "3"}}


def test_what_was_deleted_or_rejected_stays_away() -> None:
    site = drawing()
    before = earlier(site)
    site.inlets = site.inlets[site.inlets["name"] != "A"]
    site.drain_lines.loc[1, "status"] = "rejected"
    found = settled(site, before, 1.0)
    gone = {(one.table, one.at) for one in found.rejected}
    assert gone == {("inlets", (AT["A"],)), ("drain_lines", (AT["B"], AT["joint"]))}
    # and again, of the proposal after that
    later = settled(site, Earlier((), found.rejected), 1.0)
    assert set(later.rejected) == set(found.rejected)
    grid = Grid(np.zeros((30, 30)), Affine(1, 0, 0, 0, -1, 30), None)
    away = kept_away(found.rejected, "inlets", grid)
    row, column = grid.row_column(*AT["A"])
    assert away[row, column]
    assert away.sum() == pytest.approx(np.pi * 4, abs=3)
    lines = kept_away((Rejected("drain_lines", ((2.0, 5.0), (25.0, 5.0))),), "drain_lines", grid)
    row, column = grid.row_column(12.0, 5.5)
    assert lines[row, column]
    assert not lines[grid.row_column(2.0, 5.0)]


def test_kept_and_rejected_contradict() -> None:
    site = drawing()
    site.inlets.loc[1, ["status", "keep"]] = ["rejected", True]
    with pytest.raises(InputError) as error:
        settled(site, Earlier(), 1.0)
    (fault,) = error.value.faults
    assert (fault.layer, fault.row, fault.column, fault.value) == ("inlets", 2, "keep", "B")
    assert fault.remedy


def test_inlets_that_exclude_each_other_or_stand_in_a_keep_out_are_refused() -> None:
    grid = Grid(np.zeros((40, 40)), Affine(1, 0, 0, 0, -1, 40), None)
    site = drawing()
    site.drain_lines = site.drain_lines.iloc[:0]
    assert list(_pinned(site, "proposed", grid).values()) == ["A", "B", "Mine"]
    site.inlets.loc[2, "geometry"] = shapely.Point(10.2, 10.0)
    with pytest.raises(InputError) as error:
        _pinned(site, "proposed", grid)
    assert error.value.faults[0].value == "Mine"
    site = drawing(constraints=gpd.GeoDataFrame(
        {"name": ["Sand pit"], "kind": ["keep out"]},
        geometry=[shapely.box(28, 28, 32, 32)]))  # fmt: skip
    with pytest.raises(InputError) as error:
        _pinned(site, "proposed", grid)
    assert "Sand pit" in error.value.faults[0].remedy
    # with a line from it an inlet asks for none
    assert set(_pinned(drawing(), "proposed", grid).values()) == {"Mine"}


def test_a_proposal_that_was_changed_by_hand_is_refused(tmp_path) -> None:
    assert read_earlier(tmp_path) is None
    content = {"rows": [{"table": "inlets", "name": "A", "at": [[1.0, 2.0]], "values": {}}],
               "rejected": [{"table": "inlets", "at": [[5.0, 6.0]]}]}  # fmt: skip
    path = tmp_path / "proposal.json"
    path.write_text(json.dumps(content | {"sha256": digest(content)}))
    assert read_earlier(tmp_path) == Earlier(
        (EarlierRow("inlets", "A", ((1.0, 2.0),), {}),), (Rejected("inlets", ((5.0, 6.0),)),)
    )
    changed = content | {"sha256": digest(content), "rejected": []}
    for text in (json.dumps(changed), json.dumps(content), "[]", "{", "\x00"):
        path.write_text(text)
        with pytest.raises(InputError):
            read_earlier(tmp_path)
    bad = {"rows": [{"table": "lot", "name": "A", "at": [[1.0, 2.0]], "values": {}}],
           "rejected": []}  # fmt: skip
    path.write_text(json.dumps(bad | {"sha256": digest(bad)}))
    with pytest.raises(InputError):
        read_earlier(tmp_path)


class Said:
    """A result that says of two lines in a row what is asked of it."""

    design_storm_yr = 10.0

    def __init__(self, **changed) -> None:
        base = {"scenario": "proposed", "diameter_m": 0.15, "invert_up_basis": "given",
                "invert_down_basis": "given"}  # fmt: skip
        self.lines = [
            base | {"name": "1", "from_node": "A", "to_node": "joint", "invert_up_m": 9.0},
            base | {"name": "3", "from_node": "joint", "to_node": "end", "invert_up_m": 8.5}
            | changed,
        ]  # fmt: skip
        self.findings: list = []
        self.capacity = {"1": 0.012, "3": 0.010}

    def rows(self, table: str, **_) -> list[dict]:
        if table == "drain_lines":
            return self.lines
        return [{"name": name, "return_period_yr": 10.0, "capacity_m3s": most, "flow_m3s": 0.004}
                for name, most in self.capacity.items()]  # fmt: skip


def test_drains_are_joined_only_where_they_are_sound_down_to_a_lawful_end() -> None:
    site = drawing()
    found = sound_nodes(Said(), site, "proposed")
    assert [(one.name, one.invert, one.end) for one in found] == [
        ("A", 9.0, "end"), ("joint", 8.5, "end"),
    ]  # fmt: skip
    assert [one.spare for one in found] == pytest.approx([0.006, 0.006])
    assert (found[0].x, found[0].y) == AT["A"]
    # a level below that nobody gave, a check that fails below, no room, an end that is forbidden
    assert sound_nodes(Said(invert_down_basis="proposed"), site, "proposed") == []
    failing = Said()
    failing.findings = [SimpleNamespace(subject="3", severity="fail", rule="adverse-grade")]
    assert sound_nodes(failing, site, "proposed") == []
    full = Said()
    full.capacity["3"] = 0.003
    assert sound_nodes(full, site, "proposed") == []
    site.outlets["allowed"] = "no"
    assert sound_nodes(Said(), site, "proposed") == []
