"""The steps of a whole job, beyond those of a screening: runoff, house, drains, ponds, orders."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lotflow.study.cases import cases_of
from lotflow.study.chapter import Chapter
from lotflow.study.confidence import confidence_chapter, entering_ca
from lotflow.study.cover import site_cover
from lotflow.study.drain_check import check_drains, drain_chapter, inlet_capacities
from lotflow.study.drain_inputs import CaseRun
from lotflow.study.house import house_chapter
from lotflow.study.limited import opened_water
from lotflow.study.lot_water import case_water
from lotflow.study.ponding import ponding_chapter
from lotflow.study.quantities import quantity_chapter
from lotflow.study.runoff import runoff_chapter
from lotflow.study.standing import standing_chapter
from lotflow.study.stated_storm import stated_findings, stated_storm
from lotflow.study.storms import study_storms

if TYPE_CHECKING:
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
    cover = site_cover(lot)
    storms = [study_storms(lot, water, cover.ground) for water in waters]
    main = storms[-1]
    opened = [] if main is None else opened_water(waters[-1].inlets.routing, main)
    checked = check_drains(
        lot,
        [
            # a stated intensity counts where there is no rainfall
            CaseRun(water.case, water.inlets, storm or stated_storm(lot, water, cover.ground),
                    opened if water is waters[-1] else ())
            for water, storm in zip(waters, storms, strict=True)
        ],
    )  # fmt: skip
    # the main case is the first one checked
    of_main = checked[0] if checked and checked[0].case == lot.case else None
    capacity = inlet_capacities(of_main) if of_main else {}
    ca_weight = entering_ca(lot.window.surface, cover.ground.coefficient)
    runoff = runoff_chapter(lot, cover, main, releases=capacity)
    return [
        runoff,
        confidence_chapter(lot, ca_weight=ca_weight, runoff=runoff, checked=checked),
        house_chapter(lot, waters, cover.ground),
        standing_chapter(lot, cover.ground),
        drain_chapter(lot, checked),
        quantity_chapter(lot, checked),
        Chapter(findings=stated_findings(lot.job.intensity_m_s if checked else None))
        if main is None
        else ponding_chapter(
            lot, main, intakes=of_main.intakes if of_main else None, opened=opened
        ),
    ]
