"""
Surfaces that may be the true one, under two views of what ground is like.

No data tell which view holds for a lot. The one learns from the whole window how much structure
there is, and is right on natural ground and smooth lawns; the other looks at each place alone,
and keeps the single bowl or pad that the first takes for error. Draws take them in turn, so
that an interval is as wide as not knowing makes it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from lotflow.terrain.local_relief import LocalRelief, local_relief
from lotflow.terrain.posterior import Posterior, posterior

if TYPE_CHECKING:
    import numpy as np

    from lotflow.grid import FloatArray
    from lotflow.terrain.error_model import ErrorModel
    from lotflow.terrain.relief_prior import Each


@dataclass(frozen=True, eq=False)
class LikelySurfaces:
    """
    The surfaces that may be true.

    Parameters
    ----------
    learned
        By what the whole window is like.
    local
        By each place alone; None where there is no error.
    """

    learned: Posterior
    local: LocalRelief | None

    @property
    def are_one(self) -> bool:
        """Whether there is no error, so that all are the measured surface."""
        return self.local is None

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
        if self.local is None or number % 2 == 0:
            return self.learned.draw(number // 2, random)
        return self.local.draw(number // 2, random)


def likely_surfaces(
    ground: FloatArray,
    error: ErrorModel,
    cell_m: float,
    random: np.random.Generator,
    *,
    each: Each = map,
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
    each
        How a function is called for each of some values: `map`, or that of an executor.

    References
    ----------
    Hoeting, Madigan, Raftery, Volinsky (1999), Bayesian model averaging: a tutorial, Statistical
    Science 14(4), from memory; equal weights are lotflow's choice.
    """
    learned = posterior(ground, error, cell_m, random, each=each)
    if not learned.laid:
        return LikelySurfaces(learned, None)
    local = local_relief(ground, learned.trend, error, cell_m, random, each=each)
    return LikelySurfaces(learned, local)
