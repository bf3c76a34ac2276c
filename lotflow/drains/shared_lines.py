"""What inlets may let into lines they share: until the water would reach a rim."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.drains.circular_section import area_ratio, critical_depth, normal_flow
from lotflow.drains.domain import GRAVITY
from lotflow.drains.grade_line import emitter_level
from lotflow.drains.losses import friction_loss
from lotflow.drains.network_flows import led_down
from lotflow.drains.network_grade import bend_heads, node_coefficient

if TYPE_CHECKING:
    from collections.abc import Collection

    from lotflow.drains.drain_system import DrainState
    from lotflow.grid import BoolArray, FloatArray

#: Flows of a line's table of depths; between them depths are interpolated.
_TABLE: Final = 600
#: No drain of a lot runs faster when it is full [m/s].
_FASTEST_M_S: Final = 6.0
_HALVINGS: Final = 22
#: Part of what a node wants by which it is tried whether it may let in more.
_LITTLE: Final = 1e-3
#: Levels that differ by less are the same [m].
_SAME_M: Final = 1e-5


class SharedLines:
    """
    Shares the room of drain lines among the nodes at which water enters.

    All nodes let in the same share of what comes to them, until more of one would lift the grade
    line above the rim of an open node, its own or another whose water it holds up; that one
    stops, and the others go on (lotflow's rule). What is piped (roofs, pumps) comes before what
    comes over the ground.

    Parameters
    ----------
    state
        What the lines do.
    names
        Of the nodes at which water enters, one row of every array each.
    is_open
        Of those, the ones from which water can get out at the rim.
    most_m3s
        Greatest sum of flows that will be asked for [m^3/s].

    References
    ----------
    FHWA HEC-22, 3rd edition (2009), sections 7.1.5 and 7.1.6 for the grade line, as
    `network_grade.hydraulics` has it; how room is shared is lotflow's rule.
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
        self._limit = self._limits(is_open)
        section = 0.25 * np.pi * float(np.square(self._diameter[self.known]).max(initial=0.0))
        self._most = max(float(most_m3s) * 1.01, _FASTEST_M_S * section, 1e-6)
        self._tabulate()

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

    def _limits(self, is_open: Collection[str]) -> FloatArray:
        """Highest water in each node: its rim, and the lowest of the open nodes above it."""
        limit = np.full(len(self._number), np.inf)
        for name in is_open:
            if name in self._number:
                rim = self._state.system.nodes[name].rim_m
                limit[self._number[name]] = np.nan_to_num(rim, nan=np.inf)
        self._rims = limit.copy()
        for i in range(len(self._end)):  # in the order of flow
            if self.known[i]:
                limit[self._end[i]] = min(limit[self._end[i]], limit[self._start[i]])
        return limit[:, None]

    def _tabulate(self) -> None:
        """Depths that depend on the flow alone, for flows that grow with the cube."""
        flow = self._most * np.linspace(0.0, 1.0, _TABLE + 1)[None, :] ** 3
        flow = np.broadcast_to(flow, (len(self._end), _TABLE + 1))
        slope = (self._up - self._down) / self._length
        own = normal_flow(flow, self._diameter, slope, self._roughness)
        critical = np.asarray(critical_depth(flow, self._diameter))
        full_end = np.where(flow > 0, 0.5 * (critical + self._diameter), 0.0)
        depth = np.where(np.asarray(own.surcharged), full_end, np.nan_to_num(own.depth))
        self._critical, self._own = critical, depth
        unit = np.ones_like(self._diameter)
        self._friction = np.asarray(
            friction_loss(unit, self._diameter, self._length, self._roughness)
        )

    def _node_level(self, at: FloatArray, flow: FloatArray, below: FloatArray) -> FloatArray:
        """Level in the upper nodes of lines, as `grade_line.reach_grade` follows it up."""
        diameter, place = self._diameter[at], np.cbrt(np.clip(flow / self._most, 0, 1)) * _TABLE
        index = np.minimum(place.astype(int), _TABLE - 1)
        part, rows = place - index, np.asarray(at)[:, None]

        def read(table: FloatArray) -> FloatArray:
            low = table[rows, index]
            return np.asarray(low + part * (table[rows, index + 1] - low))

        own, critical = read(self._own), read(self._critical)
        free = self._down[at] + np.where(flow > 0, 0.5 * (critical + diameter), 0.0)
        lip = np.asarray(emitter_level(0.0, flow)) + self._lip[at]
        last = np.maximum(np.maximum(free, lip), self._tail[at])
        below = np.where(self._last[at][:, None], last, below)
        section = 0.25 * np.pi * diameter**2
        losses = self._friction[at] * flow**2
        losses = losses + self._bends[at] * (flow / section) ** 2 / (2.0 * GRAVITY)
        up = np.maximum(below, self._down[at] + own) + losses
        up = np.maximum(up, self._up[at] + own)
        depth = np.maximum(up - self._up[at], critical)
        wet = np.asarray(area_ratio(np.clip(depth / diameter, 0.0, 1.0)))
        speed = np.where(flow > 0, flow / (section * np.where(flow > 0, wet, 1.0)), 0.0)
        return np.asarray(self._up[at] + depth + self._node[at] * speed**2 / (2.0 * GRAVITY))

    def levels(self, flow_m3s: FloatArray) -> FloatArray:
        """
        Follow the grade line up; shape (nodes of the network, n), minus infinity where none is.

        Parameters
        ----------
        flow_m3s
            Shape (lines, n) [m^3/s].
        """
        water = np.full((len(self._number), flow_m3s.shape[1]), -np.inf)
        for i in reversed(range(len(self._end))):
            if self.known[i]:
                at = np.array([i])
                found = self._node_level(at, flow_m3s[at], water[self._end[at]])[0]
                water[self._start[i]] = np.maximum(water[self._start[i]], found)
        return water

    def share(
        self, piped_m3s: FloatArray, surface_m3s: FloatArray, together: FloatArray,
        most_m3s: FloatArray | None = None,
    ) -> tuple[FloatArray, FloatArray]:  # fmt: skip
        """
        Find what each node lets into the lines.

        Parameters
        ----------
        piped_m3s, surface_m3s
            What would enter at each node, below the grate and through it, shape (nodes, n).
        together
            Share of the sum of the peaks that a line carries, as they do not all come at once,
            shape (lines, n).
        most_m3s
            What lines may carry at most, where something else holds them back, shape (lines, n).

        Returns
        -------
        piped, surface
            What of both enters.
        """
        most = np.full(together.shape, np.inf) if most_m3s is None else most_m3s
        piped, surface = piped_m3s.copy(), surface_m3s.copy()
        ceiling = self._ceiling(np.zeros_like(piped), together)
        at = np.flatnonzero(~self._fits(piped + surface, together, most, ceiling))
        if at.size:
            limits = together[:, at], most[:, at]
            first = self._shared(piped[:, at], np.zeros((len(piped), at.size)), *limits)
            piped[:, at], surface[:, at] = first, self._shared(surface[:, at], first, *limits)
        return piped, surface

    def _ceiling(self, entering: FloatArray, together: FloatArray) -> FloatArray:
        """What water must not rise above: the limits, and where it stands higher already, that."""
        water = self.levels(together * (self.carried @ entering))
        return np.asarray(np.maximum(water, self._limit) + _SAME_M)

    def _fits(
        self, entering: FloatArray, together: FloatArray, most: FloatArray, ceiling: FloatArray
    ) -> BoolArray:
        """Whether so much may enter."""
        flow = together * (self.carried @ entering)
        low = (self.levels(flow) <= ceiling).all(axis=0)
        return np.asarray(low & (flow <= most * (1.0 + 1e-9)).all(axis=0))

    def _shared(
        self, wanted: FloatArray, base: FloatArray, together: FloatArray, most: FloatArray
    ) -> FloatArray:
        """The same share of what all want, until more of one would lift water above a limit."""
        ceiling = self._ceiling(base, together)
        got, rising = np.zeros_like(wanted), wanted > 0
        share = np.zeros(wanted.shape[1])
        for _ in range(len(wanted)):
            at = np.flatnonzero(rising.any(axis=0))
            whole = self._fits(
                (base + np.where(rising, wanted, got))[:, at], together[:, at], most[:, at],
                ceiling[:, at],
            )  # fmt: skip
            all_of_it = at[whole]
            got[:, all_of_it] = np.where(rising, wanted, got)[:, all_of_it]
            rising[:, all_of_it] = False
            at = at[~whole]
            if not at.size:
                break
            parts = wanted[:, at], base[:, at], together[:, at], most[:, at], ceiling[:, at]
            share[at], got[:, at], rising[:, at] = self._one_more_stops(
                parts, got[:, at], rising[:, at], share[at]
            )
        return got

    def _one_more_stops(
        self, parts: tuple[FloatArray, ...], got: FloatArray, rising: BoolArray, low: FloatArray
    ) -> tuple[FloatArray, FloatArray, BoolArray]:
        """Raise the share of all that rise until one of them must stop."""
        wanted, base, together, most, ceiling = parts
        nodes, high = len(wanted), np.ones_like(low)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            tried = base + np.where(rising, wanted * middle, got)
            fits = self._fits(tried, together, most, ceiling)
            low, high = np.where(fits, middle, low), np.where(fits, high, middle)
        got = np.where(rising, wanted * low, got)
        # a little more of each, one at a time, all in one go
        more = np.repeat(np.eye(nodes)[:, :, None], wanted.shape[1], axis=2) * wanted * _LITTLE
        tried = (base + got)[:, None, :] + more
        stops = ~self._fits(
            tried.reshape(nodes, -1), np.tile(together, nodes), np.tile(most, nodes),
            np.tile(ceiling, nodes),
        ).reshape(nodes, -1)  # fmt: skip
        stops |= ~(stops & rising).any(axis=0)
        return low, got, rising & ~stops

    def held_by(
        self, node: int, entering: FloatArray, together: FloatArray, room: FloatArray
    ) -> list[str]:
        """
        Name the open node over whose rim a little more than its room would lift the water.

        Parameters
        ----------
        node
            Its row.
        entering, together
            As in `room_of`.
        room
            From `room_of`, shape (n,).

        Returns
        -------
        names
            Empty where its room has no end, shape (n,).
        """
        names = list(self._number)
        more = entering.copy()
        more[node] += np.nan_to_num(room, posinf=0.0) * (1.0 + _LITTLE) + 1e-6
        above = self.levels(together * (self.carried @ more)) - self._rims[:, None]
        first = np.argmax(above, axis=0)
        return [names[k] if np.isfinite(one) and above[k, i] > 0 else ""
                for i, (k, one) in enumerate(zip(first, room, strict=True))]  # fmt: skip

    def room_of(
        self, node: int, entering: FloatArray, together: FloatArray, most_m3s: FloatArray | None
    ) -> FloatArray:
        """
        Find what a node could let in beside what enters everywhere already.

        Parameters
        ----------
        node
            Its row.
        entering
            What enters at each node, shape (nodes, n) [m^3/s].
        together, most_m3s
            As in `share`.

        Returns
        -------
        room
            Infinite where no line it leads to is known, shape (n,).
        """
        way = self.carried[:, node] > 0
        columns = entering.shape[1]
        if not (way & self.known).any():
            room = np.full(columns, np.inf)
        else:
            low, high = np.zeros(columns), np.full(columns, self._most)
            unit = np.zeros((entering.shape[0], 1))
            unit[node] = 1.0
            ceiling, most = self._ceiling(entering, together), np.full(together.shape, np.inf)
            for _ in range(_HALVINGS):
                middle = 0.5 * (low + high)
                fits = self._fits(entering + unit * middle, together, most, ceiling)
                low, high = np.where(fits, middle, low), np.where(fits, high, middle)
            room = low
        if most_m3s is None or not way.any():
            return room
        left = np.maximum(most_m3s - together * (self.carried @ entering), 0.0)[way]
        step = (together * self.carried[:, [node]])[way]
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.minimum(room, np.where(step > 0, left / step, np.inf).min(axis=0)))
