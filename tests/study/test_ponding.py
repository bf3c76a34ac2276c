"""Ponds of whole lots: every case closes, blocked inlets, limited inlets, what is written."""

import itertools
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from affine import Affine

from lotflow.drains.intake import Intake, Intakes, WayPast
from lotflow.errors import EngineError
from lotflow.inputs.job import read_job, screening_job
from lotflow.inputs.job_tables import Rain
from lotflow.outputs import pond_layers
from lotflow.outputs.geopackage import geopackage_file
from lotflow.outputs.summary import summary_content
from lotflow.outputs.summary_text import summary_text
from lotflow.ponding.ponds import case_storm
from lotflow.ponding.refused import opened_water
from lotflow.ponding.runs import require_closed, scenario_routings
from lotflow.runoff.covers import DrawnCover, ground_cover
from lotflow.scenarios import OPEN
from lotflow.study.job_chapters import case_storms
from lotflow.study.lot_water import case_water, study_lot
from lotflow.study.ponding import ground_of_ponds, ponding_chapter
from lotflow.terrain.ponding import pond_network, standing_water

SAMPLES = Path(__file__).parents[2] / "data_samples"
STORMS = (2.0, 10.0, 100.0)


@dataclass
class EvenStorms:
    """The same depth of runoff on every cell, where its rain lands."""

    lot: Any
    depths: tuple[float, ...] = (0.02, 0.05, 0.12)
    storms: tuple[float, ...] = STORMS

    @property
    def cover(self):
        surface, job = self.lot.window.surface, self.lot.job.job
        drawn = [DrawnCover(str(r.cover), r.geometry) for r in self.lot.site.covers.itertuples()]
        return ground_cover(
            surface.ground, drawn, roof=surface.roof, water=surface.water, ground=job.ground,
            soil_group=job.soil_group, slope=0.02,
        )  # fmt: skip

    def runoff_depth(self, storm):
        return self.lot.window.surface.rain_weight * self.depths[storm]

    def connected_volume(self, storm):
        surface = self.lot.window.surface
        piped = float((surface.piped & surface.roof).sum())
        return {"drain": piped * surface.ground.cell_m2 * self.depths[storm]}


def lot_on(folder, values, *, cell=1.0, **layers):
    """A lot that covers all but the outer two cells of a grid."""
    rows, columns = values.shape
    path = folder / "dem.tif"
    with rasterio.open(
        path, "w", driver="GTiff", height=rows, width=columns, count=1, dtype="float64",
        crs="EPSG:32617", transform=Affine(cell, 0, 600000, 0, -cell, 3300000),
    ) as target:  # fmt: skip
        target.write(values, 1)
    inside = shapely.box(600002, 3300002 - rows, 599998 + columns, 3299998)
    files = {"lot": gpd.GeoDataFrame(geometry=[inside], crs=32617)} | {
        name: gpd.GeoDataFrame(rows_, crs=32617) for name, rows_ in layers.items()
    }
    paths = {}
    for name, frame in files.items():
        paths[name] = folder / f"{name}.gpkg"
        frame.to_file(paths[name], layer=name)
    return study_lot(screening_job((path,), paths, vertical_unit="m"))


def at(row, column):
    return shapely.Point(600000.5 + column, 3299999.5 - row)


def two_bowls():
    """Two square bowls of 25 cells, 0.5 m deep, on ground that falls to the south by 1 %."""
    values = 20.0 - 0.01 * np.mgrid[:40, :40][0].astype(float)
    values[8:13, 18:23] -= 0.5
    values[26:31, 18:23] -= 0.5
    return values


@pytest.fixture
def bowls(tmp_path):
    return lot_on(
        tmp_path, two_bowls(),
        inlets={"name": ["N", "S"], "geometry": [at(12, 20), at(30, 20)]},
        buildings={"name": ["House"], "threshold_m": [19.65],
                   "geometry": [shapely.box(600023, 3299970, 600028, 3299974)]},
    )  # fmt: skip


@pytest.fixture(scope="module")
def sample():
    return study_lot(read_job(SAMPLES / "alder_court"))


@pytest.fixture(scope="module")
def chapter(sample):
    return ponding_chapter(sample, EvenStorms(sample))


def routings_of(lot):
    """The routing of every set of open inlets."""
    rule = lot.job.terrain.direction
    return scenario_routings(lot.natural, lot.inlets.routing, lot.inlets.placed, rule)


def rows_of(chapter, layer, **where):
    frame = chapter.layers[layer]
    for name, value in where.items():
        frame = frame[frame[name] == value]
    return frame


# ---------------------------------------------------------------- cases


