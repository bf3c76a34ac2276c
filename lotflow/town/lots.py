"""
One process's share of a batch: some neighbouring lots, one after the other.

This module imports nothing heavy: a worker is told what GDAL may follow before it loads it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from lotflow.errors import LotflowError
from lotflow.inputs.surroundings import keep_to_local_files

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from lotflow.study.door import Result
    from lotflow.units import UnitSystem, VerticalUnit

#: So much of a reason is kept in a row.
_LONGEST_REASON: Final = 500


@dataclass(frozen=True)
class TownJob:
    """
    What all lots of a batch have in common.

    Parameters
    ----------
    elevation, layers
        Files, as for a screening; `layers` has the parcels as "lot".
    key
        Column of the parcels that tells lots apart.
    vertical_unit, units, realisations
        As for a screening.
    folders
        Below which folder each lot's result is kept; None where none is.
    pack
        Whether a result has the files to carry away.
    """

    elevation: tuple[str, ...]
    layers: dict[str, str]
    key: str
    vertical_unit: VerticalUnit | None = None
    units: UnitSystem | None = None
    realisations: int | None = None
    folders: str | None = None
    pack: bool = True


@dataclass(frozen=True)
class Lot:
    """A lot to be studied: its key, and the name of its folder."""

    key: str
    folder: str


def study_lots(
    town: TownJob, lots: Sequence[Lot], tell: Callable[[dict[str, Any]], None]
) -> list[dict[str, Any]]:
    """
    Screen lots one after the other; each gives a row, also one that cannot be studied.

    Parameters
    ----------
    town
        What they have in common.
    lots
        Neighbours, so that they find blocks of the raster and pages of the layers in memory.
    tell
        Called with the key of each lot as it begins, and with its row when it is done.
    """
    keep_to_local_files()
    from lotflow.inputs.open import files_kept  # noqa: PLC0415 - after the surroundings are settled

    rows = []
    with files_kept(to_the_end=True):  # the next task is about the same files
        for lot in lots:
            tell({"begins": lot.key})
            row = lot_row(town, lot)
            tell({"row": row})
            rows.append(row)
    return rows


def lot_row(town: TownJob, lot: Lot) -> dict[str, Any]:
    """
    Screen one lot; whatever fails becomes the reason in its row.

    Parameters
    ----------
    town, lot
        What is studied.

    Raises
    ------
    LotflowError
        If the machine refuses, as with a full disk: every other lot would fail too.
    """
    try:
        result = screened(town, lot)
        folder = ""
        if town.folders is not None:
            folder = lot.folder
            result.write(Path(town.folders, folder), overwrite=True, pack=town.pack)
        return {"parcel": lot.key, "outcome": "done", "folder": folder, **facts(result)}
    except LotflowError as error:
        if error.is_of_machine:
            raise
        reason = str(error)
    except Exception as error:  # noqa: BLE001 - one lot must not end the others
        reason = f"this is a fault of the program: {type(error).__name__}: {error}"
    return failed(lot.key, reason)


def failed(key: str, reason: str) -> dict[str, Any]:
    """Give the row of a lot that could not be studied."""
    plain = " ".join(reason.split())
    return {"parcel": key, "outcome": "failed", "concern": "not studied", "folder": "",
            "reason": plain[:_LONGEST_REASON]}  # fmt: skip


def screened(town: TownJob, lot: Lot) -> Result:
    """Screen a lot exactly as `lotflow screen --key COLUMN --lot-name NAME` does."""
    from lotflow.inputs.job import screening_job, with_realisations  # noqa: PLC0415 - see above
    from lotflow.study.door import computed  # noqa: PLC0415

    job = screening_job(
        tuple(map(Path, town.elevation)),
        {name: Path(file) for name, file in town.layers.items()},
        vertical_unit=town.vertical_unit, units=town.units, lot_name=lot.key, lot_key=town.key,
    )  # fmt: skip
    return computed(with_realisations(job, town.realisations), use_covers=False)


def facts(result: Result) -> dict[str, Any]:
    """What the overview tells of a lot, by the columns of `TOWN_LAYER`."""
    study = result.study
    answer, spots = study.answer, study.layers["low_spots"]
    own = spots[(spots["on_lot_m2"] > 0) & ~spots["artefact"].fillna("").astype(bool)]
    deepest = own.iloc[int(own["depth_m"].to_numpy().argmax())] if len(own) else None
    harm = [row for row in answer.harm if row.is_harm]
    themes = {item.theme.value for item in answer.items}
    told = [one.severity for one in study.findings]
    return {
        "concern": _concern(harm, themes),
        "harm": f"{harm[0].kind.value}: {harm[0].subject}" if harm else "",
        "harm_rows": len(harm),
        "first_item": answer.items[0].harm if answer.items else "",
        "low_spots": len(own),
        "deepest_m": _number(None if deepest is None else deepest["depth_m"]),
        "largest_m3": _number(own["volume_m3"].max() if len(own) else None),
        "house_distance_m": _number(own["building_distance_m"].min() if len(own) else None),
        "probability": _number(None if deepest is None else deepest["probability"]),
        "area_m2": _number(study.layers["lot"]["area_m2"].sum()),
        "run_on_m2": _number(study.balance["on_m2"]),
        "fails": told.count("fail"),
        "warnings": told.count("warn"),
        "run_id": result.summary["provenance"]["run_id"],
    }


#: Concern of each place of the table of harm.
_HARM_AT: Final = {
    "opening": "harm at an opening",
    "wall": "harm at a wall",
    "walkway or paving": "harm on a walkway or paving",
    "lawn": "harm on the lawn",
    "neighbour": "harm to a neighbour",
}


def _concern(harm: Sequence[Any], themes: set[str]) -> str:
    """What matters most: the place of the worst harm, else what a screening finds."""
    if harm:
        return _HARM_AT[harm[0].place.value]
    if "low spot" in themes:
        return "water stands, no way out by gravity" if "no outlet" in themes else "water stands"
    return "water comes on" if "run-on" in themes else "nothing found"


def _number(value: Any) -> float | None:
    """Give a number, rounded as no survey is better; None for none."""
    return None if value is None or math.isnan(float(value)) else round(float(value), 4)
