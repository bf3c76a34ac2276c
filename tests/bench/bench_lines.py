"""
Proposed lines on invented yards: feasible where a pipe can fall, cost, bends, fittings, trees.

`python tests/bench/bench_lines.py [number of yards]`: each yard is 30 by 40 m on cells of 0.5 m with
three inlets and one end (`tests/proposing/yards.py`). "Best" is the cheaper of the line laid and of
one laid between three times as many points with thirty times as many trials.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from unittest import mock

import numpy as np
from skimage.graph import MCP_Geometric

sys.path.insert(0, str(Path(__file__).parents[1] / "proposing"))

from yards import hold, on_fittings, slants, yard

from lotflow.proposing import lines, trenches
from lotflow.proposing.trenches import Line, joined, line_to_end, trench_cost


def dense(digging, cell, end, flow) -> Line | None:
    """Line laid between many more points."""
    with (
        mock.patch.object(trenches, "_POINTS_M", 1.3),
        mock.patch.object(lines, "_LEGS_TRIED", 180_000),
    ):
        again = trenches.replace(digging)
        found = line_to_end(again, cell, end, flow)
    return found if isinstance(found, Line) else None


def static_seconds(digging, cell, end) -> float:
    """Time of one least-cost path without fall by scikit-image [s]."""
    cost = trench_cost(digging, end)
    start = time.process_time()
    MCP_Geometric(np.where(np.isfinite(cost), cost, -1.0)).find_costs(
        [divmod(cell, cost.shape[1])]
    )
    return time.process_time() - start


def main(number: int) -> None:
    """Lay them, hold them against the rules and print the figures."""
    asked = falls = laid = joins = trees = broken = 0
    ratio, bends, turns, across, seconds, static, saved = [], [], [], [], [], [], []
    for seed in range(1000, 1000 + number):
        digging, cells, end, flows = yard(seed)
        alone, flow = {}, dict(zip(cells, flows, strict=True))
        drive = digging.site.covers.geometry.iloc[0]
        for cell in cells:
            asked += 1
            start = time.process_time()
            found = line_to_end(digging, cell, end, flow[cell])
            seconds.append(time.process_time() - start)
            static.append(static_seconds(digging, cell, end))
            reason = "" if isinstance(found, Line) else found[0]
            falls += not reason.startswith("on no way")
            if not isinstance(found, Line):
                continue
            laid += 1
            try:
                hold(digging, found, end, flow[cell])
            except AssertionError:
                broken += 1
            alone[cell] = found
            bends.append(found.bends)
            turns += on_fittings(found)
            across += slants(found, drive)
            if seed % 4 == 0:
                best = dense(digging, cell, end, flow[cell])
                ratio.append(found.cost / min(found.cost, best.cost if best else np.inf))
        if len(alone) < 2:
            continue
        start = time.process_time()
        tree = joined(digging, dict.fromkeys(alone, end), alone, {c: flow[c] for c in alone})
        if tree is not None:
            trees += 1
            joins += sum(line.joins is not None for line in tree.lines.values())
            saved.append(tree.cost / sum(line.cost for line in alone.values()))
    print(f"yards {number}, inlets {asked}, a pipe can fall from {falls}, laid {laid}")  # noqa: T201
    print(f"breaking a rule {broken}")  # noqa: T201
    print(f"cost / best: mean {np.mean(ratio):.3f}, worst {max(ratio):.3f} of {len(ratio)}")  # noqa: T201
    print(f"bends: median {np.median(bends):.0f}, mean {np.mean(bends):.1f}")  # noqa: T201
    print(f"turns on fittings within 4 degrees: {np.mean(turns):.3f} of {len(turns)}")  # noqa: T201
    print(f"drives crossed within 30 degrees of square: "  # noqa: T201
          f"{np.mean(np.array(across) <= 30):.2f} of {len(across)}")  # fmt: skip
    print(f"trees {trees}, joins {joins}, cost of tree / lines alone {np.mean(saved):.2f}")  # noqa: T201
    print(f"CPU of a line {np.median(seconds):.2f} s, of one static path {np.median(static):.3f} s")  # noqa: T201


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
