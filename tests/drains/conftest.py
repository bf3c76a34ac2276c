"""Small systems of drain lines on known ground, each made where it is used."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
import shapely
from affine import Affine

from lotflow.advice.sentences import worded
from lotflow.criteria import Criteria
from lotflow.drains.drain_lines import (
    Condition,
    DrainLine,
    GivenInverts,
    Pipe,
    ground_at,
    ground_profile,
)
from lotflow.drains.drain_system import DrainSystem, run_system
from lotflow.drains.judged import Limits
from lotflow.drains.levels import NodeLevel
from lotflow.drains.network import build_network
from lotflow.drains.network_flows import DrainWater
from lotflow.drains.nodes import DrainNode, EndReach
from lotflow.drains.system_check import Surroundings, check_system
from lotflow.grid import Grid
from lotflow.rainfall import RainfallTable
from lotflow.runoff.rational import RunoffParts
from lotflow.terrain.level_error import GivenLevels, LevelError

INCH = 0.0254
ROUGHNESS = {"pvc": 0.010, "concrete": 0.013, "hdpe corrugated": 0.022}


@dataclass(frozen=True)
class NearError(LevelError):
    """Ground that stands to its benchmark to 1 cm, to the elevation data to 10 cm."""

    def from_benchmark(self, x, y):
        return 0.01


def levelled_from_benchmark(*of):
    """Error of ground that was levelled from the benchmark of some given levels."""
    return NearError(0.1, 10.0, 0.1, given=GivenLevels(False, frozenset(of)))


def make_line(name, path, start="", end="", *, size=4 * INCH, material="pvc", proposed=False,
              up=np.nan, down=np.nan, up_below=np.nan, down_below=np.nan, size_down=None,
              **condition):  # fmt: skip
    """A line of any course; inverts, sizes and condition as far as a test needs them."""
    shape = shapely.LineString(path)
    pipe = Pipe(material, ROUGHNESS[material], size, size_down or size, size)
    return DrainLine(
        name, shape, float(shape.length), start, end, proposed, pipe,
        GivenInverts(up, down, up_below, down_below), Condition(**condition),
    )  # fmt: skip


def inlet(name, x, y, detail="catch basin"):
    return DrainNode(name, "inlet", shapely.Point(x, y), detail)


def outlet(name, x, y, detail="curb"):
    return DrainNode(name, "outlet", shapely.Point(x, y), detail)


def sloping_ground(gradient=0.0, level=10.0, columns=60):
    """Ground of 1 m cells from x = -5 on that falls to the east; `level` at x = 0."""
    x = np.arange(columns) - 4.5
    values = np.repeat((level - gradient * x)[None, :], 40, axis=0)
    return Grid(values, Affine(1.0, 0.0, -5.0, 0.0, -1.0, 20.0), None)


@dataclass
class Bench:
    """Everything a test can turn."""

    ground: Grid = field(default_factory=sloping_ground)
    rims: dict[str, float] = field(default_factory=dict)
    inverts: dict[str, float] = field(default_factory=dict)
    waters: dict[str, float] = field(default_factory=dict)
    water: DrainWater | None = None
    criteria: Criteria = field(default_factory=Criteria)
    rmse: float = 0.0
    buildings: Any = None
    access: Any = None
    outlet_diameter: dict[str, float] = field(default_factory=dict)
    well_depth: dict[str, float] = field(default_factory=dict)
    cover: float = 0.3
    #: Of the ground, where it is not that of the elevation data alone.
    error: LevelError | None = None

    def network(self, lines, placed, **given):
        return build_network(lines, placed, EndReach(0.5, 0.5), **given)

    def system(self, lines, placed, **given):
        network, _ = self.network(lines, placed, **given)
        levels = {}
        for name, node in network.nodes.items():
            z = float(ground_at(*(np.array([c]) for c in node.xy), self.ground)[0])
            levels[name] = NodeLevel(
                z,
                self.rims.get(name, z),
                name in self.rims,
                self.inverts.get(name, np.nan),
                self.waters.get(name, np.nan),
            )
        profiles = tuple(ground_profile(line.path, self.ground) for line in network.lines)
        return DrainSystem(network, profiles, levels, self.cover, self.water)

    def state(self, lines, placed, **given):
        return run_system(self.system(lines, placed, **given))

    @property
    def limits(self):
        error = self.error or LevelError(self.rmse, 10.0, 0.1)
        return Limits(self.criteria, error, self.buildings, 1.0)

    def around(self, state):
        access = self.access
        if access is None:
            access = {n.name for n in state.system.network.nodes.values() if n.kind == "inlet"}
        return Surroundings(self.limits, access, self.outlet_diameter, self.well_depth)

    def findings(self, lines, placed):
        state = self.state(lines, placed)
        found = check_system(state, self.around(state))
        for units in ("metric", "us"):  # each can be told from its facts
            assert all(one.message.endswith(".") for one in worded(found, units))
        return {f.rule: f for f in found}


@pytest.fixture
def bench():
    return Bench()


def steady_rain(mm_h=180.0, storms=(10.0,)):
    """The same intensity at every duration, more of it in rarer storms."""
    depth = np.array([300.0, 86_400.0])[:, None] * mm_h / 3.6e6
    more = 1.0 + 0.5 * np.arange(len(storms))
    return RainfallTable([300.0, 86_400.0], list(storms), depth * more, "steady, invented")


def entering(parts, rain=None, storms=(10.0,), given=None):
    """Water from tuples (node, time [s], C A [m^2])."""
    nodes, times, areas = zip(*parts, strict=True) if parts else ((), (), ())
    ca = np.repeat(np.array(areas, dtype=float)[:, None], len(storms), axis=1)
    return DrainWater(
        RunoffParts(tuple(nodes), ("unpaved",) * len(nodes), np.array(times, dtype=float),
                    np.array(areas, dtype=float), ca),
        rain or steady_rain(storms=storms), np.array(storms, dtype=float), given or {},
    )  # fmt: skip


@pytest.fixture
def make():
    """The makers above, for test modules."""

    class Makers:
        line = staticmethod(make_line)
        inlet = staticmethod(inlet)
        outlet = staticmethod(outlet)
        ground = staticmethod(sloping_ground)
        rain = staticmethod(steady_rain)
        water = staticmethod(entering)
        bench = Bench
        levelled = staticmethod(levelled_from_benchmark)

    return Makers
