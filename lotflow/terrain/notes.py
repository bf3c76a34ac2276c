"""What the terrain has to say to the designer: findings about edges, inlets and low spots."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lotflow.findings import Finding
from lotflow.terrain.closure import NO_STORM_M

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.terrain.catchments import LotBalance
    from lotflow.terrain.inlet_places import BetterPlace, SetInlet
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.surface import SunkBasin, Surface

_OWN_RULE = "lotflow's rule"
_ACCURACY = "lotflow's rule: the stated vertical RMSE of the elevation data"


def _where(grid: Grid, cell: int) -> tuple[float, float]:
    x, y = grid.xy(*divmod(cell, grid.shape[1]))
    return float(x), float(y)


def gap_notes(surface: Surface, lot: BoolArray) -> list[Finding]:
    """Say how much of the lot has no elevation and where water is lost from sight."""
    share = float((surface.missing & lot).sum() / lot.sum())
    if not share:
        return []
    return [
        Finding(
            "elevation-gap", "warn", "lot", facts={"share": share},
            measured=round(share, 4), limit=0.0, unit="1", source=_OWN_RULE,
        )
    ]  # fmt: skip


def sunk_notes(sunk: Sequence[SunkBasin]) -> list[Finding]:
    """Say of closed basins that no storm fills that their bottoms take the water, lot's first."""
    found = []
    for holds_lot in (True, False):
        basins = [one for one in sunk if one.holds_lot == holds_lot]
        if not basins:
            continue
        deepest = max(basins, key=lambda one: one.depth_m)
        found.append(Finding(
            "closed-basin", "warn" if holds_lot else "note", "lot",
            facts={
                "holds_lot": holds_lot, "basins": len(basins), "depth_m": deepest.depth_m,
                "area_m2": deepest.area_m2, "rain_m": deepest.rain_m,
            },
            measured=round(deepest.rain_m, 2), limit=NO_STORM_M, unit="m", x=deepest.x, y=deepest.y,
            source=_OWN_RULE,
        ))  # fmt: skip
    return found


def edge_notes(
    names: Sequence[str], cut: BoolArray, *, lot_cut: bool, lot_held: bool, lot: BoolArray,
    cell_m: float,
) -> list[Finding]:  # fmt: skip
    """
    Say what the edge of the data cuts: catchments are at least that much, and water may stand.

    Parameters
    ----------
    names
        Of the inlets.
    cut
        Whether the catchment of each is cut.
    lot_cut
        Whether what drains onto the lot is cut.
    lot_held
        Whether water held back beyond the edge would stand on the lot where no low spot is given.
    cell_m
        Side of a cell [m].
    """
    beyond = _beyond_m(lot, cell_m)
    found = [
        Finding("cut-by-edge", "warn", name, facts={"lot": False, "beyond_m": beyond},
                source=_OWN_RULE)
        for name, is_cut in zip(names, cut, strict=True) if is_cut
    ]  # fmt: skip
    if lot_cut:
        facts = {"lot": True, "beyond_m": beyond}
        found.append(Finding("cut-by-edge", "warn", "lot", facts=facts, source=_OWN_RULE))
    if lot_held:
        found.append(Finding("not-closed", "warn", "lot", facts={"lot": True}, source=_OWN_RULE))
    return found


def _beyond_m(lot: BoolArray, cell_m: float) -> dict[str, float]:
    """How far beyond the lot the data that was read reaches, side by side [m]."""
    rows, columns = (np.flatnonzero(lot.any(axis=axis)) for axis in (1, 0))
    beyond = {
        "north": rows[0], "east": lot.shape[1] - 1 - columns[-1],
        "south": lot.shape[0] - 1 - rows[-1], "west": columns[0],
    }  # fmt: skip
    return {side: float(cells * cell_m) for side, cells in beyond.items()}


