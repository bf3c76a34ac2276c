"""A job for the quick case, from a few files and numbers instead of a job file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from lotflow.errors import Fault, InputError
from lotflow.inputs.job import Elevation, General, Job, LayerEntry, Layers

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from lotflow.units import UnitSystem, VerticalUnit


def screening_job(
    elevation: Sequence[Path],
    layers: Mapping[str, Path],
    *,
    vertical_unit: VerticalUnit | None = None,
    margin_m: float | None = None,
    coefficient: float | None = None,
    intensity: float | None = None,
    intensity_unit: str = "mm_h",
    units: UnitSystem = "us",
) -> Job:
    """
    Make a job from files and numbers.

    Parameters
    ----------
    elevation
        The raster, or neighbouring tiles.
    layers
        File of each site layer that is given; the lot must be. Those of "streets" count as
        constraints of that kind.
    vertical_unit
        Unit of the elevations where the file does not say.
    margin_m
        Ground read round the lot at first [m].
    coefficient
        Runoff coefficient of all ground.
    intensity, intensity_unit
        Rainfall intensity, and its unit: "mm_h" or "in_h".
    units
        Of reports.

    Raises
    ------
    InputError
        If a number is out of its bounds, or an intensity has no coefficient.
    """
    if intensity is not None and coefficient is None:
        raise InputError(
            Fault("a rainfall intensity is given and no runoff coefficient",
                  "Give a coefficient too: flow is C times i times area", column="intensity",
                  value=intensity)
        )  # fmt: skip
    general: dict[str, Any] = {"name": layers["lot"].stem, "units": units}
    if coefficient is not None:
        general["coefficient"] = coefficient
    if intensity is not None:
        general[f"intensity_{intensity_unit}"] = intensity
    entries = {
        "constraints" if name == "streets" else name: LayerEntry(
            file=path, kind="street" if name == "streets" else None
        )
        for name, path in layers.items()
    }
    try:
        return Job(
            job=General(**general),
            elevation=Elevation(
                file=tuple(elevation), vertical_unit=vertical_unit, margin_m=margin_m
            ),
            layers=Layers.model_validate(entries),
        )
    except ValidationError as error:
        raise InputError(
            [
                Fault(detail["msg"], column=".".join(map(str, detail["loc"])),
                      value=detail["input"])
                for detail in error.errors()
            ]
        ) from None  # fmt: skip


def with_realisations(job: Job, number: int | None) -> Job:
    """
    Let a caller decide how many realisations are run.

    Parameters
    ----------
    job
        As it was read.
    number
        How many; None leaves what the job says.
    """
    if number is None:
        return job
    confidence = job.confidence.model_copy(update={"realisations": number, "precision": None})
    return job.model_copy(update={"confidence": confidence})