def test_every_inlet_is_blocked_in_turn_and_all_together(sample, chapter):
    expected = ["open", *(f"blocked:{name}" for name in sample.names), "blocked:all"]
    assert list(dict.fromkeys(chapter.layers["pond_cases"]["scenario"])) == expected
    assert len(chapter.layers["pond_cases"]) == len(expected) * len(STORMS)
    intake = chapter.layers["inlet_intake"]
    assert list(dict.fromkeys(intake["scenario"])) == expected
    assert len(intake[intake["scenario"] == "open"]) == len(STORMS) * len(sample.names)


def test_of_the_intake_in_other_cases_only_what_is_different_is_listed(sample, chapter):
    """All of it, found anew from each case's own water; nearly every inlet takes the same."""
    intake = chapter.layers["inlet_intake"]
    runoff = EvenStorms(sample).runoff_depth(0)
    unit = sample.window.surface.ground.cell_m2

    def listed(case):
        rows = rows_of(chapter, "inlet_intake", scenario=case, return_period_yr=STORMS[0])
        return dict(zip(rows["inlet"], rows["taken_m3"], strict=True))

    for scenario, routing in routings_of(sample):
        case = str(scenario)
        taken = standing_water(pond_network(routing), runoff).taken * unit
        told = listed("open") | listed(case)
        for name, volume in itertools.zip_longest(sample.names, taken, fillvalue=0.0):
            assert told[name] == pytest.approx(volume, abs=2e-9), (case, name)
    assert len(intake) < len(chapter.layers["pond_cases"]) * len(sample.names)


def test_blocking_all_is_the_ground_without_inlets_and_a_blocked_one_takes_nothing(sample):
    routings = {str(scenario): routing for scenario, routing in routings_of(sample)}
    for position, name in enumerate(sample.names, 1):
        assert not (routings[f"blocked:{name}"].label == position).any()
        assert (routings["open"].label == position).any()
    assert routings["blocked:all"] is sample.natural


def test_every_case_closes_to_a_millionth_of_a_litre(chapter):
    cases = chapter.layers["pond_cases"]
    parts = ["ponded_m3", "taken_m3", "connected_m3", "to_water_m3", "to_gap_m3", "over_edge_m3"]
    np.testing.assert_allclose(cases[parts].sum(axis=1), cases["runoff_m3"], atol=1e-9)
    assert cases["residual_m3"].abs().max() < 1e-9
    intake = chapter.layers["inlet_intake"].set_index(["inlet"])["taken_m3"]
    names = ("scenario", "return_period_yr")
    case, storm = (chapter.layers["inlet_intake"][name].array for name in names)
    for row in cases.itertuples():
        of_storm = storm == row.return_period_yr
        taken = intake[of_storm & (case == "open")].to_dict()
        taken |= intake[of_storm & (case == row.scenario)].to_dict()
        assert sum(taken.values()) == pytest.approx(row.taken_m3, abs=1e-7)


def test_lost_water_is_an_error(chapter, sample):
    nowhere = np.zeros(sample.window.lot.shape, dtype=bool)
    ground = ground_of_ponds(sample, nowhere.astype(float), nowhere)
    water = standing_water(pond_network(sample.natural), np.full(sample.window.lot.shape, 0.01))
    storm = case_storm(ground, OPEN, 0, water)
    require_closed([storm])
    with pytest.raises(EngineError, match="add up"):
        require_closed([replace(storm, ponded_m3=storm.ponded_m3 + 0.0011)])


def test_bowls_by_hand(bowls):
    """
    Half a metre of runoff fills all. Blocked N: its bowl of 25 cells is full to its lowest rim.

    Level of the northern bowl: its lowest rim is the row south of it, 20 - 0.13 = 19.87.
    """
    chapter = ponding_chapter(bowls, EvenStorms(bowls, (0.5,), (10.0,)))
    open_rows = rows_of(chapter, "ponds", scenario="open")
    blocked = rows_of(chapter, "ponds", scenario="blocked:N")
    assert blocked["level_m"].max() == pytest.approx(19.87, abs=1e-4)
    volume = 5 * sum(0.5 - 0.01 * (13 - row) for row in range(8, 13))
    full = blocked[blocked["level_m"] > 19.8].iloc[0]
    assert full["volume_m3"] == pytest.approx(volume, abs=1e-3)
    assert full["area_m2"] == 25
    assert full["spills_onto"] == "lot"
    # what runs over goes into the southern bowl, whose inlet takes it
    assert full["spills_to"] in {"S", "low spot 2", "low spot 1"}
    intake = rows_of(chapter, "inlet_intake", scenario="blocked:N", inlet="S").iloc[0]
    usual = rows_of(chapter, "inlet_intake", scenario="open", inlet="S").iloc[0]
    gained = intake["taken_m3"] - usual["taken_m3"]
    assert gained > full["overflow_m3"] > 1
    n = rows_of(chapter, "inlet_intake", scenario="open", inlet="N").iloc[0]
    assert gained == pytest.approx(n["taken_m3"] - volume, abs=0.1)
    assert open_rows.empty


