"""A measured surface made ready to be judged by waves and wavelets, with its error's spectrum."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from lotflow.terrain.wavelet_bands import Bands

if TYPE_CHECKING:
    from lotflow.grid import FloatArray, SingleArray
    from lotflow.terrain.error_model import ErrorModel

#: Cells added at the sides, over which the surface is led back into its other side.
_LEAST_MARGIN: Final = 16
#: Ways in which bands are laid over the surface.
_POSITIONS: Final = 4

#: Rows and columns by which bands are moved over a surface.
Shift = tuple[int, int]


@dataclass(frozen=True, eq=False)
class MeasuredSurface:
    """
    What every way to judge a measured surface begins with.

    Parameters
    ----------
    trend
        Plane through the ground, shape of it [m].
    residual
        The ground without its trend, led round at its sides [m]; in single precision, which is a
        micrometre in a relief of ten metres.
    error
        Variance of each wave of its error, shape of the residual [m^2].
    """

    trend: FloatArray
    residual: SingleArray
    error: FloatArray

    @property
    def shape(self) -> tuple[int, int]:
        """Of the residual."""
        rows, columns = self.residual.shape
        return rows, columns

    def bands(self, halvings: int) -> Bands:
        """
        Give the bands into which the residual is split.

        Parameters
        ----------
        halvings
            At most; none leads to fewer than six cells a side.
        """
        return Bands(self.shape, min(halvings, *(int(math.log2(size / 6)) for size in self.shape)))

    def positions(self, halvings: int, random: np.random.Generator) -> list[Shift]:
        """
        Choose positions in which bands are laid over the residual; draws take them in turn.

        Parameters
        ----------
        halvings
            Of the bands; beyond the side of their coarsest cell positions repeat.
        random
            Chooses.
        """
        most = 2 ** self.bands(halvings).levels
        return [(int(a), int(b)) for a, b in random.integers(0, most, (_POSITIONS, 2))]

    def split(self, bands: Bands, shift: Shift) -> list[Any]:
        """
        Split the residual into bands that are laid over it in some position.

        Parameters
        ----------
        bands
            The bands.
        shift
            Their position.
        """
        return bands.split(np.roll(self.residual, shift, axis=(0, 1)))

    def complete(self, residual: SingleArray, shift: Shift) -> FloatArray:
        """
        Give the surface of another residual, which was joined from bands.

        Parameters
        ----------
        residual
            Shape of the residual [m].
        shift
            Position of the bands.
        """
        rows, columns = self.trend.shape
        back = np.roll(residual, (-shift[0], -shift[1]), axis=(0, 1))
        return np.asarray(self.trend + back[:rows, :columns])


def measured_surface(ground: FloatArray, error: ErrorModel, cell_m: float) -> MeasuredSurface:
    """
    Make a measured surface ready to be judged.

    Parameters
    ----------
    ground
        As measured, without buildings and walls, complete [m].
    error
        Of the measurement.
    cell_m
        Side of a cell [m].
    """
    trend = _plane(ground)
    residual = led_round(ground - trend).astype(np.float32)
    rows, columns = residual.shape
    return MeasuredSurface(trend, residual, error.spectrum((rows, columns), cell_m))


def _plane(ground: FloatArray) -> FloatArray:
    """Plane of least squares."""
    rows, columns = ground.shape
    row, column = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, columns), indexing="ij")
    # on a full grid the three terms are independent of each other
    south = (ground * row).sum() / (row**2).sum()
    east = (ground * column).sum() / (column**2).sum()
    return np.asarray(ground.mean() + south * row + east * column)


def led_round(residual: FloatArray) -> FloatArray:
    """
    Add cells at the lower and right sides, over which a surface leads into its other side.

    Parameters
    ----------
    residual
        Surface without its trend.

    Returns
    -------
    periodic
        Sides are multiples of 32 cells (of 8 where the surface is small); the surface itself
        stands at the upper left.

    Examples
    --------
    >>> led_round(np.ones((30, 60))).shape
    (48, 96)
    """
    return _led_round_rows(_led_round_rows(residual).T).T


def _led_round_rows(values: FloatArray) -> FloatArray:
    """Add rows in which the mirrored end fades into the mirrored beginning."""
    rows = values.shape[0]
    # few halvings are asked of a small surface: it need not be made much larger
    unit = 32 if rows + _LEAST_MARGIN > 64 else 8
    added = -(-(rows + _LEAST_MARGIN) // unit) * unit - rows
    end = np.pad(values, ((0, added), (0, 0)), mode="reflect")[rows:]
    beginning = np.pad(values, ((added, 0), (0, 0)), mode="reflect")[:added]
    fade = (1 - np.cos(np.pi * np.arange(1, added + 1) / (added + 1)))[:, None] / 2
    return np.concatenate([values, (1 - fade) * end + fade * beginning])
