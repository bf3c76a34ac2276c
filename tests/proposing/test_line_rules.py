"""No line breaks what must never be broken: held against shapes by shapely, on invented yards."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import networkx as nx
import numpy as np
import pytest
import shapely
from yards import hold, on_fittings, sharp_points, slants, yard

from lotflow.proposing.trenches import (
    DrawnNode,
    Line,
    Tree,
    carried,
    joined,
    line_into,
    line_to_end,
    pieces,
)
from lotflow.terrain.lower_places import ALLOWED_END, LowerPlace

if TYPE_CHECKING:
    from collections.abc import Iterable


@cache
def laid(seed: int):
    """Lines of a yard by themselves and as a tree, with what they were laid by."""
    digging, cells, end, flows = yard(seed)
    flow = dict(zip(cells, flows, strict=True))
    alone = {cell: line_to_end(digging, cell, end, flow[cell]) for cell in cells}
    assert all(isinstance(one, Line) or one[0] for one in alone.values())
    alone = {cell: one for cell, one in alone.items() if isinstance(one, Line)}
    flow = {cell: flow[cell] for cell in alone}
    tree = joined(digging, dict.fromkeys(alone, end), alone, flow) if alone else None
    return digging, end, alone, flow, tree


def kept(seed: int) -> tuple[int, list[bool], list[float], list[int]]:
    """Hold the lines of one yard against the rules; how many, turns, crossings, bends."""
    digging, end, alone, flow, tree = laid(seed)
    drive = digging.site.covers.geometry.iloc[0]
    lines = [*alone.values(), *(tree.lines.values() if tree else [])]
    for cell, line in alone.items():
        hold(digging, line, end, flow[cell])
        assert line.invert_down >= end.level - 1e-6
    if tree is not None:
        hold_tree(digging, end, flow, tree)
        assert tree.cost <= sum(line.cost for line in alone.values()) + 1e-6 or any(
            one.shape.crosses(other.shape) for one in alone.values() for other in alone.values()
        )
    turns = [turn for line in lines for turn in on_fittings(line)]
    across = [angle for line in lines for angle in slants(line, drive)]
    return len(lines), turns, across, [line.bends for line in alone.values()]


def hold_tree(digging, end, flow, tree: Tree) -> None:
    """Hold a tree of lines against the rules: by networkx, and by the rows that are drawn."""
    below = carried(tree.lines, flow)
    for cell, line in tree.lines.items():
        hold(digging, line, end, below[cell])
    rows = pieces(tree, flow, digging)
    graph = nx.DiGraph((one.start, one.end) for one in rows)
    assert nx.is_directed_acyclic_graph(graph)
    assert all(graph.out_degree(node) <= 1 for node in graph)
    outlets = [node for node in graph if graph.out_degree(node) == 0]
    assert all(kind == "end" for kind, _ in outlets)
    # as a forest once every end is the one outlet
    assert nx.is_forest(graph.to_undirected())
    assert {node for node in graph if node[0] == "inlet"} == {("inlet", cell) for cell in flow}
    after = {one.start: one for one in rows}
    for one in rows:
        above = nx.ancestors(graph, one.start) | {one.start}
        upstream = {node for kind, node in above if kind == "inlet"}
        assert one.flow == pytest.approx(sum(flow[cell] for cell in upstream))
        assert one.invert_up > one.invert_down
        if one.end in after:
            lower = after[one.end]
            assert lower.size.inside_diameter_m >= one.size.inside_diameter_m - 1e-6
            crown = one.invert_down + one.size.inside_diameter_m
            assert crown >= lower.invert_up + lower.size.inside_diameter_m - 1e-6
            ends = shapely.Point(one.shape.coords[-1]), shapely.Point(lower.shape.coords[0])
            assert ends[0].distance(ends[1]) < 0.02
    cleanouts = [shapely.Point(one.shape.coords[0]) for one in rows if one.start[0] == "clean-out"]
    for line in tree.lines.values():
        for at in sharp_points(line):
            assert min(shapely.Point(at).distance(one) for one in cleanouts) < 0.01
        if line.joins is not None and not line.at_inlet:  # by a wye of 45 degrees
            trunk = tree.lines[line.joins].shape
            joint = trunk.project(shapely.Point(line.shape.coords[-1]))
            before, after_it = (np.array(trunk.interpolate(joint + far).coords[0])
                                for far in (-0.05, 0.05))  # fmt: skip
            last = np.diff(shapely.get_coordinates(line.shape)[-2:], axis=0)[0]
            along = after_it - before
            cosine = last @ along / np.hypot(*last) / np.hypot(*along)
            assert np.degrees(np.arccos(cosine)) == pytest.approx(45.0, abs=1.0)


def summed(seeds: Iterable[int]) -> tuple[int, float, float, float]:
    number, turns, across, bends = 0, [], [], []
    for seed in seeds:
        count, *found = kept(seed)
        number += count
        for some, more in zip((turns, across, bends), found, strict=True):
            some.extend(more)
    square = float(np.mean(np.array(across) <= 26.5 + 4.0)) if across else 1.0
    return number, float(np.mean(turns)), square, float(np.median(bends))


def test_no_line_breaks_a_rule_on_some_yards() -> None:
    number, turns, square, bends = summed([0, 3, 6])
    assert number >= 6
    assert turns >= 0.9
    assert square >= 0.5
    assert bends <= 2


@pytest.mark.nightly
def test_no_line_breaks_a_rule_on_a_hundred_yards() -> None:
    number, turns, square, bends = summed(range(100, 200))
    print(number, turns, square, bends)  # noqa: T201 - figures of docs/methods.md
    assert number >= 200
    assert turns >= 0.95
    assert square >= 0.8
    assert bends <= 2


def test_the_best_order_is_found_as_by_trying_every_order_with_slow_code() -> None:
    """Lay three lines in all six orders, here, line by line; the tree found costs as the least."""
    for seed in (0, 6):
        digging, _, alone, flow, tree = laid(seed)
        assert tree is not None
        least = np.inf
        for order in itertools.permutations(alone):
            lines: dict[int, Line] = {}
            for cell in order:
                own = alone[cell]
                other = line_into(digging, cell, lines, (), flow[cell]) if lines else None
                lines[cell] = other if other is not None and other.cost < own.cost else own
            least = min(least, sum(line.cost for line in lines.values()))
        assert tree.cost == pytest.approx(least, rel=1e-6)
        assert tree.cost < sum(line.cost for line in alone.values())


def test_a_line_that_others_join_is_laid_larger_where_it_must_carry_them() -> None:
    digging, end, alone, flow, tree = laid(0)
    assert tree is not None
    joins = {cell: line.joins for cell, line in tree.lines.items() if line.joins is not None}
    assert joins
    lateral, trunk = next(iter(joins.items()))
    # three times what the pipe of the trunk carries comes from above
    more = dict(flow)
    more[lateral] = 3.0 * tree.lines[trunk].capacity
    bigger = {cell: line_to_end(digging, cell, end, more[cell]) for cell in alone}
    again = joined(digging, dict.fromkeys(alone, end), bigger, more)
    assert again is not None
    hold_tree(digging, end, more, again)
    rows = pieces(again, more, digging)
    assert len({one.size.label for one in rows}) > 1
    last = [one for one in rows if one.end[0] == "end"]
    assert max(one.size.size_m for one in last) > tree.lines[trunk].size.size_m


def test_a_drawn_node_is_joined_only_where_it_carries_it_all() -> None:
    digging, _, alone, flow, _ = laid(3)
    cell, line = next(iter(alone.items()))
    x, y = line.shape.interpolate(line.length_m / 2).coords[0]
    sound = DrawnNode(
        "Old basin", x, y, line.invert_at(line.length_m / 2) - 0.05, 0.15, 0.02, "Old"
    )
    found = line_into(digging, cell, {}, [sound], flow[cell])
    assert found is not None
    assert found.joins == "Old basin"
    assert found.length_m < line.length_m
    assert found.invert_down + found.size.inside_diameter_m >= sound.invert + sound.bore - 1e-6
    for worse in (replace(sound, spare=0.5 * flow[cell]), replace(sound, bore=0.05),
                  replace(sound, invert=sound.invert + 2.0)):  # fmt: skip
        assert line_into(digging, cell, {}, [worse], flow[cell]) is None


def test_a_line_ends_at_an_allowed_stretch_of_the_lot_line() -> None:
    digging, cells, _, flows = yard(3)
    x, y = 20.0, 4.0  # on the lot line
    level = float(digging.ground[digging.grid.row_column(x, y)])
    end = LowerPlace(ALLOWED_END, "To the path", x, y, level - 0.2)
    found = line_to_end(digging, cells[0], end, flows[0])
    assert isinstance(found, Line)
    assert found.shape.coords[-1] == pytest.approx((x, y), abs=0.01)
    assert found.shape.difference(digging.site.lot.union_all()).length < 0.6


def test_a_keep_out_across_the_lot_leaves_no_way_and_lifting_it_does() -> None:
    digging, cells, end, flows = yard(3)
    site = digging.site
    rows = site.constraints.copy()
    rows.loc[4, "geometry"] = shapely.box(0, 12.0, 45, 13.5)
    site.constraints = rows
    shut = replace(digging)
    found = line_to_end(shut, cells[0], end, flows[0])
    assert not isinstance(found, Line)
    assert isinstance(line_to_end(replace(digging, lifted=4), cells[0], end, flows[0]), Line)