def test_a_rim_holds_water_back_while_another_inlet_is_blocked(tmp_path):
    """The southern inlet stands 0.2 m above its ground at 19.2: water stands at 19.4."""
    lot = lot_on(
        tmp_path, two_bowls(),
        inlets={"name": ["N", "S"], "geometry": [at(12, 20), at(30, 20)],
                "rim_above_ground_m": [np.nan, 0.2]},
    )  # fmt: skip
    chapter = ponding_chapter(lot, EvenStorms(lot, (0.5,), (10.0,)))
    ponds = chapter.layers["ponds"]
    levels = {case: own["level_m"].min() for case, own in ponds.groupby("scenario")}
    assert levels["open"] == pytest.approx(19.4, abs=1e-4)
    assert levels["blocked:N"] == pytest.approx(19.4, abs=1e-4)
    assert levels["blocked:S"] == pytest.approx(19.69, abs=1e-4)
    # it rises from the water at the rim, not from the ground of the inlet's cell
    case = rows_of(chapter, "pond_cases", scenario="blocked:S").iloc[0]
    assert case["rise_m"] == pytest.approx(0.29, abs=1e-4)


def test_water_at_the_house_is_found_with_its_freeboard(bowls):
    """The southern bowl overflows at 19.69, 4 cm above the threshold of 19.65 at its wall."""
    chapter = ponding_chapter(bowls, EvenStorms(bowls, (0.5,), (10.0,)))
    pond = rows_of(chapter, "ponds", scenario="blocked:all", building="House").iloc[0]
    assert pond["level_m"] == pytest.approx(19.69, abs=1e-4)
    assert pond["threshold_basis"] == "threshold"
    assert pond["freeboard_m"] == pytest.approx(-0.04, abs=1e-4)
    assert pond["reaches_building"]
    worst = rows_of(chapter, "pond_cases", scenario="blocked:S").iloc[0]
    assert worst["reaches_building"]
    assert worst["building"] == "House"
    found = {f.subject: f for f in chapter.findings if f.rule == "inlet-blocked"}
    assert found["S"].severity == found["all inlets"].severity == "warn"
    assert found["S"].touches.split("; ")[0] == "House"
    assert found["S"].area_m2 == worst["area_m2"]
    assert found["S"].measured == pytest.approx(worst["rise_m"], abs=1e-4)


@pytest.mark.parametrize(
    ("threshold", "rule", "severity"),
    [(19.50, "pond-reaches-building", "fail"), (19.65, "pond-reaches-building", "warn"),
     (19.72, "pond-near-threshold", "warn"), (20.5, None, None)],
)  # fmt: skip
def test_open_water_is_held_against_the_threshold(tmp_path, threshold, rule, severity):
    """Water at 19.69 with no inlet: beyond, within and clear of an error of the data of 10 cm."""
    lot = lot_on(
        tmp_path, two_bowls(),
        buildings={"name": ["House"], "threshold_m": [threshold],
                   "geometry": [shapely.box(600023, 3299970, 600028, 3299974)]},
    )  # fmt: skip
    chapter = ponding_chapter(lot, EvenStorms(lot, (0.5,), (10.0,)))
    ours = ("pond-reaches-building", "pond-near-threshold")
    found = [(f.rule, f.severity) for f in chapter.findings if f.rule in ours]
    assert found == ([] if rule is None else [(rule, severity)])


def test_water_at_an_opening_is_held_against_its_sill(tmp_path):
    """A door 5 cm above water at 19.69: it is told by its name, and how much is left."""
    lot = lot_on(
        tmp_path, two_bowls(),
        buildings={"name": ["House"], "threshold_m": [22.0],
                   "geometry": [shapely.box(600023, 3299970, 600028, 3299974)]},
        openings={"name": ["Cellar door"], "kind": ["door"], "sill_m": [19.74],
                  "geometry": [at(28, 22)]},
    )  # fmt: skip
    chapter = ponding_chapter(lot, EvenStorms(lot, (0.5,), (10.0,)))
    (pond,) = rows_of(chapter, "ponds", building="House", opening="Cellar door").to_dict("records")
    assert pond["freeboard_m"] == pytest.approx(0.05, abs=1e-4)
    assert not pond["reaches_building"]
    (said,) = [f for f in chapter.findings if f.rule == "pond-near-threshold"]
    assert said.facts["at"] == "Cellar door"
    assert said.facts["freeboard_m"] == pytest.approx(0.05, abs=1e-4)


