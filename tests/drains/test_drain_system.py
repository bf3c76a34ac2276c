"""The smallest sizes that work: enough, never smaller downstream, the same when asked again."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lotflow.drains.drain_system import size_system
from lotflow.drains.pipes import full_flow_capacity


def _chain(make, bench, areas, **pipe):
    lines, placed = [], [make.outlet("out", 15 * len(areas), 0)]
    for i in range(len(areas)):
        end = f"n{i + 1}" if i + 1 < len(areas) else "out"
        lines.append(make.line(f"L{i}", [(15 * i, 0), (15 * i + 15, 0)], f"n{i}", end,
                               proposed=True, **pipe))  # fmt: skip
        placed.append(make.inlet(f"n{i}", 15 * i, 0))
    bench.water = make.water([(f"n{i}", 300.0, area) for i, area in enumerate(areas)])
    return bench.state(lines, placed)


@pytest.mark.parametrize(
    ("units", "area", "label"),
    [("us", 50.0, "3 in"), ("us", 150.0, "4 in"), ("us", 600.0, "8 in"),
     ("metric", 150.0, "110 mm"), ("us", 1e5, "")],
)  # fmt: skip
def test_smallest_size_on_sale_is_found(bench, make, units, area, label):
    """0.05 l/s per m2 at 2 %, PVC: 2.5 l/s in 3 in, 7.5 in 4 in, 30 in 8 in; 5 m3/s in none."""
    line = make.line("A", [(0, 0), (15, 0)], "in", "out", up=9.5, down=9.2)
    bench.water = make.water([("in", 300.0, area)])
    state = bench.state([line], [make.inlet("in", 0, 0), make.outlet("out", 15, 0)])
    assert size_system(state, 0, units).labels == (label,)


@given(areas=st.lists(st.floats(0, 900), min_size=1, max_size=5), drop=st.floats(0.5, 2.0))
@settings(
    max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_sized_system_carries_its_flow_and_sizing_it_again_never_grows_it(make, areas, drop):
    """
    Capacity reached wherever a size is named; sizes never fall downstream.

    Sized again, no line grows; none changes but one into which a larger pipe ran as drawn.
    """
    bench = make.bench(ground=make.ground(gradient=0.01, columns=90))
    bench.inverts = {"out": 10.0 - 0.01 * 15 * len(areas) - drop}
    sized = size_system(_chain(make, bench, areas), 0, "us")
    done, lines = sized.state.hydraulics, sized.state.lines
    named = np.array([bool(label) for label in sized.labels])
    assert (done.capacity_m3s[named] >= sized.state.flows.flow_m3s[named, 0] * (1 - 1e-6)).all()
    sizes = [line.pipe.size_m for line in lines]
    assert sizes == sorted(sizes)
    for _ in areas:  # a larger pipe that ran in is gone line by line from the top
        again = size_system(sized.state, 0, "us")
        smaller = [line.pipe.size_m for line in again.state.lines]
        assert all(new <= old for new, old in zip(smaller, sizes, strict=True))
        sized, sizes = again, smaller
    last = size_system(sized.state, 0, "us")
    assert last.labels == sized.labels
    assert last.state.inverts.up_m.tolist() == sized.state.inverts.up_m.tolist()


def test_a_smaller_size_is_not_enough(bench, make):
    """Of each size found the one below it carries less than the flow, or than a line above has."""
    bench.ground = make.ground(gradient=0.02)
    bench.inverts = {"out": 8.6}
    sized = size_system(_chain(make, bench, [100.0, 150.0, 10.0]), 0, "us")
    assert sized.labels == ("4 in", "6 in", "6 in")
    state = sized.state
    below = full_flow_capacity(0.101, float(state.hydraulics.slope[1]), 0.010)
    assert below < state.flows.flow_m3s[1, 0]


def test_line_without_fall_is_relaid(bench, make):
    """An adverse line gets the inverts that its size needs; a sound one keeps its own."""
    bench.ground = make.ground(gradient=0.02)
    lines = [make.line("A", [(0, 0), (15, 0)], "in", "m", up=9.3, down=9.4),
             make.line("B", [(15, 0), (30, 0)], "m", "out", up=9.2, down=9.0)]  # fmt: skip
    bench.water = make.water([("in", 300.0, 100.0)])
    state = bench.state(lines, [make.inlet("in", 0, 0), make.outlet("out", 30, 0)])
    sized = size_system(state, 0, "us")
    assert sized.relaid == (True, False)
    assert (sized.state.hydraulics.slope >= 0.0104).all()
    assert sized.state.inverts.up_m[1] == 9.2


@st.composite
def _trees(draw):
    """A main of up to five lines with a branch at some, any sizes, falls and materials."""
    count = draw(st.integers(2, 5))
    size = st.sampled_from([0.0762, 0.1016, 0.1524, 0.2032])
    material = st.sampled_from(["pvc", "hdpe corrugated", "concrete"])
    piece = st.fixed_dictionaries({"size": size, "material": material, "proposed": st.booleans()})
    return (
        [draw(piece) for _ in range(count)], [draw(st.none() | piece) for _ in range(count)],
        [draw(st.floats(-0.05, 0.6)) for _ in range(count)],
        [draw(st.floats(0, 900)) for _ in range(count)],
    )  # fmt: skip


@given(tree=_trees())
@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_what_is_needed_is_never_smaller_than_what_runs_in(make, tree):
    """As bore in every storm and as size on sale: than pipes there are, and than needed ones."""
    main, branches, falls, areas = tree
    bench = make.bench(ground=make.ground(gradient=0.01, columns=90))
    lines, placed, level = [], [make.outlet("out", 15 * len(main), 0)], 9.0
    for i, pipe in enumerate(main):
        end = f"n{i + 1}" if i + 1 < len(main) else "out"
        x = 15 * i
        lines.append(make.line(f"L{i}", [(x, 0), (x + 15, 0)], f"n{i}", end, up=level,
                               down=level - falls[i], **pipe))  # fmt: skip
        placed.append(make.inlet(f"n{i}", x, 0))
        level -= falls[i]
        if branches[i] is not None:
            lines.append(make.line(f"B{i}", [(x, 9), (x, 0)], f"b{i}", f"n{i}", **branches[i]))
            placed.append(make.inlet(f"b{i}", x, 9))
    entering = [(f"n{i}", 300.0, area) for i, area in enumerate(areas)]
    entering += [(f"b{i}", 300.0, 300.0) for i, one in enumerate(branches) if one is not None]
    bench.water = make.water(entering, storms=(2.0, 10.0))
    state = bench.state(lines, placed)
    network, needed = state.system.network, state.hydraulics.required_diameter_m
    sized = size_system(state, 1, "us")
    for name, leaving in network.leaving.items():
        i, own = leaving[0], state.lines[leaving[0]].pipe
        for k in network.entering.get(name, []):
            above = state.lines[k].pipe
            # of one nominal size the bores of two materials differ by millimetres
            slack = 0.006 if own.size_m >= above.size_m - 1e-3 else 0.0
            known = np.isfinite(needed[i])
            assert (needed[i][known] >= above.diameter_m - slack).all()
            assert (needed[i][known] >= np.where(np.isfinite(needed[k]), needed[k], 0)[known]).all()
            if sized.labels[i]:
                here = sized.state.lines[i].pipe.size_m
                assert here >= max(above.size_m, sized.state.lines[k].pipe.size_m) - 1e-3


def test_a_steep_line_below_a_large_pipe_needs_that_pipe(bench, make):
    """Its flow alone, 2.5 l/s, would pass 3 in: (Q n / .3117 S^.5)^3/8 = 43 mm; 6 in run in."""
    lines = [make.line("A", [(0, 0), (15, 0)], "in", "m", size=0.1524, up=9.0, down=8.8),
             make.line("B", [(15, 0), (30, 0)], "m", "out", up=8.8, down=6.8)]  # fmt: skip
    bench.water = make.water([("in", 300.0, 50.0)])
    state = bench.state(lines, [make.inlet("in", 0, 0), make.outlet("out", 30, 0)])
    assert state.hydraulics.required_diameter_m[:, 0] == pytest.approx([0.0654, 0.1524], abs=1e-4)
    assert size_system(state, 0, "us").labels == ("3 in", "6 in")
