"""What was seen, held against pits whose water is known by hand; all observations are invented."""

import math

import geopandas as gpd
import numpy as np
import pytest
import shapely
from affine import Affine

from lotflow.criteria import Criteria
from lotflow.grid import Grid
from lotflow.ponding.observations import (
    Basis,
    Match,
    Predicted,
    SeenGround,
    Span,
    Verdict,
    observation_findings,
    observed,
    verdict,
)
from lotflow.terrain.inlet_places import DrawnInlet
from lotflow.terrain.inlets import study_inlets
from lotflow.terrain.level_error import LevelError
from lotflow.terrain.low_spots import judged_low_spots
from lotflow.terrain.ponding import pond_network
from lotflow.terrain.routing import no_drains, route
from lotflow.terrain.surface import prepare_surface

SIDE = 40
#: Cells of half a metre; a pit of 2 by 2 m, 0.30 m deep, its bottom level.
PIT = (slice(10, 14), slice(10, 14))
MIDDLE = (6.0, 14.0)
#: Infiltration of 5 mm/h.
RATE = 0.005 / 3600


def ground_of(*, inlets=(), barriers=(), rate=RATE, rmse=0.02, shelf=False):
    """A slope of 2 % to the east with a pit in it, and a shelf 5 cm below its edge beside it."""
    values = 10.0 - 0.01 * np.mgrid[:SIDE, :SIDE][1].astype(float)
    edge = values[:, 14].max()
    if shelf:
        edge = values[:, 30].max()
        values[PIT[0], 14:30] = edge - 0.05
    values[PIT] = edge - 0.30
    grid = Grid(values, Affine(0.5, 0, 0, 0, -0.5, SIDE / 2), None)
    surface = prepare_surface(grid)
    natural = route(surface, no_drains(surface))
    drawn = [DrawnInlet(name, shapely.Point(place)) for name, place in inlets]
    study = study_inlets(drawn, natural, Criteria(), rmse_m=0.1, rule="ltd")
    spots = judged_low_spots(natural, 0.1, dam_depth=1.0)
    return SeenGround(
        grid=grid, low_spots=spots, told=np.arange(len(spots) + 1),
        opened=pond_network(study.routing), natural=pond_network(natural), placed=study.placed,
        rate=np.full(grid.shape, rate), barriers=barriers, error=LevelError(rmse, 10.0, 0.1),
        least_m=0.01,
    )  # fmt: skip


def runoff_of(depth):
    """Ten times the rain on the cells of the pit, none elsewhere: it stands that deep."""
    runoff = np.zeros((SIDE, SIDE))
    runoff[PIT] = 10 * depth
    return runoff


def seen(*rows):
    """Observations: place, and what was seen."""
    frame = gpd.GeoDataFrame(
        [{"name": None, "depth_m": math.nan, "hours": math.nan, "date": None, "note": None} | row
         for _, row in rows], geometry=[shape for shape, _ in rows],
    )  # fmt: skip
    return frame.astype({"depth_m": float, "hours": float})


def judged(shape, days=None, storms=(), ground=None, **row):
    days = {"2026-05-03": 0.02} if days is None else days
    runoffs = [runoff_of(depth) for depth in storms]
    (one,) = observed(seen((shape, row)), ground or ground_of(), days, runoff_of, runoffs)
    return one


@pytest.mark.parametrize(
    ("shape", "match", "away"),
    [
        (shapely.Point(MIDDLE), Match.IN, 0.0),
        (shapely.Point(9.0, 14.0), Match.BESIDE, 2.0),
        (shapely.Point(9.9, 14.0), Match.BESIDE, 2.9),
        (shapely.Point(11.0, 14.0), Match.NONE, math.nan),
        (shapely.box(6.5, 13.0, 12.0, 15.0), Match.IN, 0.0),
        (shapely.box(8.0, 13.0, 12.0, 15.0), Match.BESIDE, 1.0),
    ],
)
def test_a_mark_belongs_to_the_low_spot_within_ten_feet(shape, match, away):
    """The pit reaches from 5 to 7 m; a mark that was drawn beside it still means it."""
    one = judged(shape, depth_m=0.2, date="2026-05-03")
    assert one.match is match
    assert one.low_spot == (match is not Match.NONE)
    assert one.away_m == pytest.approx(away, nan_ok=True, abs=0.05)
    assert one.predicted.opened.high == pytest.approx(0.2 if one.low_spot else 0.0, abs=1e-5)
    assert one.verdict is (Verdict.AGREES if one.low_spot else Verdict.NOT_PREDICTED)


@pytest.mark.parametrize(("x", "depth"), [(8.0, 0.1), (11.5, 0.1), (13.5, 0.0)])
def test_in_its_low_spot_water_counts_within_twenty_feet_of_the_mark(x, depth):
    """A shelf of 8 m beside the pit belongs to the low spot, and is dry while little stands."""
    ground = ground_of(shelf=True)
    one = judged(shapely.Point(x, 14.0), {"2026-05-03": 0.01}, ground=ground, depth_m=0.1,
                 date="2026-05-03")  # fmt: skip
    assert (one.low_spot, one.match) == (1, Match.IN)
    assert one.predicted.opened.high == pytest.approx(depth, abs=1e-3)