def test_a_puddle_that_stands_higher_does_not_hide_the_pond_at_the_grate(tmp_path):
    """
    One low spot with a terrace at 19.6, a puddle in it above 19.5, and a pit at 19.2 at the inlet.

    What the inlet takes while it works stands above it when it is blocked, below 19.5.
    """
    values = 20.0 - 0.01 * np.mgrid[:40, :40][0].astype(float)
    values[10:31, 10:31] = 19.4
    values[10:31, 10:18] = 19.6
    values[18:21, 12:15] = 19.5
    values[18:23, 22:27] = 19.2
    lot = lot_on(tmp_path, values, inlets={"name": ["Grate"], "geometry": [at(20, 24)]})
    # of the highest water of the low spot nothing would be seen: that is the puddle
    chapter = ponding_chapter(lot, EvenStorms(lot, (0.008,), (10.0,)))
    opened = rows_of(chapter, "ponds", scenario="open")
    assert opened["level_m"].max() > 19.5
    taken = rows_of(chapter, "inlet_intake", scenario="open")["taken_m3"].iloc[0]
    case = rows_of(chapter, "pond_cases", scenario="blocked:Grate").iloc[0]
    assert case["level_m"] < 19.5
    assert case["rise_m"] == pytest.approx(case["level_m"] - 19.2, abs=1e-3)
    # all of what the inlet took, but for the water of some cells at the rim: on the filled bowl
    # they fall to the next cell of the slope as steeply as into it
    assert case["raised_m3"] == pytest.approx(taken, rel=0.05)
    usual = rows_of(chapter, "pond_cases", scenario="open").iloc[0]
    assert case["raised_m3"] == pytest.approx(case["ponded_m3"] - usual["ponded_m3"], abs=1e-3)
    assert case["area_m2"] == 25
    assert case["raised_m2"] >= 25
    assert case["rise_m"] > 0.1
    (said,) = [f for f in chapter.findings if f.rule == "inlet-blocked" and f.subject == "Grate"]
    assert said.measured == pytest.approx(case["rise_m"], abs=1e-4)
    assert shapely.Point(said.x, said.y).distance(at(20, 24)) < 4


def test_a_hollow_too_shallow_to_be_a_low_spot_still_rises(tmp_path):
    """A low spot is told from 10 cm; of 2 cm on 25 cells the rise is told all the same."""
    values = 20.0 - 0.01 * np.mgrid[:40, :40][0].astype(float)
    values[18:23, 22:27] = values[22, 22] - 0.03
    lot = lot_on(tmp_path, values, inlets={"name": ["Grate"], "geometry": [at(20, 24)]})
    chapter = ponding_chapter(lot, EvenStorms(lot, (0.1,), (10.0,)))
    case = rows_of(chapter, "pond_cases", scenario="blocked:Grate").iloc[0]
    assert rows_of(chapter, "ponds").empty
    assert case["rise_m"] == pytest.approx(0.02, abs=1e-4)
    assert case["raised_m2"] == 25
    (said,) = [f for f in chapter.findings if f.rule == "inlet-blocked" and f.subject == "Grate"]
    assert said.measured == pytest.approx(0.02, abs=1e-4)
    assert said.area_m2 == 25


@pytest.mark.parametrize("sills", [(19.60, 19.65), (19.60, np.nan), (np.nan, np.nan)])
def test_every_wet_opening_is_judged_by_its_own_sill_and_one_without_is_asked_for(tmp_path, sills):
    """Water at 19.69 at two doors of a house; without a sill nothing is said to be reached."""
    lot = lot_on(
        tmp_path, two_bowls(),
        buildings={"name": ["House"], "geometry": [shapely.box(600023, 3299970, 600028, 3299974)]},
        openings={"name": ["A", "B"], "kind": ["door", "door"], "sill_m": list(sills),
                  "geometry": [at(27, 22), at(29, 22)]},
    )  # fmt: skip
    chapter = ponding_chapter(lot, EvenStorms(lot, (0.5,), (10.0,)))
    rows = rows_of(chapter, "wall_water", kind="opening", at_wall=True).set_index("name")
    assert set(rows.index) == {"A", "B"}
    reached = [f for f in chapter.findings if f.rule == "pond-reaches-building"]
    asked = [f for f in chapter.findings if f.rule == "pond-at-wall"]
    for name, sill in zip("AB", sills, strict=True):
        assert rows.loc[name, "freeboard_m"] == pytest.approx(sill - 19.69, abs=1e-3, nan_ok=True)
        # the ground round them rises by less than the data can tell: where none is reached, none
        # is said not to be
        assert bool(rows.loc[name, "is_reached"]) == (sill < 19.69)
    given = [sill for sill in sills if not np.isnan(sill)]
    assert sorted(f.measured for f in reached) == pytest.approx(
        [sill - 19.69 for sill in given], abs=2e-3
    )
    assert len(asked) == 2 - len(given)
    assert all(f.measured > 0.3 and f.severity == "warn" for f in asked)


