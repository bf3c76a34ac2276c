"""Which pond of a case matters most, against what stands with every inlet open."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lotflow.study.blocked import OPEN

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from lotflow.study.pond_cases import PondGround
    from lotflow.study.pond_records import CaseStorm, Pond


def worst_pond(
    ground: PondGround, storm: CaseStorm, levels: Mapping[int, float]
) -> tuple[Pond, float] | None:
    """
    Find the pond that matters most.

    Ponds on the lot come first, and low spots that are doubted last; then the one that newly
    reaches a building, or comes closer to it than the data can tell, then the one that rises
    most.

    Parameters
    ----------
    ground
        Says which low spots are doubted.
    storm
        Of one case.
    levels
        Highest level per low spot with every inlet open, the ground where it is dry [m].

    Returns
    -------
    pond, rise
        And how much higher it stands than with every inlet open [m]; None where there is none.
    """

    def weight(one: tuple[Pond, float]) -> tuple[bool, bool, int, float, float]:
        pond, rise = one
        # a millimetre: what rounding may do to a level is no rise
        newly = storm.case == OPEN or rise > 1e-3
        danger = newly * (2 * pond.reaches_building + pond.is_close(ground.rmse))
        trusted = not ground.artefact[pond.low_spot - 1]
        near = -pond.freeboard.freeboard if danger and pond.freeboard else rise
        return trusted, pond.on_lot, danger, round(near, 6), pond.depth

    ranked = [(pond, pond.level - levels[pond.low_spot]) for pond in storm.ponds]
    return max(ranked, key=weight, default=None)


def open_levels(
    found: Iterable[CaseStorm], beds: Mapping[int, tuple[int, float]]
) -> dict[int, dict[int, float]]:
    """
    Highest level of each low spot with every inlet open, by storm.

    Parameters
    ----------
    found
        All cases and storms.
    beds
        Deepest cell of each low spot and its elevation, for those that are dry [m].
    """
    levels: dict[int, dict[int, float]] = {}
    for storm in found:
        if storm.case != OPEN:
            continue
        levels[storm.storm] = {spot: level for spot, (_, level) in beds.items()}
        for pond in storm.ponds:
            known = levels[storm.storm][pond.low_spot]
            levels[storm.storm][pond.low_spot] = max(known, pond.level)
    return levels
