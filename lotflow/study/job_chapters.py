"""The steps of a whole job, beyond those of a screening: house, drains, what to order."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lotflow.study.cases import cases_of
from lotflow.study.drain_check import check_drains, drain_chapter
from lotflow.study.drain_inputs import CaseRun
from lotflow.study.house import house_chapter
from lotflow.study.lot_water import case_water
from lotflow.study.quantities import quantity_chapter
from lotflow.study.standing import standing_chapter

if TYPE_CHECKING:
    from lotflow.study.chapter import Chapter
    from lotflow.study.lot_water import LotWater


def job_chapters(lot: LotWater) -> list[Chapter]:
    """
    Take the steps of a job that a screening leaves out.

    Parameters
    ----------
    lot
        Ground, low spots and inlets.

    Raises
    ------
    InputError
        If something drawn of the drains cannot be taken as it is.
    """
    waters = [case_water(lot, case) for case in cases_of(lot.site)]
    checked = check_drains(lot, [CaseRun(water.case, water.inlets) for water in waters])
    return [
        house_chapter(lot, waters),
        standing_chapter(lot),
        drain_chapter(lot, checked),
        quantity_chapter(lot, checked),
    ]