@pytest.mark.parametrize(("sill", "sooner"), [(19.25, True), (19.68, False)])
def test_the_storm_in_which_a_blocked_inlet_first_harms_is_that_of_its_own_water(
    tmp_path, sill, sooner
):
    """At the upper bowl, without an inlet, water stands above a sill in every storm anyway."""
    lot = lot_on(
        tmp_path, two_bowls(), inlets={"name": ["Grate"], "geometry": [at(28, 20)]},
        buildings={"name": ["Low", "High"], "geometry": [
            shapely.box(600023, 3299970, 600028, 3299974),
            shapely.box(600023, 3299988, 600028, 3299992),
        ]},
        openings={"name": ["Low door", "High door"], "kind": ["door", "door"],
                  "sill_m": [sill, 19.42], "geometry": [at(28, 22), at(9, 22)]},
    )  # fmt: skip
    chapter = ponding_chapter(lot, EvenStorms(lot, (0.01, 0.02, 0.5)))
    first = rows_of(
        chapter, "wall_water", scenario="open", kind="opening", return_period_yr=STORMS[0]
    )
    assert first["name"][first["freeboard_m"] <= 0].tolist() == ["High door"]
    (said,) = [f for f in chapter.findings if f.rule == "inlet-blocked" and f.subject == "Grate"]
    assert (said.facts["sooner"] is not None) is sooner
    assert "High door" not in repr(said.facts)


def test_every_pond_is_listed_in_every_case(chapter):
    ponds = chapter.sections["ponds"]
    spots = {pond["low_spot"] for pond in ponds}
    assert spots == {1, 2, 3}
    listed = {(p["case"], p["return_period_yr"], p["low_spot"]) for p in ponds}
    cases = set(chapter.layers["pond_cases"]["scenario"])
    assert listed == {(c, s, n) for c in cases for s in STORMS for n in spots}
    dry = [pond for pond in ponds if pond["depth_m"] == 0]
    assert dry
    assert all(pond["volume_m3"] == 0 for pond in dry)


def test_more_inlets_blocked_never_means_less_water(chapter):
    deepest = {}
    for pond in chapter.sections["ponds"]:
        key = pond["case"], pond["return_period_yr"], pond["low_spot"]
        deepest[key] = max(deepest.get(key, 0), pond["level_m"])
    for (case, storm, spot), level in deepest.items():
        assert deepest["open", storm, spot] <= level + 1e-9
        assert level <= deepest["blocked:all", storm, spot] + 1e-9, case


def test_without_inlets_there_is_one_case(tmp_path):
    lot = lot_on(tmp_path, two_bowls())
    chapter = ponding_chapter(lot, EvenStorms(lot))
    assert set(chapter.layers["pond_cases"]["scenario"]) == {"open"}
    assert chapter.layers["inlet_intake"].empty
    assert not [f for f in chapter.findings if f.rule == "inlet-blocked"]


def test_without_any_pond_all_layers_are_there_and_empty(tmp_path):
    lot = lot_on(tmp_path, 20.0 - 0.01 * np.mgrid[:40, :40][0].astype(float))
    chapter = ponding_chapter(lot, EvenStorms(lot))
    assert len(chapter.layers["ponds"]) == len(chapter.layers["overflow_paths"]) == 0
    assert chapter.sections["ponds"] == []
    assert np.isnan(chapter.rasters["pond_depth_10yr.tif"].grid.values).all()
    assert len(chapter.layers["pond_cases"]) == len(STORMS)


def test_the_storms_of_a_rainfall_table_close_too(sample):
    """With the runoff, downspouts and gutters of the sample's own rainfall."""
    rain = Rain(file=SAMPLES / "alder_court" / "rainfall.csv")
    lot = study_lot(sample.job.model_copy(update={"rainfall": rain}))
    storms = case_storms(lot, case_water(lot, lot.case), EvenStorms(lot).cover)
    cases = ponding_chapter(lot, storms).layers["pond_cases"]
    assert cases["residual_m3"].abs().max() < 1e-9
    assert (cases["connected_m3"] > 0).all()
    fallen = [storms.runoff_depth(i).sum() * lot.window.surface.ground.cell_m2 for i in range(3)]
    total = cases["ponded_m3"] + cases["taken_m3"] + cases["over_edge_m3"]
    stated = dict(zip(storms.storms, fallen, strict=True))
    np.testing.assert_allclose(total, cases["return_period_yr"].map(stated), rtol=1e-9)


