"""Runoff of a study: what every inlet, downspout and low spot sees of each design storm."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from lotflow.drains.judged import design_storm
from lotflow.outputs.result_layers import runoff_table
from lotflow.study.chapter import Chapter
from lotflow.study.low_spot_parts import low_spot_ground
from lotflow.study.runoff_findings import runoff_findings
from lotflow.study.runoff_rows import storm_rows
from lotflow.study.stated_rain import inlet_areas, stated_rain
from lotflow.study.storm_parts import downspout_ground
from lotflow.study.storms import way_timer
from lotflow.study.worked_sheets import SHEETS_FILE, worked_sheets

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lotflow.grid import FloatArray
    from lotflow.study.cover import SiteCover
    from lotflow.study.lot_water import LotWater
    from lotflow.study.storms import StormStudy


def runoff_chapter(
    lot: LotWater,
    cover: SiteCover,
    storms: StormStudy | None,
    *,
    releases: Mapping[str, float] = MappingProxyType({}),
) -> Chapter:
    """
    Give what the design storms bring to every inlet, node, downspout and low spot.

    Without rainfall it is the rational flow of the inlets for a stated intensity, or for one of
    10 mm/h.

    Parameters
    ----------
    lot
        Ground, low spots and inlets.
    cover
        Of every cell.
    storms
        Of the main case; None where no rainfall is given.
    releases
        What the line that leaves an inlet carries, by its name; only where known [m^3/s].
    """
    area = inlet_areas(lot)
    stated = stated_rain(lot, _coefficients(lot, cover, area), area)
    findings = [*cover.findings, *runoff_findings(lot, storms)]
    if storms is None:
        return replace(stated, findings=findings)
    design = design_storm(np.array(storms.storms), lot.job.criteria)
    flow = storms.peaks.flow_m3s[: len(lot.names), design]
    return Chapter(
        layers={"runoff": runoff_table(_storm_rows(lot, storms, releases))},
        columns={"inlets": {**stated.columns["inlets"], "flow_m3s": flow}},
        findings=findings,
        texts={SHEETS_FILE: worked_sheets(lot, storms, releases)},
    )


def _coefficients(lot: LotWater, cover: SiteCover, area: FloatArray) -> FloatArray:
    """Composite runoff coefficient of all that reaches each inlet; NaN where nothing does."""
    surface, value = lot.window.surface, cover.ground.coefficient
    known = ~surface.missing
    size = len(lot.names) + 1
    label = lot.inlets.routing.label[known]
    over_ground = np.bincount(label, weights=(value * surface.share)[known], minlength=size)[1:]
    roof = float(cover.ground.values.runoff_coefficient[cover.ground.keys.index("roof")])
    sums = over_ground + roof * lot.roofs.connected_cells(lot.names)
    result = np.full(area.shape, np.nan)
    np.divide(sums * surface.ground.cell_m2, area, out=result, where=area > 0)
    return result


def _storm_rows(
    lot: LotWater, storms: StormStudy, releases: Mapping[str, float]
) -> list[dict[str, Any]]:
    """Rows of the layer "runoff": inlets and nodes, downspouts, low spots on the lot."""
    given = lot.job.rainfall
    storm_type = None if given is None else given.storm_type
    inlets = len(lot.names)
    kinds = ["inlet"] * inlets + ["node"] * (len(storms.node_names) - inlets)
    rows = storm_rows(storms, kinds, storm_type, releases)
    downspouts = replace(storms, ground=downspout_ground(lot.roofs, storms.cover))
    rows += storm_rows(downspouts, ["downspout"] * len(lot.roofs.downspouts), storm_type)
    spots = np.unique(lot.low_spots.number[lot.window.lot & (lot.low_spots.number > 0)]) - 1
    ground = low_spot_ground(lot, storms.cover, way_timer(storms.rainfall), spots.tolist())
    rows += storm_rows(replace(storms, ground=ground), ["low spot"] * spots.size, storm_type)
    return rows
