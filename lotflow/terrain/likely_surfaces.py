"""
Surfaces that may be the true one, under two views of what ground is like.

No data tell which view holds for a lot. The one learns from the whole window how much structure
there is, and is right on natural ground and smooth lawns; the other looks at each place alone,
and keeps the single bowl or pad that the first takes for error. Draws take them in turn, so
that an interval is as wide as not knowing makes it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from lotflow.terrain import local_relief as local
from lotflow.terrain import posterior as learned
from lotflow.terrain.asked_once import AskedOnce
from lotflow.terrain.measured_surface import measured_surface

if TYPE_CHECKING:
    import numpy as np

    from lotflow.grid import FloatArray
    from lotflow.terrain.error_model import ErrorModel


@dataclass(frozen=True, eq=False)
class LikelySurfaces:
    """
    The surfaces that may be true.

    Parameters
    ----------
    ground
        As measured [m].
    views
        By what the whole window is like, and by each place alone, each found when it is first
        drawn from; none where there is no error.
    """

    ground: FloatArray
    views: tuple[AskedOnce[learned.Posterior], AskedOnce[local.LocalRelief]] | tuple[()]

    @property
    def are_one(self) -> bool:
        """Whether there is no error, so that all are the measured surface."""
        return not self.views

    @staticmethod
    def in_turn(number: int) -> list[int]:
        """
        Give draws in the order that keeps several threads busy.

        The first of each view finds that view, which takes as long as several draws; so that the
        second thread can go on, draws by the view that is found sooner come next.

        Parameters
        ----------
        number
            Of draws.

        Examples
        --------
        >>> LikelySurfaces.in_turn(6)
        [0, 1, 3, 5, 2, 4]
        """
        return [*range(min(number, 1)), *range(1, number, 2), *range(2, number, 2)]

    def draw(self, number: int, random: np.random.Generator) -> FloatArray:
        """
        Draw one surface.

        Parameters
        ----------
        number
            Of the draw, from 0: even ones by the first view, odd ones by the second.
        random
            Source of normal numbers.

        Returns
        -------
        surface
            Shape of the ground [m]; the ground itself where there is no error.
        """
        if not self.views:
            return self.ground
        return self.views[number % 2]().draw(number // 2, random)


def likely_surfaces(
    ground: FloatArray, error: ErrorModel, cell_m: float, random: np.random.Generator
) -> LikelySurfaces:
    """
    Find which surfaces may be true, under both views.

    Parameters
    ----------
    ground
        As measured, without buildings and walls, complete [m].
    error
        Of the measurement.
    cell_m
        Side of a cell [m].
    random
        Decides the positions in which wavelet bands are laid.

    References
    ----------
    Hoeting, Madigan, Raftery, Volinsky (1999), Bayesian model averaging: a tutorial, Statistical
    Science 14(4), from memory; equal weights are lotflow's choice.
    """
    if error.is_none:
        return LikelySurfaces(ground, ())
    measured = measured_surface(ground, error, cell_m)
    # chosen now, in this order, whichever view is asked for first
    learned_at = measured.positions(learned.HALVINGS, random)
    local_at = measured.positions(local.HALVINGS, random)
    return LikelySurfaces(
        ground,
        (AskedOnce(partial(learned.posterior, measured, learned_at)),
         AskedOnce(partial(local.local_relief, measured, local_at))),
    )  # fmt: skip