# ---------------------------------------------------------------- limited inlets


def refusing(lot, name, stands, passed=0.0, *, to="", backs_up=0.0, surfaced=0.0):
    """What one inlet refuses of each storm; it takes the rest."""
    before = opened_water(lot.inlets.routing, EvenStorms(lot))
    position, cell = lot.names.index(name), lot.window.surface.ground.cell_m2
    rows = []
    for storm, water in enumerate(before):
        own = float(water.taken[position]) * cell
        kept, gone = stands * (storm + 1), passed * (storm + 1)
        rows.append(
            Intake(name, STORMS[storm], 0.002, 0.0, 0.0, np.nan, 0.001, 0.001, 0.001, 0.0, "line",
                   "low point", WayPast(0.1, to), own_m3=own, from_inlets_m3=0.0,
                   backs_up_m3=backs_up, taken_m3=own + backs_up - kept - gone, stands_m3=kept,
                   passed_m3=gone)
        )  # fmt: skip
    return Intakes(tuple(rows), surfaced_m3=np.full(len(rows), surfaced))


def test_what_a_limited_inlet_cannot_take_stands_above_it(sample):
    """
    1.8 m3 wait, then 5.4, then 9 m3: more than the bowl holds.

    In pockets of the rough bowl 82.2 litres stand already with the inlet open, 76.2 of them in
    three that are deeper than 1 cm (scikit-image's reconstruction with the inlet as a sink). Water
    over a pocket takes it in.
    """
    rows = refusing(sample, "Lawn drain", 1.8).rows
    intakes = Intakes(tuple(
        replace(row, stands_m3=v, taken_m3=row.own_m3 - v)
        for row, v in zip(rows, (1.8, 5.4, 9.0), strict=True)
    ), surfaced_m3=np.zeros(len(rows)))  # fmt: skip
    chapter = ponding_chapter(sample, EvenStorms(sample), intakes=intakes)
    limited = rows_of(chapter, "inlet_intake", scenario="limited", inlet="Lawn drain")
    assert limited["refused_m3"].tolist() == pytest.approx([1.8, 5.4, 9.0])
    ponds = rows_of(chapter, "ponds", scenario="limited")
    beside = (
        rows_of(chapter, "ponds", scenario="open").groupby("return_period_yr")["volume_m3"].sum()
    )
    assert beside.tolist() == pytest.approx([0.0762] * 3, abs=0.0001)
    assert ponds["volume_m3"].tolist()[:2] == pytest.approx([1.8762, 5.4822], abs=0.003)
    rest = 9.0822 - ponds["volume_m3"].iloc[2]
    assert ponds["overflow_m3"].iloc[2] == pytest.approx(rest, abs=0.003)
    cases = rows_of(chapter, "pond_cases", scenario="limited")
    assert cases["residual_m3"].abs().max() < 1e-9
    assert [f.subject for f in chapter.findings if f.rule == "inlet-passed"] == ["Lawn drain"]


@pytest.mark.parametrize("surfaced", [0.0, 0.2, 0.3])
def test_what_is_refused_and_comes_up_closes_in_every_table(sample, surfaced):
    """
    Water that comes up out of a grate is in the balance like all other, and counts once.

    What of it was taken by another inlet before is no runoff again, nor taken in the end.
    """
    intakes = refusing(sample, "Lawn drain", 0.5, 0.7, backs_up=0.3, surfaced=surfaced)
    chapter = ponding_chapter(sample, EvenStorms(sample), intakes=intakes)
    table = rows_of(chapter, "inlet_intake", scenario="limited")
    comes = table["direct_m3"] + table["overflow_m3"] + table["from_inlets_m3"]
    comes += table["backs_up_m3"]
    goes = table["taken_m3"] + table["refused_m3"] + table["passed_m3"]
    np.testing.assert_allclose(comes, goes, atol=1e-9)
    cases = rows_of(chapter, "pond_cases", scenario="limited")
    assert cases["residual_m3"].abs().max() < 1e-9
    parts = ["ponded_m3", "taken_m3", "connected_m3", "to_water_m3", "to_gap_m3", "over_edge_m3"]
    np.testing.assert_allclose(cases[parts].sum(axis=1), cases["runoff_m3"], atol=1e-9)
    opened = rows_of(chapter, "pond_cases", scenario="open")
    np.testing.assert_allclose(cases["runoff_m3"], opened["runoff_m3"], atol=1e-9)


