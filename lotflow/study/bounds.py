"""Bounds of what realisations show, and when there are enough of them to give any."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from lotflow.terrain.confidence import interval
from lotflow.terrain.level_error import ErrorModel

if TYPE_CHECKING:
    from lotflow.grid import FloatArray
    from lotflow.inputs.job import Job

#: Of fewer surfaces none is the 5th of 100.
FEWEST: Final = 20


def error_model(job: Job) -> ErrorModel:
    """
    Give the error of a study's elevation data.

    Parameters
    ----------
    job
        Says how large it is.
    """
    stated = job.elevation
    return ErrorModel(stated.rmse_m, stated.correlation_m, stated.white_share)


def bounds_of(values: FloatArray, error: ErrorModel) -> FloatArray:
    """
    Lower bound, middle and upper bound; of few realisations the middle alone.

    Parameters
    ----------
    values
        The first axis is the realisation.
    error
        Of the elevation data; where there is none, one realisation is all there is to know.

    Returns
    -------
    bounds
        As `interval` gives them, the outer ones NaN where there are fewer than 20.

    Examples
    --------
    >>> bounds_of(np.array([1.0, 2.0, 6.0]), ErrorModel(0.1, 10.0, 0.1))
    array([nan,  2., nan])
    >>> bounds_of(np.array([2.0]), ErrorModel(0.0, 10.0, 0.1))
    array([2., 2., 2.])
    """
    bounds = interval(values)
    if len(values) < FEWEST and not error.is_none:
        bounds[[0, -1]] = np.nan
    return bounds
