"""The sample's drains: at least five defects today, none that fails in what is proposed."""

import math
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

from lotflow.drains.stakes import stakes
from lotflow.inputs.job import read_job
from lotflow.study.drain_check import check_drains, dry_runs
from lotflow.study.lot_water import study_lot

SAMPLES = Path(__file__).parents[2] / "data_samples"


@pytest.fixture(scope="module", params=["alder_court", "alder_court_us"])
def checked(request):
    lot = study_lot(read_job(SAMPLES / request.param))
    return {case.case: case for case in check_drains(lot, dry_runs(lot))}


def test_every_end_and_bend_of_a_line_to_be_laid_is_staked_at_its_invert():
    """Vertices of the lines as they are drawn in the file, and levels given beside them."""
    lot = study_lot(read_job(SAMPLES / "alder_court"))
    (checked,) = (case for case in check_drains(lot, dry_runs(lot)) if case.case == "proposed")
    found = stakes(lot.site, "proposed", checked, [], lot.ground)
    lines = gpd.read_file(SAMPLES / "alder_court" / "site.gpkg", layer="drain_lines")
    for row in lines[lines["status"] == "proposed"].to_dict("records"):
        vertices = shapely.get_coordinates(row["geometry"])
        for x, y in vertices:
            near = [one for one in found if math.hypot(one.x - x, one.y - y) < 0.3]
            assert near, row["name"]
            assert all(one.tie is not None for one in near)
        lowest = min(
            (one for one in found if math.hypot(*(vertices[-1] - (one.x, one.y))) < 0.3),
            key=lambda one: one.level_m,
        )
        if row["invert_down_m"] == row["invert_down_m"]:
            assert lowest.level_m <= row["invert_down_m"] + 1e-6
    places = np.array([(one.x, one.y) for one in found])
    apart = np.hypot(*(places[:, None] - places[None]).T) + 9 * np.eye(len(places))
    assert apart.min() > 0.05  # none twice


def test_the_proposed_system_fails_nothing(checked):
    assert [f.rule for f in checked["proposed"].findings if f.severity == "fail"] == []


def test_the_existing_system_has_its_defects(checked):
    rules = {f.rule for f in checked["today"].findings if f.severity in ("fail", "warn")}
    assert {
        "adverse-fall", "size-changes-within-line", "joint-not-for-burial", "outlet-not-found",
        "grate-not-removable", "sediment-in-line", "water-stands-in-line", "cover-too-small",
        "emitter-line-cannot-empty",
    } <= rules  # fmt: skip


def test_lines_of_one_case_are_not_those_of_the_other(checked):
    today, proposed = (
        {line.name for line in checked[c].state.lines} for c in ("today", "proposed")
    )
    assert not today & proposed
