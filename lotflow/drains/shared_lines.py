"""What inlets let into lines they share: until the water stands at a rim."""

from __future__ import annotations

from copy import copy
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from lotflow.drains.circular_section import area_ratio, critical_depth, normal_flow
from lotflow.drains.domain import GRAVITY
from lotflow.drains.grade_line import EMITTER_OPENING_HEAD_M, bend_heads, node_coefficient
from lotflow.drains.losses import friction_loss
from lotflow.drains.network_flows import led_down
from lotflow.errors import EngineError

if TYPE_CHECKING:
    from collections.abc import Collection

    from numpy.typing import NDArray

    from lotflow.drains.drain_system import DrainState
    from lotflow.grid import BoolArray, FloatArray

#: Flows of a line's table of depths; between them depths are interpolated.
_TABLE: Final = 600
#: No drain of a lot runs faster when it is full [m/s].
_FASTEST_M_S: Final = 6.0
_HALVINGS: Final = 36
#: Steps of Newton's method; then node by node, in so many rounds.
_NEWTON: Final = 80
_INNER: Final = 6
_ROUNDS: Final = 100
#: Less than such a part of all water is none.
_TRIFLE: Final = 1e-9
#: Levels that differ by less are the same [m], and the most by which they may differ.
_SAME_M: Final = 1e-6
_TOLERABLE_M: Final = 1e-3
#: Within so little flow the water at a free end rises from nothing to its depth [m^3/s].
_TRICKLE_M3S: Final = 1e-6
#: A tenth of a millimetre at 10 l/s, so that more flow always needs more height [m per m^3/s].
_TRACE: Final = 0.01
#: What is more than a line may carry lifts its water at once [m per m^3/s].
_STEEP: Final = 1e9
#: A rim that is not known lies so far above all others: only a full well makes it refuse [m].
_HIGH_M: Final = 100.0
#: Turns a level into a flow of like weight when it is told which nodes are full [m^2/s].
_FLOW_PER_METRE: Final = 1e-3


#: What of `SharedLines` has a row for every line.
_OF_LINES: Final = (
    "known", "_diameter", "_up", "_down", "_length", "_roughness", "_bends", "_node", "_start",
    "_end", "_last", "_tail", "_lip", "_critical", "_own", "_friction",
)  # fmt: skip
#: And what for every node at which water enters.
_OF_NODES: Final = ("_row", "_rims")
#: Numbers that are held at once: 80 MB.
_ELEMENTS: Final = 10_000_000