def test_an_inlet_that_carries_all_is_as_if_it_had_no_limit(sample):
    chapter = ponding_chapter(
        sample, EvenStorms(sample), intakes=refusing(sample, "Lawn drain", 0.0)
    )
    one = rows_of(chapter, "pond_cases", scenario="limited").drop(columns="scenario")
    other = rows_of(chapter, "pond_cases", scenario="open").drop(columns="scenario")
    numbers = ["ponded_m3", "taken_m3", "over_edge_m3"]
    np.testing.assert_allclose(one[numbers], other[numbers], atol=1e-9)
    assert not [f for f in chapter.findings if f.rule == "inlet-passed"]


def test_what_ran_over_a_hollow_without_an_inlet_is_told_with_limited_inlets_too(tmp_path):
    """An inlet that takes all leaves every pond and its overflow as they are with it open."""
    inlets = {"name": ["N"], "geometry": [at(12, 20)]}
    lot = lot_on(tmp_path, two_bowls(), inlets=inlets)
    chapter = ponding_chapter(lot, EvenStorms(lot, (0.05, 0.3, 0.5)), intakes=refusing(lot, "N", 0))
    columns = ["return_period_yr", "low_spot", "volume_m3", "overflow_m3", "spills_to"]
    opened, limited = (
        rows_of(chapter, "ponds", scenario=name)[columns].reset_index(drop=True)
        for name in ("open", "limited")
    )
    assert opened["overflow_m3"].max() > 1
    pd.testing.assert_frame_equal(opened, limited)


def test_without_what_inlets_take_there_is_no_such_case(sample):
    chapter = ponding_chapter(sample, EvenStorms(sample), intakes=Intakes())
    assert "limited" not in set(chapter.layers["pond_cases"]["scenario"])


# ---------------------------------------------------------------- soaking away


def test_a_soak_test_counts_instead_of_the_soil_group(bowls):
    storms = EvenStorms(bowls, (0.05,), (10.0,))
    slow = rows_of(ponding_chapter(bowls, storms), "ponds", scenario="blocked:N")
    job = bowls.job.model_copy(
        update={"job": bowls.job.job.model_copy(update={"soak_test_in_h": 2.0})}
    )
    faster = replace(bowls, job=job)
    fast = rows_of(ponding_chapter(faster, storms), "ponds", scenario="blocked:N")
    np.testing.assert_allclose(slow["soaks_away_h"], 10 * fast["soaks_away_h"], rtol=1e-9)
    # lawn on soil of group C: depth over 0.2 in/h
    depth = slow["depth_m"].to_numpy()
    np.testing.assert_allclose(slow["soaks_away_h"], depth / 0.0254 / 0.2, rtol=1e-9)


def test_a_pond_that_stands_too_long_is_found_once(tmp_path):
    lot = lot_on(tmp_path, two_bowls())
    storms = EvenStorms(lot, (0.2, 0.3, 0.5))
    found = [f for f in ponding_chapter(lot, storms).findings
             if f.rule == "pond-stands-too-long"]  # fmt: skip
    assert sorted(f.subject for f in found) == ["low spot 1", "low spot 2"]
    assert all(f.limit == 72 and f.source for f in found)
    # the northern bowl may be held by a bank, which is said and weighs less
    weight = {f.subject: (f.severity, bool(f.facts["doubt"])) for f in found}
    doubted = [bool(doubt) for doubt in lot.low_spots.artefact]
    assert doubted == [True, False]
    assert weight == {"low spot 1": ("warn", True), "low spot 2": ("fail", False)}


@pytest.mark.parametrize(
    ("hours", "limits"),
    [(20, {}), (36, {"S": 24}), (60, {"N": 48, "S": 24}), (90, {"N": 72, "S": 72})],
)
def test_water_may_stand_less_long_near_a_house(tmp_path, hours, limits):
    """Both bowls fill 0.49 m deep; the house is at the southern one. 24, 48 and 72 h."""
    lot = lot_on(
        tmp_path, two_bowls(),
        buildings={"name": ["House"], "geometry": [shapely.box(600023, 3299970, 600028, 3299974)]},
    )  # fmt: skip
    general = lot.job.job.model_copy(update={"soak_test_mm_h": 490 / hours})
    soaked = replace(lot, job=lot.job.model_copy(update={"job": general}))
    found = {"N" if f.y > 3299980 else "S": f.limit
             for f in ponding_chapter(soaked, EvenStorms(soaked, (0.5,), (10.0,))).findings
             if f.rule == "pond-stands-too-long"}  # fmt: skip
    assert found == limits


