"""
Proposed lines on invented yards: feasible where a pipe can fall, cost, bends, fittings, trees.

    python tests/bench/bench_lines.py [YARDS]

Each yard is 30 by 40 m on cells of 0.5 m with three inlets and one end
(`tests/proposing/yards.py`). "Best" is the cheaper of the line laid and of one laid between twice
as many points with ten times as many trials, of every fourth yard. Figures so far are printed when
it is interrupted.
"""

from __future__ import annotations

import sys
import time
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from unittest import mock

import numpy as np
from skimage.graph import MCP_Geometric

sys.path.insert(0, str(Path(__file__).parents[1] / "proposing"))

from yards import hold, on_fittings, slants, yard

from lotflow.proposing import lines, trenches
from lotflow.proposing.trenches import Line, joined, line_to_end, trench_cost


def dense(digging, cell, end, flow) -> float:
    """Cost of a line laid between more points; infinite where there is none."""
    with (
        mock.patch.object(trenches, "_POINTS_M", 2.0),
        mock.patch.object(lines, "_LEGS_TRIED", 60_000),
    ):
        found = line_to_end(replace(digging), cell, end, flow)
    return found.cost if isinstance(found, Line) else np.inf


def static_seconds(digging, cell, end) -> float:
    """Time of one least-cost path without fall by scikit-image [s]."""
    cost = trench_cost(digging, end)
    start = time.process_time()
    raster = np.where(np.isfinite(cost), cost, -1.0)
    MCP_Geometric(raster).find_costs([divmod(cell, cost.shape[1])])
    return time.process_time() - start


@dataclass
class Figures:
    """What was counted and measured so far."""

    yards: int = 0
    asked: int = 0
    falls: int = 0
    laid: int = 0
    broken: int = 0
    trees: int = 0
    joins: int = 0
    ratio: list = field(default_factory=list)
    bends: list = field(default_factory=list)
    turns: list = field(default_factory=list)
    across: list = field(default_factory=list)
    seconds: list = field(default_factory=list)
    static: list = field(default_factory=list)
    saved: list = field(default_factory=list)

    def take(self, seed: int) -> None:
        """Lay the lines of one yard and hold them against the rules."""
        digging, cells, end, flows = yard(seed)
        alone, flow = {}, dict(zip(cells, flows, strict=True))
        for cell in cells:
            self.asked += 1
            start = time.process_time()
            found = line_to_end(digging, cell, end, flow[cell])
            self.seconds.append(time.process_time() - start)
            self.static.append(static_seconds(digging, cell, end))
            if not isinstance(found, Line):
                self.falls += not found[0].startswith("on no way")
                continue
            self.falls += 1
            self.laid += 1
            alone[cell] = found
            self.bends.append(found.bends)
            self.turns += on_fittings(found)
            self.across += slants(found, digging.site.covers.geometry.iloc[0])
            try:
                hold(digging, found, end, flow[cell])
            except AssertionError:
                self.broken += 1
            if seed % 4 == 0:
                best = dense(digging, cell, end, flow[cell])
                self.ratio.append(found.cost / min(found.cost, best))
        if len(alone) >= 2:
            some = {cell: flow[cell] for cell in alone}
            tree = joined(digging, dict.fromkeys(alone, end), alone, some)
            if tree is not None:
                self.trees += 1
                self.joins += sum(line.joins is not None for line in tree.lines.values())
                self.saved.append(tree.cost / sum(line.cost for line in alone.values()))
        self.yards += 1

    def told(self) -> str:
        """Print the table."""
        square = np.mean(np.array(self.across) <= 30.0) if self.across else np.nan
        return "\n".join([
            f"yards {self.yards}, inlets {self.asked}, a pipe can fall from {self.falls}, "
            f"laid {self.laid}, of these breaking a rule {self.broken}",
            f"cost / best: mean {np.mean(self.ratio):.3f}, worst {max(self.ratio):.3f} "
            f"of {len(self.ratio)}",
            f"bends: median {np.median(self.bends):.0f}, mean {np.mean(self.bends):.1f}",
            f"turns on fittings within 4 degrees: {np.mean(self.turns):.3f} of {len(self.turns)}",
            f"drives crossed within 30 degrees of square: {square:.2f} of {len(self.across)}",
            f"trees {self.trees}, joins {self.joins}, cost / lines alone {np.mean(self.saved):.2f}",
            f"CPU of a line {np.median(self.seconds):.2f} s, of a path without fall "
            f"{np.median(self.static):.3f} s",
        ])  # fmt: skip


def main(number: int) -> None:
    """Lay, hold and print."""
    figures = Figures()
    with suppress(KeyboardInterrupt):
        for seed in range(1000, 1000 + number):
            figures.take(seed)
    print(figures.told())


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
