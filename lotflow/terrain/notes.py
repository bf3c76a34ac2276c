"""What the terrain has to say to the designer: findings about edges, inlets and low spots."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lotflow.findings import Finding
from lotflow.units import both_units

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.grid import BoolArray, FloatArray, Grid
    from lotflow.terrain.catchments import LotBalance
    from lotflow.terrain.inlet_places import BetterPlace, SetInlet
    from lotflow.terrain.low_spots import LowSpots
    from lotflow.terrain.surface import Surface

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
            "elevation-gap", "warn", "lot",
            f"{share:.1%} of the lot has no elevation. Water that reaches such a gap is lost "
            "from sight there: measure the ground on site.",
            measured=round(share, 4), limit=0.0, unit="1", source=_OWN_RULE,
        )
    ]  # fmt: skip


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
    ends = _ends(lot, cell_m)
    found = [
        Finding(
            "cut-by-edge", "warn", name,
            f"Water may reach this inlet from beyond the elevation data that was read, which {ends}"
            ": its catchment is at least what is given.",
            source=_OWN_RULE,
        )
        for name, is_cut in zip(names, cut, strict=True) if is_cut
    ]  # fmt: skip
    if lot_cut:
        found.append(
            Finding(
                "cut-by-edge", "warn", "lot",
                "Water may come onto the lot from beyond the elevation data that was read, which "
                f"{ends}: the area that drains onto it is at least what is given.",
                source=_OWN_RULE,
            )
        )  # fmt: skip
    if lot_held:
        found.append(
            Finding(
                "not-closed", "warn", "lot",
                "The elevation data that were read end where the ground is about as low as on the "
                "lot: water that is held back beyond may stand on it where no low spot is given. "
                "Give elevation data that reach farther.",
                source=_OWN_RULE,
            )
        )  # fmt: skip
    return found


def _ends(lot: BoolArray, cell_m: float) -> str:
    """Say how far beyond the lot the data that was read reaches, side by side."""
    rows, columns = (np.flatnonzero(lot.any(axis=axis)) for axis in (1, 0))
    beyond = {
        "north": rows[0], "east": lot.shape[1] - 1 - columns[-1],
        "south": lot.shape[0] - 1 - rows[-1], "west": columns[0],
    }  # fmt: skip
    sides = [f"{both_units(n * cell_m, 'distance')} {side}" for side, n in beyond.items()]
    return f"ends {', '.join(sides[:-1])} and {sides[-1]} of the lot"


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
                    "inlet-moved", "note", name,
                    "Its catchment is that of the ground "
                    f"{both_units(inlet.moved_m, 'length')} from where it is drawn, where the "
                    "water runs. Mark that place on site.",
                    measured=round(inlet.moved_m, 3), unit="m", source=_OWN_RULE, x=x, y=y,
                )
            )  # fmt: skip
        if inlet.idle_rim:
            found.append(
                Finding(
                    "grate-above-flow", "warn", name,
                    f"Its rim stands {both_units(inlet.idle_rim, 'depth')} above the ground, "
                    "higher than water rises there: water passes it by. The catchment given is "
                    "what would reach a grate at ground level.",
                    measured=round(inlet.idle_rim, 3), limit=0.0, unit="m", source=_OWN_RULE,
                    x=x, y=y,
                )
            )  # fmt: skip
        if depth >= limit or (inlet.level is not None and depth > 0):
            found.append(
                Finding(
                    "grate-not-at-low-point", "warn", name,
                    f"Water stays {both_units(float(depth), 'depth')} deep beside it although it "
                    "works: the grate is not the lowest point.",
                    measured=round(float(depth), 3), limit=0.0, unit="m", source=_OWN_RULE,
                    x=x, y=y,
                )
            )  # fmt: skip
    found += [
        Finding(
            "inlets-share-a-cell", "warn", name,
            f"Lies in the same cell of the elevation data as {owner}, which is given all the "
            "water. Take the two as one inlet, or use finer data.",
            source=_OWN_RULE,
        )
        for name, owner in hidden
    ]  # fmt: skip
    return found


def _better_place(offer: BetterPlace, grid: Grid, lot: BoolArray | None) -> Finding:
    """Offer a place near an inlet where it would take far more."""
    x, y = _where(grid, offer.cell)
    taken, there = (round(cells * grid.cell_m2, 2) for cells in (offer.taken, offer.there))
    beyond = lot is not None and not lot.ravel()[offer.cell]
    return Finding(
        "inlet-better-place", "warn", offer.name,
        f"By the measured surface alone it takes {both_units(taken, 'area')} where it is drawn, "
        f"and {both_units(there, 'area')} at the place marked, "
        f"{both_units(offer.away_m, 'length')} away: so near together the "
        "data cannot tell the two apart. Look which way the ground "
        "falls on site, and draw the inlet there if it is to take this."
        + (" That place lies beyond the lot line: ask whose ground it is." if beyond else ""),
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
                f"Water can stand {'at least ' if not_closed[position] else ''}"
                f"{both_units(depth, 'depth')} deep here"
                + (f", but: {doubt}." if doubt else ". Look at it on site after rain."),
                measured=round(depth, 3), limit=limit, unit="m", source=_ACCURACY, x=x, y=y,
            )
        )  # fmt: skip
        if not_closed[position]:
            found.append(
                Finding(
                    "not-closed", "warn", f"low spot {position + 1}",
                    "The elevation data that were read end before this basin closes: water may "
                    "rise higher here than is given, and reach more. Give elevation data that "
                    "reach farther.",
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