@pytest.mark.parametrize(
    ("barrier", "is_matched"),
    [
        (shapely.LineString([(8, 10), (8, 18)]), False),
        (shapely.box(7.2, 10, 8.2, 18), False),
        (shapely.LineString([(8.6, 10), (8.6, 18)]), True),
        (shapely.LineString([(12, 10), (12, 18)]), True),
        (shapely.box(8.6, 10, 9.5, 18), True),
    ],
)
def test_water_behind_a_wall_is_not_what_was_marked(barrier, is_matched):
    """But a mark on a building is one at its wall."""
    one = judged(shapely.Point(9.0, 14.0), ground=ground_of(barriers=[barrier]), depth_m=0.2)
    assert bool(one.low_spot) is is_matched


def test_depth_hours_and_error_are_those_of_the_pit():
    """0.2 m soak away in 40 h at 5 mm/h; the error is that of two levels a known way apart."""
    ground = ground_of()
    one = judged(shapely.Point(MIDDLE), ground=ground, depth_m=0.2, date="2026-05-03")
    assert one.predicted.opened == pytest.approx((0.2, 0.2), abs=1e-5)
    assert one.predicted.blocked == one.predicted.opened
    assert one.predicted.stands_h == pytest.approx((40.0, 40.0), rel=1e-3)
    # the cell over which it runs lies in its eastern column, so the deepest cell is near
    assert 0 < one.predicted.error_m <= 1.96 * ground.error.of_difference(3.0)
    sealed = judged(shapely.Point(MIDDLE), ground=ground_of(rate=0.0), depth_m=0.2,
                    date="2026-05-03")  # fmt: skip
    assert sealed.predicted.stands_h.high == math.inf


def test_with_an_inlet_of_today_it_is_dry_unless_that_is_blocked():
    ground = ground_of(inlets=[("Gully", MIDDLE)])
    wet = judged(shapely.Point(MIDDLE), ground=ground, depth_m=0.2, date="2026-05-03")
    assert wet.predicted.opened.high == pytest.approx(0.0, abs=1e-6)
    assert wet.predicted.blocked.high == pytest.approx(0.2, abs=1e-5)
    assert wet.inlets == ("Gully",)
    assert wet.verdict is Verdict.BLOCKED
    dry = judged(shapely.Point(MIDDLE), ground=ground, depth_m=0.0, date="2026-05-03")
    assert dry.verdict is Verdict.AGREES


@pytest.mark.parametrize(
    ("row", "rain", "day"),
    [
        ({"depth_m": 0.2, "date": "2026-05-03"}, 0.03, "2026-05-02"),
        ({"depth_m": 0.0, "date": "2026-05-03"}, 0.01, "2026-05-03"),
        ({"depth_m": 0.2, "date": "2026-05-02"}, 0.03, "2026-05-02"),
        ({"depth_m": 0.2, "date": "2026-03-01"}, 0.01, "2026-03-01"),
    ],
)
def test_of_water_the_wetter_of_its_day_and_the_day_before_counts(row, rain, day):
    """It is noted the morning after; on a day without water only its own rain says anything."""
    days = {"2026-05-03": 0.01, "2026-05-02": 0.03, "2026-03-01": 0.01}
    one = judged(shapely.Point(MIDDLE), days, **row)
    assert (one.rain.basis, one.rain.depth_m, one.rain.date) == (Basis.DAY, rain, day)
    assert one.predicted.opened.high == pytest.approx(min(10 * rain, 0.3), abs=1e-4)


@pytest.mark.parametrize("date", [None, "2026-06-01"])
def test_without_the_rain_of_the_day_all_design_storms_count(date):
    one = judged(shapely.Point(MIDDLE), storms=(0.01, 0.02), depth_m=0.15, date=date)
    assert one.rain.basis is Basis.STORMS
    assert one.predicted.opened == pytest.approx((0.1, 0.2), abs=1e-5)
    assert one.predicted.stands_h == pytest.approx((20.0, 40.0), rel=1e-3)
    assert one.verdict is Verdict.AGREES
    (finding,) = [
        found for found in observation_findings([one], {})
        if found.rule == "observation-rain-unknown"
    ]  # fmt: skip
    assert finding.facts["days"] == ((date,) if date else ())
    assert finding.facts["undated"] is (date is None)
    assert finding.facts["has_storms"] is True


def test_without_any_rain_a_full_low_spot_is_the_most_there_may_be():
    one = judged(shapely.Point(MIDDLE), days={}, depth_m=0.15)
    assert one.rain.basis is Basis.FULL
    assert one.predicted.opened == pytest.approx((0.0, 0.3), abs=1e-5)
    assert one.verdict is Verdict.AGREES
    assert judged(shapely.Point(MIDDLE), days={}, depth_m=0.6).verdict is Verdict.DEEPER


