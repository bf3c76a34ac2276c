"""Which water of a case matters most: with every inlet open, and of what rises above that."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from lotflow.study.pond_records import at_walls, reaches

if TYPE_CHECKING:
    from lotflow.study.pond_cases import PondGround
    from lotflow.study.pond_records import CaseStorm, Pond, Rise

#: Water that rises less than this is told only where nothing rises more [m].
SEEN_M: Final = 0.005


def worst_pond(ground: PondGround, storm: CaseStorm) -> Pond | None:
    """
    Find the pond that matters most of those that stand.

    Ponds on the lot come first, and low spots that are doubted last; then the one that reaches a
    building, or comes closer to it than the data can tell, then the deepest.

    Parameters
    ----------
    ground
        Says which low spots are doubted.
    storm
        Of one case.
    """

    def weight(pond: Pond) -> tuple[bool, bool, int, float]:
        return _trusted(ground, pond), pond.on_lot, _danger(ground, pond), pond.depth

    return max(storm.ponds, key=weight, default=None)


def worst_rise(ground: PondGround, storm: CaseStorm) -> Rise | None:
    """
    Find the water that matters most of what stands higher than with every inlet open.

    Water near the lot comes first, and what rises too little to be seen last; then in the order
    of `worst_pond`, and of the rest what rises most.

    Parameters
    ----------
    ground
        Says which low spots are doubted.
    storm
        Of one case.
    """

    def weight(one: Rise) -> tuple[bool, bool, bool, bool, int, float]:
        return (
            one.rise >= SEEN_M, one.is_near, _trusted(ground, one), one.on_lot,
            _danger(ground, one), one.rise,
        )  # fmt: skip

    return max(storm.rises, key=weight, default=None)


def _trusted(ground: PondGround, water: Pond | Rise) -> bool:
    """Whether nothing speaks against the low spot in which water stands."""
    return not (water.low_spot and ground.artefact[water.low_spot - 1])


def _danger(ground: PondGround, water: Pond | Rise) -> int:
    """Whether water reaches a building, may do so, or stands at one of whose sills none knows."""
    close = any(wall.is_close(ground.rmse) for wall in water.walls)
    unknown = any(not wall.threshold.is_given for wall in at_walls(water.walls))
    return 3 if reaches(water.walls) else 2 if close else int(unknown)