def test_whose_ground_water_runs_over_onto(tmp_path):
    """The northern bowl into the southern one, on the lot; that one over the lot line."""
    lot = lot_on(tmp_path, two_bowls())
    chapter = ponding_chapter(lot, EvenStorms(lot, (0.5,), (10.0,)))
    onto = {round(row.level_m, 2): row.spills_onto
            for row in rows_of(chapter, "ponds").itertuples()}  # fmt: skip
    assert onto == {19.87: "lot", 19.69: "beyond the lot"}
    (said,) = [f for f in chapter.findings if f.rule == "pond-overflows-the-lot"]
    assert said.y < 3299975
    assert said.facts["overflow_m3"] == pytest.approx(said.measured, abs=1e-3)


def test_paved_beds_keep_their_water(sample, chapter):
    """The patio's low spot lies on paving: it never soaks away, and says how much stays."""
    pond = rows_of(chapter, "ponds", scenario="blocked:Patio basin", low_spot=2).iloc[0]
    assert np.isnan(pond["soaks_away_h"])
    assert pond["stays_m"] == pytest.approx(pond["depth_m"])


# ---------------------------------------------------------------- what is written


def test_layers_can_be_written_and_told(sample, chapter):
    """GeoPackage, summary and text take them; the text fits its width."""
    layers = {name: frame.set_crs("EPSG:32617", allow_override=True) if "geometry" in frame else
              frame for name, frame in chapter.layers.items()}  # fmt: skip
    geopackage_file("a.gpkg", layers, metadata={})
    content = summary_content(
        chapter.layers, balance={}, provenance={}, accuracy={"rmse_m": 0.1},
        sections=chapter.sections,
    )  # fmt: skip
    json.dumps(content, allow_nan=False)
    assert {"open", "blocked:all"} <= {pond["case"] for pond in content["ponds"]}
    for units in ("us", "metric"):
        text = summary_text(content, units)
        assert "Where water stands after storms" in text
        assert all(len(line) <= 100 for line in text.splitlines())


def test_raster_holds_the_depth_of_the_open_case(sample):
    lot = replace(sample, inlets=replace(sample.inlets, placed=[], routing=sample.natural))
    chapter = ponding_chapter(lot, EvenStorms(lot))
    raster = chapter.rasters["pond_depth_100yr.tif"]
    volume = np.nansum(raster.grid.values) * raster.grid.cell_m2
    stated = rows_of(chapter, "pond_cases", return_period_yr=100.0)["ponded_m3"].iloc[0]
    assert volume == pytest.approx(stated, abs=1e-3)
    assert raster.unit == "m"


def test_overflow_paths_run_downhill_from_the_spill_point(chapter):
    paths, ponds = chapter.layers["overflow_paths"], chapter.layers["ponds"]
    assert len(paths)
    spills = set(zip(ponds["overflow_x"], ponds["overflow_y"], strict=True))
    assert {line.coords[0] for line in paths.geometry} <= spills
    assert set(paths["spills_onto"]) <= {"lot", "beyond the lot"}


def test_of_very_many_ponds_only_those_that_a_blocked_inlet_changes_are_listed(
    tmp_path, monkeypatch
):
    """What is left out is as in the open case, so that all of it can be put together again."""
    values = two_bowls()
    values[8:13, 5:10] -= 0.3  # a third one without an inlet
    lot = lot_on(
        tmp_path, values, inlets={"name": ["N", "S"], "geometry": [at(12, 20), at(30, 20)]}
    )
    storms = EvenStorms(lot, (0.05, 0.5), (2.0, 10.0))
    whole = ponding_chapter(lot, storms)
    monkeypatch.setattr(pond_layers, "LISTED_PONDS", 23)
    short = ponding_chapter(lot, storms)
    assert [f.measured for f in short.findings if f.rule == "ponds-listed"] == [4 * 2 * 3]
    assert "ponds-listed" not in {f.rule for f in whole.findings}

    def listed(of):
        return {
            (row["case"], row["return_period_yr"], row["low_spot"]):
            str({name: value for name, value in row.items() if name not in ("id", "case")})
            for row in of.sections["ponds"]
        }  # fmt: skip

    full, some = listed(whole), listed(short)
    assert len(full) == 24
    # with one inlet blocked its own bowl is there, the third one is not
    assert len(some) == 24 - 2 * 2 * 2
    assert {key: some.get(key, some["open", *key[1:]]) for key in full} == full
    # the layer has the rows of the list
    wet = {key for key, row in some.items() if "'level_m'" in row and "'depth_m': 0.0" not in row}
    layer = short.layers["ponds"]
    assert wet == set(
        zip(layer["scenario"], layer["return_period_yr"], layer["low_spot"], strict=True)
    )
    # judged are all of them
    assert [f for f in short.findings if f.rule != "ponds-listed"] == whole.findings
    assert short.layers["pond_cases"].equals(whole.layers["pond_cases"])