def test_names_that_stand_twice_or_not_at_all_are_told_apart():
    frame = seen(*((shapely.Point(MIDDLE), {"name": name, "depth_m": 0.2})
                   for name in ("Gate", None, "Gate")))  # fmt: skip
    names = [one.name for one in observed(frame, ground_of(), {}, runoff_of, [])]
    assert names == ["Gate", "observation 2", "Gate (3)"]


WET, NONE = Span(0.3, 0.3), Span(0.0, 0.0)
STANDS = Predicted(WET, WET, Span(40.0, 40.0), 0.1)
DRAINED = Predicted(NONE, WET, NONE, 0.1)
NOTHING = Predicted(NONE, NONE, NONE, 0.1)
RESIDUE = Predicted(Span(0.05, 0.05), WET, Span(7.0, 7.0), 0.1)
ANY_STORM = Predicted(Span(0.2, 0.3), Span(0.2, 0.3), Span(27.0, 40.0), 0.1)


@pytest.mark.parametrize(
    ("depth", "hours", "predicted", "basis", "is_dated", "expected"),
    [
        (0.25, math.nan, STANDS, Basis.DAY, True, Verdict.AGREES),
        (math.nan, 79.0, STANDS, Basis.DAY, True, Verdict.AGREES),
        (0.39, 79.0, STANDS, Basis.DAY, True, Verdict.AGREES),
        (0.41, math.nan, STANDS, Basis.DAY, True, Verdict.DEEPER),
        (0.3, 81.0, STANDS, Basis.DAY, True, Verdict.LONGER),
        (0.5, 200.0, STANDS, Basis.DAY, True, Verdict.DEEPER),
        (0.19, math.nan, STANDS, Basis.DAY, True, Verdict.LESS),
        (0.3, 19.0, STANDS, Basis.DAY, True, Verdict.LESS),
        (0.0, math.nan, STANDS, Basis.DAY, True, Verdict.NOT_SEEN),
        (math.nan, 0.0, STANDS, Basis.DAY, True, Verdict.NOT_SEEN),
        (0.0, math.nan, RESIDUE, Basis.DAY, True, Verdict.OPEN),
        (0.0, math.nan, NOTHING, Basis.DAY, True, Verdict.AGREES),
        # a day without water says nothing while its rain is not known; never any water does
        (0.0, math.nan, ANY_STORM, Basis.STORMS, True, Verdict.OPEN),
        (0.0, math.nan, ANY_STORM, Basis.STORMS, False, Verdict.NOT_SEEN),
        (0.0, math.nan, ANY_STORM, Basis.FULL, False, Verdict.OPEN),
        (0.3, math.nan, DRAINED, Basis.DAY, True, Verdict.BLOCKED),
        (0.3, math.nan, RESIDUE, Basis.DAY, True, Verdict.BLOCKED),
        (0.5, math.nan, RESIDUE, Basis.DAY, True, Verdict.DEEPER),
        (0.02, math.nan, NOTHING, Basis.DAY, True, Verdict.NOT_PREDICTED),
        (math.nan, 30.0, NOTHING, Basis.STORMS, False, Verdict.NOT_PREDICTED),
        (0.38, 79.0, ANY_STORM, Basis.STORMS, False, Verdict.AGREES),
        (0.42, math.nan, ANY_STORM, Basis.STORMS, False, Verdict.DEEPER),
    ],
)
def test_verdicts(depth, hours, predicted, basis, is_dated, expected):
    """Depths by the error of the data, hours by a factor of two."""
    told = verdict(depth, hours, predicted, least_m=0.01, basis=basis, is_dated=is_dated)
    assert told is expected


def test_water_that_may_stay_for_ever_is_never_too_long():
    stays = STANDS._replace(stands_h=Span(40.0, math.inf))
    told = verdict(0.3, 900.0, stays, least_m=0.01, basis=Basis.DAY, is_dated=True)
    assert told is Verdict.AGREES


@pytest.mark.parametrize(
    ("row", "rule", "severity"),
    [
        ({"depth_m": 0.2}, "observation-agrees", "note"),
        ({"depth_m": 0.6}, "observation-deeper", "warn"),
        ({"depth_m": 0.2, "hours": 200.0}, "observation-longer", "warn"),
        ({"depth_m": 0.0}, "observation-not-seen", "warn"),
        ({"hours": 1.0}, "observation-less", "note"),
    ],
)
def test_each_observation_gives_one_finding_with_its_facts(row, rule, severity):
    one = judged(shapely.Point(MIDDLE), date="2026-05-03", **row)
    (finding,) = observation_findings([one], {0.02: (2.0, 0)})
    assert (finding.rule, finding.severity, finding.subject) == (rule, severity, "observation 1")
    assert finding.measured == (row.get("depth_m"))
    assert finding.limit == pytest.approx(0.2, abs=1e-3)
    assert finding.facts["period"] == (2.0, 0)
    assert (finding.x, finding.y) == MIDDLE