class SharedLines:
    """
    Shares the room of drain lines among the nodes at which water enters.

    A steady state of all nodes at once: at each either all enters that comes, or the water stands
    at its rim and the rest is refused. Where the grade line meets a rim, water comes out there,
    its own or that of others, back up its line if need be; so a low or small line gives way and
    holds nobody else up (lotflow's rule).

    Parameters
    ----------
    names
        Of the nodes at which water enters, one row of every array each.
    is_open
        Of those, the ones from which water can get out at the rim.
    most_m3s
        Greatest sum of flows that will be asked for [m^3/s].

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), sections 7.1.5 and 7.1.6 for the grade line, as
    `grade_line.hydraulics` has it; that water comes up where the grade line meets the surface
    is section 7.1.5's own use of it. Water that runs back up a line loses the same head.
    """

    def __init__(
        self, state: DrainState, names: Collection[str], is_open: Collection[str], most_m3s: float
    ) -> None:
        network, self._state = state.system.network, state
        self._network, lines = network, network.lines
        unit = np.eye(len(names))
        self.carried: FloatArray = led_down(network, dict(zip(names, unit, strict=True)))
        if not names:
            self.carried = np.zeros((len(lines), 0))

        def column(values: list[float]) -> FloatArray:
            return np.array(values, dtype=float).reshape(-1, 1)

        #: Nodes whose water would have to run through lines that are counted as taking nothing.
        self.closed: BoolArray = np.asarray((self.carried[state.not_counted] > 0).any(axis=0))
        diameter = column([line.pipe.narrowest_m for line in lines])
        up, down = column(state.inverts.up_m.tolist()), column(state.inverts.down_m.tolist())
        self.known: BoolArray = (np.isfinite(diameter) & np.isfinite(up) & np.isfinite(down))[:, 0]
        self._diameter = np.where(self.known[:, None], diameter, 1.0)
        self._up, self._down = np.nan_to_num(up), np.nan_to_num(down)
        self._length = column([line.length_m for line in lines])
        self._roughness = column([line.pipe.roughness for line in lines])
        self._bends = column([bend_heads(line) for line in lines])
        self._node = column([node_coefficient(network, i) for i in range(len(lines))])
        self._number = {name: k for k, name in enumerate(network.nodes)}
        self._start = np.array([self._number[line.start] for line in lines], dtype=int)
        self._end = np.array([self._number[line.end] for line in lines], dtype=int)
        # above a line that is not known the grade line starts anew
        led_on = {self._start[i] for i in np.flatnonzero(self.known)}
        self._last = np.array([end not in led_on for end in self._end], dtype=bool)
        self._tail, self._lip = self._tailwater()
        # one row more, for those that are not of the network: no water stands there
        self._row = np.array([self._number.get(k, len(self._number)) for k in names], dtype=int)
        rims = {name: state.system.nodes[name].rim_m for name in is_open if name in self._number}
        known = [rim for rim in rims.values() if np.isfinite(rim)]
        self._lowest = min([*self._down[self.known, 0], *known], default=0.0)
        high = max(known, default=self._lowest) + _HIGH_M
        self._rims = np.array([np.nan_to_num(rims.get(name, np.inf), nan=high) for name in names])
        self._rims = np.where(np.array([name in rims for name in names]), self._rims, np.inf)
        self._rims = self._rims.reshape(-1, 1)
        section = 0.25 * np.pi * float(np.square(self._diameter[self.known]).max(initial=0.0))
        self._most = max(float(most_m3s) * 1.01, _FASTEST_M_S * section, 1e-6)
        self._tabulate()

    def systems(self) -> list[tuple[NDArray[np.int64], NDArray[np.int64]]]:
        """
        Tell apart the systems that no line joins to another.

        Returns
        -------
        systems
            Of each its lines, and its nodes at which water enters, by their rows.
        """
        count = len(self._number) + 1
        joined = coo_array((np.ones(len(self._start)), (self._start, self._end)), (count, count))
        _, system = connected_components(joined, directed=False)
        entering = system[self._row]
        return [
            (np.flatnonzero(system[self._start] == one), np.flatnonzero(entering == one))
            for one in np.unique(entering)
        ]

    def _part(self, lines: NDArray[np.int64], nodes: NDArray[np.int64]) -> SharedLines:
        """Some lines and the nodes at which water enters them, by themselves."""
        part = copy(self)
        part.carried = self.carried[np.ix_(lines, nodes)]
        for names, rows in ((_OF_NODES, nodes), (_OF_LINES, lines)):
            for name in names:
                setattr(part, name, getattr(self, name)[rows])
        return part

    def _tailwater(self) -> tuple[FloatArray, FloatArray]:
        """Level of given water below each last line, and of an emitter's lip; minus infinity."""
        tail, lip = np.full((len(self._end), 1), -np.inf), np.full((len(self._end), 1), -np.inf)
        for i, line in enumerate(self._network.lines):
            node = self._network.nodes[line.end]
            if not self._last[i] or node.kind != "outlet":
                continue
            level = self._state.system.nodes[node.name]
            tail[i] = np.nan_to_num(level.water_m, nan=-np.inf)
            if node.detail == "pop-up emitter":
                top = level.ground_m if np.isnan(level.invert_m) else level.invert_m
                lip[i] = np.nan_to_num(top, nan=-np.inf)
        return tail, lip

    def _tabulate(self) -> None:
        """Depths that depend on the flow alone, for flows that grow with the cube."""
        flow = self._most * np.linspace(0.0, 1.0, _TABLE + 1)[None, :] ** 3
        flow = np.broadcast_to(flow, (len(self._end), _TABLE + 1))
        slope = (self._up - self._down) / self._length
        own = normal_flow(flow, self._diameter, slope, self._roughness)
        critical = np.asarray(critical_depth(flow, self._diameter))
        full_end = np.minimum(flow / _TRICKLE_M3S, 1.0) * 0.5 * (critical + self._diameter)
        depth = np.where(np.asarray(own.surcharged), full_end, np.nan_to_num(own.depth))
        self._critical, self._own = critical, depth
        unit = np.ones_like(self._diameter)
        self._friction = np.asarray(
            friction_loss(unit, self._diameter, self._length, self._roughness)
        )

    def _node_level(self, at: FloatArray, flow: FloatArray, below: FloatArray) -> FloatArray:
        """Level in the upper nodes of lines, as `grade_line.reach_grade` follows it up."""
        back, flow = np.maximum(-flow, 0.0), np.maximum(flow, 0.0)
        diameter, place = self._diameter[at], np.cbrt(np.clip(flow / self._most, 0, 1)) * _TABLE
        index = np.minimum(place.astype(int), _TABLE - 1)
        part, rows = place - index, np.asarray(at)[:, None]

        def read(table: FloatArray) -> FloatArray:
            low = table[rows, index]
            return np.asarray(low + part * (table[rows, index + 1] - low))

        own, critical = read(self._own), read(self._critical)
        runs = np.minimum(flow / _TRICKLE_M3S, 1.0)
        free = self._down[at] + runs * 0.5 * (critical + diameter)
        lip = runs * EMITTER_OPENING_HEAD_M + self._lip[at]
        last = np.maximum(np.maximum(free, lip), self._tail[at])
        below = np.where(self._last[at][:, None], np.maximum(last, below), below)
        section = 0.25 * np.pi * diameter**2
        losses = self._friction[at] * flow**2
        losses = losses + self._bends[at] * (flow / section) ** 2 / (2.0 * GRAVITY)
        up = np.maximum(below, self._down[at] + own) + losses
        up = np.maximum(up, self._up[at] + own)
        depth = np.maximum(up - self._up[at], critical)
        wet = np.asarray(area_ratio(np.clip(depth / diameter, 0.0, 1.0)))
        speed = np.where(flow > 0, flow / (section * np.where(flow > 0, wet, 1.0)), 0.0)
        head = self._node[at] * speed**2 / (2.0 * GRAVITY)
        # running back it loses what it would lose full; a trace grows with the flow alone
        lost = self._friction[at] * back**2 + _TRACE * (back - flow)
        lost = lost + (self._bends[at] + self._node[at]) * (back / section) ** 2 / (2 * GRAVITY)
        return np.asarray(self._up[at] + depth + head - lost)

    def levels(
        self, sums_m3s: FloatArray, together: FloatArray, most_m3s: FloatArray
    ) -> FloatArray:
        """
        Follow the grade line up; shape (nodes of the network + 1, n), minus infinity for none.

        Parameters
        ----------
        sums_m3s
            What enters above each line, added up, shape (lines, n); negative where it runs back
            [m^3/s].
        together
            Share of the sum of the peaks that a line carries, as they do not all come at once,
            shape (lines, n).
        most_m3s
            What lines may carry at most, where something else holds them back; infinite else,
            shape (lines, n).
        """
        return self._swept(sums_m3s, together, most_m3s)[0]

    def _swept(
        self, sums: FloatArray, together: FloatArray, most: FloatArray, *, slopes: bool = False
    ) -> tuple[FloatArray, FloatArray]:
        """Levels, and their slopes by what enters at each node, shape (nodes, entering, n)."""
        count, entering = len(self._number) + 1, self.carried.shape[1]
        water = np.full((count, sums.shape[1]), -np.inf)
        slope = np.zeros((count, entering, sums.shape[1])) if slopes else np.zeros((0, 0, 0))
        for i in reversed(range(len(self._end))):
            at, start, end = np.array([i]), self._start[i], self._end[i]
            over = np.maximum(sums[i] - most[i], 0.0)
            held = over > 0
            if not (self.known[i] or held.any()):
                continue
            below = np.where(held, np.maximum(water[end], self._lowest) + _STEEP * over, water[end])
            found, flow = below, together[i] * sums[i]
            if self.known[i]:
                found = self._node_level(at, flow[None], below)[0]
            higher = found > water[start]
            if slopes:
                by_flow, by_level = np.zeros_like(flow), np.ones_like(flow)
                if self.known[i]:
                    more = 1e-8 + 1e-4 * np.abs(flow)
                    by_flow = (self._node_level(at, (flow + more)[None], below)[0] - found) / more
                    by_level = (self._node_level(at, flow[None], below + 1e-6)[0] - found) / 1e-6
                own = by_flow * together[i] + by_level * np.where(held, _STEEP, 0.0)
                here = by_level * slope[end] + self.carried[i][:, None] * own
                slope[start] = np.where(higher, here, slope[start])
            water[start] = np.where(higher, found, water[start])
        return water, slope

    def settle(
        self, supply_m3s: FloatArray, together: FloatArray, most_m3s: FloatArray,
        first: FloatArray | None = None, piped: FloatArray | None = None,
    ) -> FloatArray:  # fmt: skip
        """
        Find what cannot enter, or comes up, at each node: the steady state of all at once.

        At every open node either all that is there enters, or the water stands at the rim. There
        is one such state: more water nowhere means less anywhere, and what is held back at one
        node lowers the others. So water comes up where the grade line first meets a rim.

        Parameters
        ----------
        supply_m3s
            What would enter at each node, shape (nodes, n).
        together, most_m3s
            As in `levels`; `most_m3s` is held against the plain sum.
        first
            A guess, as near as there is.
        piped
            Of the supply, what comes in by pipe: at nodes above lines that are counted as taking
            nothing it comes up at the lowest rim of them. None for none.

        Returns
        -------
        refused
            Shape (nodes, n); more than the supply of a node where water of others comes up
            there.

        Raises
        ------
        EngineError
            If no steady state is found.
        """
        refused = np.zeros_like(supply_m3s) if first is None else first.copy()
        closed = self.closed[:, None]
        whole, supply_m3s = supply_m3s, np.where(closed, 0.0, supply_m3s)
        refused = np.where(closed, 0.0, refused)
        for lines, nodes in self.systems():
            part = self._part(lines, nodes)
            # as many steps at once as have room
            size = max(_ELEMENTS // ((len(self._number) + 1) * max(nodes.size, 1)), 1)
            for start in range(0, supply_m3s.shape[1], size):
                steps = np.s_[start : start + size]
                refused[nodes, steps] = part.settle_system(
                    supply_m3s[nodes, steps], together[lines, steps], most_m3s[lines, steps],
                    refused[nodes, steps],
                )  # fmt: skip
            above = nodes[self.closed[nodes]]
            if above.size:
                pipes = 0.0 * whole if piped is None else piped
                refused[above] += (whole - pipes)[above]
                lowest = above[np.argmin(self._rims[above, 0])]
                refused[lowest] += pipes[above].sum(axis=0)
        return refused

    def settle_system(
        self, supply_m3s: FloatArray, together: FloatArray, most_m3s: FloatArray,
        refused: FloatArray,
    ) -> FloatArray:  # fmt: skip
        """As `settle`, of one system."""
        refused, limit = refused.copy(), self._limits(together)
        at = np.arange(supply_m3s.shape[1])
        for solve in (self._newton, self._one_by_one):
            excess = self._excess(supply_m3s[:, at] - refused[:, at], together[:, at],
                                  most_m3s[:, at], limit[:, at])  # fmt: skip
            at = at[~_settled(refused[:, at], excess)]
            if not at.size:
                return refused
            refused[:, at] = solve(supply_m3s[:, at], refused[:, at], together[:, at],
                                   most_m3s[:, at], limit[:, at])  # fmt: skip
        excess = self._excess(supply_m3s[:, at] - refused[:, at], together[:, at],
                              most_m3s[:, at], limit[:, at])  # fmt: skip
        if not _settled(refused[:, at], excess, tolerance=_TOLERABLE_M).all():
            raise EngineError("the water of the inlets and the drain lines does not settle.")
        return refused

    def _limits(self, together: FloatArray) -> FloatArray:
        """Rims of the nodes at which water enters; no lower than what stands there without it."""
        none, free = np.zeros_like(together), np.full_like(together, np.inf)
        still = self.levels(none, together, free)
        return np.asarray(np.maximum(still[self._row], self._rims))

    def _excess(
        self, entering: FloatArray, together: FloatArray, most: FloatArray, limit: FloatArray
    ) -> FloatArray:
        """How far water stands above its limit where water enters [m]."""
        water = self.levels(self.carried @ entering, together, most)
        return np.asarray(water[self._row] - limit)

    def _newton(
        self, supply: FloatArray, refused: FloatArray, together: FloatArray, most: FloatArray,
        limit: FloatArray,
    ) -> FloatArray:  # fmt: skip
        """Newton's method on all nodes: which stand at their rims, and what they refuse."""
        refused, going = refused.copy(), np.arange(supply.shape[1])
        unit, highest = np.eye(len(supply)), 2.0 * supply.sum(axis=0)
        for step in range(_NEWTON):
            now, factor = refused[:, going], 0.5 if step % 20 >= 14 else 1.0
            entering = supply[:, going] - now
            water, slope = self._swept(
                self.carried @ entering, together[:, going], most[:, going], slopes=True
            )
            excess = water[self._row] - limit[:, going]
            done = _settled(now, excess)
            going, now, excess = going[~done], now[:, ~done], excess[:, ~done]
            if not going.size:
                break
            rows = slope[self._row][:, :, ~done].transpose(2, 0, 1) + 1e-2 * unit
            above, change = excess, np.zeros_like(now)
            for _ in range(_INNER):  # which are full, if levels were straight lines of the flows
                full = now + change + _FLOW_PER_METRE * above > 0
                matrix = np.where(full.T[:, :, None], rows, unit)
                right = np.where(full, excess, -now)
                change = np.linalg.solve(matrix, right.T[:, :, None])[:, :, 0].T
                above = np.where(full, 0.0, excess - (rows @ change.T[:, :, None])[:, :, 0].T)
            tried = np.clip(now + factor * change, 0.0, highest[going])
            refused[:, going] = np.where(tried > _TRIFLE * highest[going], tried, 0.0)
        return refused

    def _one_by_one(
        self, supply: FloatArray, refused: FloatArray, together: FloatArray, most: FloatArray,
        limit: FloatArray,
    ) -> FloatArray:  # fmt: skip
        """Slower and sure: node by node the least that keeps its own water down, in rounds."""
        refused, highest = refused.copy(), 2.0 * supply.sum(axis=0)
        for _ in range(_ROUNDS):
            for k in range(len(supply)):
                if not np.isfinite(limit[k]).any():
                    continue
                low, high = np.zeros(supply.shape[1]), highest.copy()
                for _ in range(_HALVINGS):
                    refused[k] = 0.5 * (low + high)
                    over = self._excess(supply - refused, together, most, limit)[k] > 0
                    low, high = np.where(over, refused[k], low), np.where(over, high, refused[k])
                refused[k] = np.where(high > _TRIFLE * highest, high, 0.0)
            excess = self._excess(supply - refused, together, most, limit)
            if _settled(refused, excess).all():
                break
        return refused

    def room_of(
        self, node: int, entering: FloatArray, together: FloatArray, most_m3s: FloatArray
    ) -> FloatArray:
        """
        Find what a node could let in beside what enters everywhere, its own water below its rim.

        Parameters
        ----------
        entering
            What enters at each node, shape (nodes, n) [m^3/s].

        Returns
        -------
        room
            Infinite where no line it leads to is known, shape (n,).
        """
        way, columns = self.carried[:, node] > 0, entering.shape[1]
        if self.closed[node]:
            return np.zeros(columns)
        if not (way & (self.known | np.isfinite(most_m3s).any(axis=1))).any():
            return np.full(columns, np.inf)
        low, high = np.zeros(columns), np.full(columns, self._most)
        unit = np.zeros((entering.shape[0], 1))
        unit[node] = 1.0
        limit = self._limits(together) + _SAME_M
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            over = self._excess(entering + unit * middle, together, most_m3s, limit)[node] > 0
            low, high = np.where(over, low, middle), np.where(over, middle, high)
        return low


def _settled(
    refused: FloatArray, excess: FloatArray, *, tolerance: float = _SAME_M
) -> BoolArray:  # fmt: skip
    """Whether no water stands above its limit, and at it where any is refused."""
    low = excess <= tolerance
    return np.asarray((low & ((refused <= 0) | (excess >= -tolerance))).all(axis=0))
