"""The steps of a whole job, beyond those of a screening: runoff, house, drains, ponds, orders."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from lotflow.study.cases import cases_of
from lotflow.study.chapter import RUNOFF, Chapter, say_nothing
from lotflow.study.confidence import confidence_chapter, entering_ca
from lotflow.study.cover import SiteCover, site_cover
from lotflow.study.drain_check import check_drains, drain_chapter, inlet_capacities
from lotflow.study.drain_inputs import CaseRun
from lotflow.study.house import house_chapter
from lotflow.study.limited import opened_water
from lotflow.study.lot_water import CaseWater, case_water
from lotflow.study.ponding import ponding_chapter
from lotflow.study.quantities import quantity_chapter
from lotflow.study.runoff import runoff_chapter
from lotflow.study.standing import standing_chapter
from lotflow.study.stated_storm import stated_findings, stated_storm
from lotflow.study.storms import StormStudy, study_storms

if TYPE_CHECKING:
    from lotflow.drains.system_check import CheckedCase
    from lotflow.study.chapter import Tell
    from lotflow.study.lot_water import LotWater
    from lotflow.terrain.ponding import StandingWater


@dataclass(frozen=True, eq=False)
class JudgedJob:
    """
    All that is drawn and given of a job, laid on the ground and found fit to be computed with.

    Parameters
    ----------
    waters
        What takes water in each state of the drains.
    cover
        Of the ground.
    storms
        Runoff of the design storms in each state; None where there is no rain.
    checked
        The drains of each state that has any, the main one first.
    opened
        Where the water of each storm is with every inlet of the main state open.
    """

    waters: list[CaseWater]
    cover: SiteCover
    storms: list[StormStudy | None]
    checked: tuple[CheckedCase, ...]
    opened: list[StandingWater]


def judge_job(lot: LotWater) -> JudgedJob:
    """
    Lay all that a job gives on the ground, which is where it may turn out not to fit.

    Both `check` and `run` ask this, so that what the one accepts the other computes.

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
    return JudgedJob(waters, cover, storms, checked, opened)


def job_chapters(lot: LotWater, tell: Tell = say_nothing) -> list[Chapter]:
    """
    Take the steps of a job that a screening leaves out.

    Parameters
    ----------
    lot
        Ground, low spots and inlets.
    tell
        Called with what is being looked at.

    Raises
    ------
    InputError
        As `judge_job`.
    """
    judged = judge_job(lot)
    waters, cover, storms, checked = judged.waters, judged.cover, judged.storms, judged.checked
    main = storms[-1]
    # the main case is the first one checked
    of_main = checked[0] if checked and checked[0].case == lot.case else None
    capacity = inlet_capacities(of_main) if of_main else {}
    ca_weight = entering_ca(lot.window.surface, cover.ground.coefficient)
    runoff = runoff_chapter(lot, cover, main, releases=capacity)
    return [
        runoff,
        drain_chapter(lot, checked),
        # adds its bounds to what the chapters before it have
        confidence_chapter(lot, ca_weight=ca_weight, runoff=runoff, checked=checked),
        house_chapter(lot, waters, cover.ground),
        standing_chapter(lot, cover.ground),
        quantity_chapter(lot, checked),
        Chapter(findings=stated_findings(lot.job.intensity_m_s if checked else None))
        if main is None
        else ponding_chapter(
            lot,
            main,
            intakes=of_main.intakes if of_main else None,
            opened=judged.opened,
            tell=partial(tell, RUNOFF),
        ),
    ]