def inlet_notes(
    placed: Sequence[SetInlet],
    residual: FloatArray,
    hidden: Sequence[tuple[str, str]],
    grid: Grid,
    *,
    limit: float,
    offers: Sequence[BetterPlace] = (),
    lot: BoolArray | None = None,
) -> list[Finding]:
    """
    Say which inlets were moved, stand too high, stand beside the low point, or share a cell.

    And which would take far more a few steps away.

    Parameters
    ----------
    placed
        Inlets on their cells.
    residual
        Depth that stays standing beside each [m].
    hidden
        Inlets that lost their cells to another one.
    limit
        Residual depth from which a grate is said not to stand at the low point [m]; for a rim
        whose height was seen on site every depth counts.
    lot
        Cells of the lot; None where it is not known.
    """
    found = [_better_place(offer, grid, lot) for offer in offers]
    for inlet, depth in zip(placed, residual, strict=True):
        name = inlet.drawn.name
        x, y = _where(grid, int(inlet.cells[0]))
        if inlet.moved_m:
            found.append(
                Finding(
                    "inlet-moved", "note", name, facts={"moved_m": inlet.moved_m},
                    measured=round(inlet.moved_m, 3), unit="m", source=_OWN_RULE, x=x, y=y,
                )
            )  # fmt: skip
        if inlet.idle_rim:
            found.append(
                Finding(
                    "grate-above-flow", "warn", name, facts={"above_m": inlet.idle_rim},
                    measured=round(inlet.idle_rim, 3), limit=0.0, unit="m", source=_OWN_RULE,
                    x=x, y=y,
                )
            )  # fmt: skip
        if depth >= limit or (inlet.level is not None and depth > 0):
            found.append(
                Finding(
                    "grate-not-at-low-point", "warn", name, facts={"depth_m": float(depth)},
                    measured=round(float(depth), 3), limit=0.0, unit="m", source=_OWN_RULE,
                    x=x, y=y,
                )
            )  # fmt: skip
    found += [
        Finding("inlets-share-a-cell", "warn", name, facts={"other": owner}, source=_OWN_RULE)
        for name, owner in hidden
    ]
    return found


def _better_place(offer: BetterPlace, grid: Grid, lot: BoolArray | None) -> Finding:
    """Offer a place near an inlet where it would take far more."""
    x, y = _where(grid, offer.cell)
    taken, there = (round(cells * grid.cell_m2, 2) for cells in (offer.taken, offer.there))
    beyond = lot is not None and not lot.ravel()[offer.cell]
    return Finding(
        "inlet-better-place", "warn", offer.name,
        facts={"taken_m2": taken, "there_m2": there, "away_m": offer.away_m,
               "off_lot": bool(beyond)},
        measured=there, limit=taken, unit="m2", source=_OWN_RULE, x=x, y=y,
    )  # fmt: skip


def low_spot_notes(
    spots: LowSpots, on_lot: BoolArray, grid: Grid, *, limit: float, not_closed: BoolArray
) -> list[Finding]:
    """
    Say of the low spots on the lot what stands there.

    Parameters
    ----------
    spots
        All low spots of the window.
    on_lot
        Whether each reaches onto the lot.
    limit
        Smallest depth that was looked for [m].
    not_closed
        Whether the basin of each is not closed by the data.
    """
    found = []
    for position in range(len(spots)):
        if not on_lot[position]:
            continue
        x, y = _where(grid, int(spots.bed_cell[position]))
        depth = float(spots.depth[position])
        doubt = spots.artefact[position]
        found.append(
            Finding(
                "low-spot", "note" if doubt else "warn", f"low spot {position + 1}",
                facts={"depth_m": depth, "not_closed": bool(not_closed[position]), "doubt": doubt},
                measured=round(depth, 3), limit=limit, unit="m", source=_ACCURACY, x=x, y=y,
            )
        )  # fmt: skip
        if not_closed[position]:
            found.append(
                Finding(
                    "not-closed", "warn", f"low spot {position + 1}", facts={"lot": False},
                    measured=round(depth, 3), unit="m", source=_OWN_RULE, x=x, y=y,
                )
            )  # fmt: skip
    return found


def balance_as_areas(balance: LotBalance, cell_m2: float) -> dict[str, float]:
    """
    Give the lot's balance as areas.

    Parameters
    ----------
    balance
        In cells' worth of rain.
    cell_m2
        Area of a cell [m^2].

    Returns
    -------
    areas
        `on_m2`, `culverts_in_m2` and `lot_m2` come; `off_m2`, `captured_m2`, `culverts_out_m2`,
        `unseen_m2` and `connected_roofs_m2` go; `residual_m2` is the difference, 0.
    """
    return {
        "on_m2": balance.on * cell_m2,
        "culverts_in_m2": balance.culverts_in * cell_m2,
        "lot_m2": balance.lot * cell_m2,
        "off_m2": balance.off * cell_m2,
        "captured_m2": balance.captured * cell_m2,
        "culverts_out_m2": balance.culverts_out * cell_m2,
        "unseen_m2": balance.unseen * cell_m2,
        "connected_roofs_m2": balance.connected_roofs * cell_m2,
        "residual_m2": balance.residual * cell_m2,
    }
