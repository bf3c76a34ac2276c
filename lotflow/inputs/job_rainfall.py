"""The rainfall of a job: from its table file or its coefficients, with the storms it must reach."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from lotflow.errors import Fault, InputError
from lotflow.inputs.limits import DEFAULT_LIMITS
from lotflow.inputs.open import local_file, read_bytes, sha256_of
from lotflow.inputs.rainfall import parse_rainfall
from lotflow.rainfall import RainfallFormula, impossible_rain
from lotflow.units import to_si

if TYPE_CHECKING:
    from lotflow.inputs.job_tables import Coefficients, Rain
    from lotflow.rainfall import Rainfall


def read_rainfall(given: Rain) -> Rainfall:
    """
    Read the rainfall of a job, and make sure that it knows the storms asked for.

    Parameters
    ----------
    given
        Table `[rainfall]` of the job.

    Returns
    -------
    rainfall
        With the job's uplift.

    Raises
    ------
    InputError
        If the file cannot be read or believed, or a storm lies outside it.
    """
    rainfall, name = _read(given)
    if faults := impossible_rain(rainfall):
        raise InputError([replace(fault, file=name) for fault in faults])
    low, high = rainfall.return_period_range_yr
    outside = [storm for storm in given.storms if not low <= storm <= high]
    if outside:
        raise InputError(
            [
                Fault(
                    f"the rainfall reaches from {low:g} to {high:g} years",
                    "Ask for storms within it with [rainfall] storms, or give a longer table",
                    file=name, column="storms", value=storm,
                )
                for storm in outside
            ]
        )  # fmt: skip
    return rainfall


def _read(given: Rain) -> tuple[Rainfall, str | None]:
    """Rainfall in either form, and the file it stands in."""
    if given.coefficients is not None:
        return _formula(given.coefficients, given.uplift), None
    assert given.file is not None  # noqa: S101 - the table has one of both
    file = local_file(given.file, "rainfall file")
    data = read_bytes(file, DEFAULT_LIMITS.table_bytes, "rainfall file")
    table = parse_rainfall(data, str(file))
    return replace(table, uplift=given.uplift, sha256=sha256_of(data)), str(file)


def _formula(given: Coefficients, uplift: float) -> RainfallFormula:
    """Rainfall from coefficients."""
    return RainfallFormula(
        return_periods_yr=np.array(given.return_periods),
        a=np.array(given.a),
        b=np.array(given.b),
        c=np.array(given.c),
        unit=given.unit,
        duration_range_s=(to_si(given.shortest_min, "min"), to_si(given.longest_min, "min")),
        source=given.source,
        uplift=uplift,
    )
