"""Design storms over a whole lot: no water is lost, whatever gutters do; low spots; no rain."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lotflow.errors import ParameterError
from lotflow.inputs.job import read_job
from lotflow.layers.drawn import cases_of
from lotflow.outputs.worked_sheets import explained, sheet_of, worked_sheet
from lotflow.rainfall import RainfallTable
from lotflow.runoff.rain_findings import rain_findings
from lotflow.runoff.storm_parts import downspout_ground, leader_capacity, low_spot_ground
from lotflow.runoff.storms import way_timer
from lotflow.study.job_chapters import case_storms, runoff_chapter, site_cover
from lotflow.study.lot_water import case_water, study_lot
from lotflow.terrain.roofs import roof_water

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"
#: Leaders so narrow that every gutter of the sample runs over in the rarer storms [m].
NARROW_M = 0.030


@pytest.fixture(scope="module")
def lot():
    return study_lot(read_job(SAMPLE))


@pytest.fixture(scope="module")
def cover(lot):
    return site_cover(lot)


def with_leaders(water, diameter_m):
    """The same case with leaders of one diameter."""
    spouts = [replace(spout, leader_m=diameter_m) for spout in water.roofs.downspouts]
    return replace(water, roofs=roof_water(water.roofs.surface, spouts))


@pytest.fixture(scope="module", params=["today", "proposed", "proposed, narrow leaders"])
def water(request, lot):
    case, _, narrow = request.param.partition(",")
    water = case_water(lot, case)
    return with_leaders(water, NARROW_M) if narrow else water


@pytest.fixture(scope="module")
def storms(water, lot, cover):
    return case_storms(lot, water, cover.ground)


@pytest.fixture(scope="module")
def proposed(lot, cover):
    return case_storms(lot, case_water(lot, "proposed"), cover.ground)


@pytest.fixture(scope="module")
def narrow(lot, cover):
    water = with_leaders(case_water(lot, "proposed"), NARROW_M)
    return case_storms(lot, water, cover.ground)


def test_all_runoff_enters_the_flow_or_a_drain(storms):
    """The depth of every cell comes down once: at eaves, at a downspout or in a pipe."""
    surface = storms.surface
    for storm in range(len(storms.storms)):
        shed = np.where(surface.missing, 0.0, storms.depths_m[storms.cover.number, storm]).sum()
        entered = storms.runoff_depth(storm)
        led = sum(storms.connected_volume(storm).values()) / surface.ground.cell_m2
        assert entered.sum() + led == pytest.approx(shed, rel=1e-12)
        assert not entered[surface.roof].any()


def test_volume_of_each_inlet_is_what_runs_to_it(water, storms):
    """Parts, grid and hydrograph tell the same volume."""
    routing = water.inlets.routing
    label = routing.field.labels(routing.drains.inlet.copy()).ravel()
    for storm in range(len(storms.storms)):
        depth = storms.runoff_depth(storm).ravel()
        intake = np.bincount(label, depth, minlength=len(storms.node_names) + 1)[1:]
        led = storms.connected_volume(storm)
        for node, name in enumerate(storms.node_names):
            over_ground = intake[node] if node < len(water.names) else 0.0
            volume = over_ground * storms.surface.ground.cell_m2 + led.get(name, 0.0)
            assert storms.volumes_m3[node, storm] == pytest.approx(volume, rel=1e-9, abs=1e-9)
            assert storms.hydrograph(name, storm).volume_m3 == pytest.approx(volume, rel=1e-9)


def test_areas_times_coefficients_agree_with_the_grid(water, storms):
    """The sum of C A over the parts of an inlet is that of the cells that run to it."""
    routing = water.inlets.routing
    label = routing.field.labels(routing.drains.inlet.copy()).ravel()
    inlets = len(water.names)
    over_ground = np.array([kind != "roof" for kind in storms.ground.kind])
    for storm in range(len(storms.storms)):
        grid = np.bincount(label, storms.ca_weight(storm).ravel(), minlength=inlets + 1)[1:]
        parts = np.bincount(
            storms.ground.node[over_ground], storms.parts.ca_m2[over_ground, storm],
            minlength=len(storms.node_names),
        )  # fmt: skip
        assert parts[:inlets] == pytest.approx(grid[:inlets], rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: leader_capacity(0.1, filling=1.5), "filling must be at least 0 and at most 1"),
        (lambda: leader_capacity(0.0), "diameter must be greater than 0, not 0"),
    ],
)
def test_a_leader_outside_the_domain_of_its_formula_is_refused(call, said):
    with pytest.raises(ParameterError, match=said):
        call()


def test_leader_flow_is_that_of_the_formula_in_gallons_and_inches():
    inch = 0.0254
    gallons = leader_capacity(3 * inch, filling=0.25) / (231 * inch**3 / 60)
    assert gallons == pytest.approx(27.8 * 0.25 ** (5 / 3) * 3 ** (8 / 3))


def test_gutters_run_over_above_the_rain_of_their_leader(narrow):
    """DS1: 38 m2 at C = 0.9 fill a leader of 30 mm at capacity / 34.2 m2."""
    limit = leader_capacity(NARROW_M) / (0.9 * 38.0)
    assert narrow.leader_limit_m_s[0] == pytest.approx(limit)
    rain = narrow.rainfall.intensity(300.0, np.array(narrow.storms))
    assert narrow.peak_overflow[0] == pytest.approx(np.maximum(1 - limit / rain, 0))
    assert (narrow.peak_overflow[0] > 0).any()
    # of the whole storm far less runs over than at its peak
    assert (narrow.volume_overflow <= narrow.peak_overflow).all()


def test_what_runs_over_leaves_the_drain_for_the_ground(proposed, narrow):
    """Nodes get less of it, the lawn below the eaves more; the finding says so."""
    node = proposed.node_names.index("Corner cleanout")
    assert narrow.peaks.flow_m3s[node, 1] < proposed.peaks.flow_m3s[node, 1]
    assert narrow.peaks.flow_m3s[node, 1] == pytest.approx(float(leader_capacity(NARROW_M)))
    assert narrow.runoff_depth(1).sum() > proposed.runoff_depth(1).sum()


def test_overflow_is_a_finding(lot, cover, narrow):
    chapter = runoff_chapter(replace(lot, roofs=narrow.roofs), cover, narrow)
    rules = [finding.rule for finding in chapter.findings]
    assert rules.count("gutter-runs-over") == 4


def test_sheet_says_that_gutters_run_over(narrow):
    sheet = worked_sheet(narrow, narrow.node_names.index("Corner cleanout"))
    assert "gutters run over whose leaders are full" in sheet


def test_downspouts_are_subjects_of_their_own(lot, proposed):
    """Flow of DS1 in the 10-year storm: 0.9 x 38 m2 x rain of 5 min."""
    own = replace(proposed, ground=downspout_ground(lot.roofs, proposed.cover))
    rain = float(proposed.rainfall.intensity(300.0, 10.0))
    assert own.node_names[0] == "DS1"
    assert own.peaks.flow_m3s[0, 1] == pytest.approx(0.9 * 38.0 * rain)


def test_low_spots_get_all_of_their_contributing_area(lot, proposed):
    """Through low spots above them too, as the layer of the low spots counts it."""
    spots = list(range(len(lot.low_spots)))
    ground = low_spot_ground(
        lot.natural, lot.low_spots, lot.roofs, proposed.cover, way_timer(proposed.rainfall), spots
    )
    cells = np.bincount(ground.node, ground.fixed.sum(axis=1), minlength=len(spots))
    assert cells == pytest.approx(lot.low_spots.contributing)


def test_without_rainfall_there_are_no_storms(lot, cover):
    dry = replace(lot, rainfall=None, job=lot.job.model_copy(update={"rainfall": None}))
    assert case_storms(dry, case_water(dry, "proposed"), cover.ground) is None
    chapter = runoff_chapter(dry, cover, None)
    assert not len(chapter.layers["runoff"])
    assert "Rain: none is given" in chapter.texts["runoff_sheets.txt"]
    flows = chapter.columns["inlets"]["flow_per_10mm_h_m3s"]
    assert (flows > 0).all()


def test_uplift_raises_flows_in_proportion_and_is_said(lot, cover, proposed):
    raised = replace(lot, rainfall=replace(lot.rainfall, uplift=1.2))
    more = case_storms(raised, case_water(raised, "proposed"), cover.ground)
    paved = proposed.node_names.index("Corner cleanout")
    assert more.peaks.flow_m3s[paved] == pytest.approx(1.2 * proposed.peaks.flow_m3s[paved])
    found = {
        finding.rule: finding for finding in rain_findings(raised.rainfall, None, lot.job.criteria)
    }
    assert found["rainfall-uplift"].facts == {"uplift": 1.2}
    plain = rain_findings(lot.rainfall, None, lot.job.criteria)
    assert "rainfall-uplift" not in {finding.rule for finding in plain}


@pytest.mark.parametrize(
    ("durations", "rule", "methods"),
    [([600, 86_400], "rainfall-starts-late", {"rational", "nrcs"}),
     ([300, 3600], "rainfall-ends-early", {"rational"}),
     ([600, 3600], "rainfall-ends-early", {"rational"})],
)  # fmt: skip
def test_short_tables_are_used_as_far_as_they_reach_and_said(lot, cover, durations, rule, methods):
    """No rain is invented: times start at the shortest, volumes end at the longest."""
    table = RainfallTable(durations, [2, 100], [[0.015, 0.03], [0.04, 0.08]], "short")
    dry = replace(lot, rainfall=table)
    found = case_storms(dry, case_water(dry, "proposed"), cover.ground)
    assert found.times_s.min() == durations[0]
    chapter = runoff_chapter(dry, cover, found)
    assert rule in {finding.rule for finding in chapter.findings}
    table = chapter.layers["runoff"]
    assert set(table["method"]) == methods
    volumes = table[table["method"] == ("nrcs" if "nrcs" in methods else "rational")]["volume_m3"]
    assert volumes.notna().all()


def test_rows_and_sheets_tell_the_same(lot, cover, proposed):
    """Each inlet and node has its sheet, whose governing flow is that of its row."""
    chapter = runoff_chapter(lot, cover, proposed)
    sheets = explained(chapter.texts["runoff_sheets.txt"])
    assert tuple(sheets) == proposed.node_names
    rows = chapter.layers["runoff"].set_index(["subject", "return_period_yr", "method"])
    flow = rows.loc[("Lawn drain", 10.0, "rational"), "flow_m3s"]
    governing = [line for line in sheets["Lawn drain"].splitlines() if "governs" in line]
    assert f"Q = {flow * 1000:.2f} l/s" in governing[1]
    volume = rows.loc[("Lawn drain", 10.0, "nrcs"), "volume_m3"]
    assert f"together {volume:.2f} m³" in sheets["Lawn drain"]
    assert sheet_of(chapter.texts, "Lawn drain") == sheets["Lawn drain"]
    assert chapter.columns["inlets"]["flow_m3s"] == pytest.approx(
        proposed.peaks.flow_m3s[: len(lot.names), 1]
    )


def test_a_line_that_carries_too_little_holds_water_back(lot, cover, proposed):
    """V = max over D of C A P(D) - release x D, tried minute by minute in a plain loop."""
    chapter = runoff_chapter(lot, cover, proposed, releases={"Lawn drain": 1e-3, "Patio basin": 1})
    rows = chapter.layers["runoff"].set_index(["subject", "return_period_yr", "method"])
    row = rows.loc[("Lawn drain", 10.0, "rational")]
    loop = max(
        row["total_ca_m2"] * float(proposed.rainfall.depth(60.0 * minutes, 10.0)) - 0.06 * minutes
        for minutes in range(5, 1441)
    )
    assert row["storage_m3"] == pytest.approx(loop, rel=2e-3)
    assert row["storage_m3"] >= loop * (1 - 1e-3)
    assert rows.loc[("Patio basin", 100.0, "rational"), "storage_m3"] == 0
    assert np.isnan(rows.loc[("Garage channel", 10.0, "rational"), "storage_m3"])
    assert np.isnan(rows.loc[("Lawn drain", 10.0, "nrcs"), "storage_m3"])
    sheets = explained(chapter.texts["runoff_sheets.txt"])
    assert f"V = {row['storage_m3']:.2f} m³" in sheets["Lawn drain"]
    assert "its line takes 1.00 l/s" in sheets["Lawn drain"]
    assert "100 years: none" in sheets["Patio basin"]
    assert "no line with known levels and size leaves it" in sheets["Garage channel"]


def test_graphical_peak_needs_a_storm_type(lot, cover, proposed):
    """Ten years of type II rain on the Lawn drain: within a factor of 2 of the unit hydrograph."""
    given = lot.job.rainfall.model_copy(update={"storm_type": "II"})
    typed = replace(lot, job=lot.job.model_copy(update={"rainfall": given}))
    without = runoff_chapter(lot, cover, proposed).layers["runoff"]
    assert without["graphical_peak_m3s"].isna().all()
    rows = runoff_chapter(typed, cover, proposed).layers["runoff"]
    row = rows[(rows["subject"] == "Lawn drain") & (rows["method"] == "nrcs")].iloc[1]
    assert 0.5 < row["graphical_peak_m3s"] / row["flow_m3s"] < 2.0


def test_sheet_retraces_the_time_of_sheet_flow(proposed):
    """TR-55 (1986), equation 3-3: T = 0.007 (n L)^0.8 / (P2^0.5 s^0.4) h, from what is printed."""
    sheet = worked_sheet(proposed, proposed.node_names.index("Lawn drain"))
    (rain,) = re.findall(r"P2 = [^(]*\(([\d.]+) in\)", sheet)
    found = re.findall(
        r"sheet: [^(]*\(([\d.]+) ft\), slope ([\d.]+)[^,]*, n = ([\d.]+): ([\d.]+) min", sheet
    )
    assert found
    for length, slope, roughness, minutes in found:
        hours = (
            0.007
            * (float(roughness) * float(length)) ** 0.8
            / (float(rain) ** 0.5 * float(slope) ** 0.4)
        )
        assert 60 * hours == pytest.approx(float(minutes), rel=0.02, abs=0.06)


def test_sheet_says_which_covers_make_up_each_part(proposed):
    node = proposed.node_names.index("Lawn drain")
    sheet = worked_sheet(proposed, node).split("3. Peak")[0]
    parts = re.findall(r"^   \w+: ([\d,]+) m² [^\n]*, of which (.+)$", sheet, re.M)
    assert len(parts) == np.count_nonzero(proposed.ground.node == node)
    for area, covers in parts:
        each = [float(one.replace(",", "")) for one in re.findall(r"\w+ ([\d,]+) m²", covers)]
        assert sum(each) == pytest.approx(float(area.replace(",", "")), abs=0.5 * (len(each) + 1))


def test_sheet_retraces_the_graphical_peak_or_says_how_to_have_it(proposed):
    """From the printed A, qu and Q the printed flow follows in both systems, within its digits."""
    node = proposed.node_names.index("Lawn drain")
    assert "storm_type of the job's table [rainfall]" in worked_sheet(proposed, node)
    printed = r"A = ([\d,.]+) {}.*\n +qu = ([\d.]+) {}, Q = ([\d.]+) {}, q = ([\d.]+) {}"
    # square feet of a square mile and gpm of a cfs; m² of a km² and l/s of a m³/s
    for units, named, of_area, of_flow in (
        ("us", ("ft²", "cfs per square mile and inch", "in", "gpm"), 5280**2, 448.831),
        ("metric", ("m²", "m³/s per km² and mm", "mm", "l/s"), 1e6, 1e3),
    ):
        sheet = worked_sheet(proposed, node, storm_type="II", units=units)
        found = re.findall(printed.format(*named), sheet.split("6. Peak by the graphical")[1])
        assert len(found) == len(proposed.storms)
        for area, unit_peak, depth, flow in found:
            computed = float(unit_peak) * float(area.replace(",", "")) / of_area * float(depth)
            assert computed * of_flow == pytest.approx(float(flow), rel=0.05)


def test_roofs_and_ground_add_up_to_the_rain_on_the_lot(lot):
    """Both sides of the balance, with the roofs led into drains on the going one."""
    for case in cases_of(lot.site):
        water = case_water(lot, case)
        on_lot = lot.window.lot & ~water.roofs.surface.missing
        roof = (on_lot & water.roofs.surface.roof).sum()
        ground = (on_lot & ~water.roofs.surface.roof).sum()
        assert roof + ground == lot.balance.lot
