"""The drain check of a whole lot: both cases, what is told apart, what is refused."""

from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from lotflow.advice.sentences import message, worded
from lotflow.drains.checked import inlet_capacities
from lotflow.errors import InputError
from lotflow.inputs.job import read_job
from lotflow.inputs.site import empty_layers
from lotflow.layers import RESULT_LAYERS, SITE_LAYERS
from lotflow.outputs.summary import CONTRACT, summary_content
from lotflow.rainfall import RainfallTable
from lotflow.runoff.rational import RunoffParts
from lotflow.study.drain_check import CaseRun, check_drains, drain_chapter, dry_runs
from lotflow.study.lot_water import study_lot
from lotflow.terrain.downspouts import case_roofs

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"
RAIN = RainfallTable(
    [300, 900, 3600, 86_400], [2, 10, 100],
    [[0.0124, 0.0176, 0.0257], [0.0220, 0.0310, 0.0450], [0.0447, 0.0635, 0.0922],
     [0.10, 0.15, 0.235]], "invented",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Storms:
    """Rain of a case."""

    rainfall: RainfallTable
    storms: np.ndarray
    parts: RunoffParts


def rained_on(lot, run, *, factor=1.0):
    """Each inlet's catchment as one part, half of its rain running off after 10 minutes."""
    names = [inlet.drawn.name for inlet in run.inlets.placed]
    known = ~lot.window.surface.missing
    cells = np.bincount(run.inlets.routing.label[known], minlength=len(names) + 1)[1:]
    area = cells * lot.window.surface.ground.cell_m2
    parts = RunoffParts(
        tuple(names), ("unpaved",) * len(names), np.full(len(names), 600.0), area,
        np.repeat(0.5 * factor * area[:, None], 3, axis=1),
    )  # fmt: skip
    return replace(run, storms=Storms(RAIN, np.array([2.0, 10.0, 100.0]), parts))


@pytest.fixture(scope="module")
def lot():
    return study_lot(read_job(SAMPLE))


@pytest.fixture(scope="module")
def runs(lot):
    return dry_runs(lot)


@pytest.fixture(scope="module")
def chapter(lot, runs):
    return drain_chapter(lot, check_drains(lot, [rained_on(lot, run) for run in runs]))


def redrawn(lot, **frames):
    """The sample with other drains."""
    return replace(lot, site=replace(lot.site, **frames))


def rows(lot, layer, *given):
    """Rows of a site layer, in SI, in the grid's CRS; columns not given are empty."""
    crs = lot.site.lot.crs
    frame = pd.concat([empty_layers(crs, "metric")[layer].iloc[:0]], ignore_index=True)
    columns = {column.inside_name: column.kind for column in SITE_LAYERS[layer].columns}
    empty = {"number": np.nan}
    data = [
        {name: row.get(name, empty.get(kind)) for name, kind in columns.items()}
        | {"geometry": row["geometry"]}
        for row in given
    ]
    frame = gpd.GeoDataFrame(data, columns=[*columns, "geometry"], geometry="geometry", crs=crs)
    numbers = [name for name, kind in columns.items() if kind == "number"]
    return frame.astype(dict.fromkeys(numbers, float))


def with_line(lot, *, outlet=None, **line):
    """A lot with one inlet, one line and one outlet on open lawn, as far as given."""
    x, y = lot.site.lot.geometry.iloc[0].centroid.coords[0]
    start, end = (x - 8.0, y + 8.0), (x - 8.0, y - 2.0)
    site = {
        "inlets": rows(lot, "inlets", {"name": "In", "geometry": shapely.Point(start)}),
        "outlets": rows(lot, "outlets", {"name": "Out", "kind": "daylight",
                                         "geometry": shapely.Point(end), **(outlet or {})}),
        "drain_lines": rows(lot, "drain_lines", {
            "name": "L", "from_node": "In", "to_node": "Out", "material": "pvc", "diameter_m": 0.1,
            "geometry": shapely.LineString([start, end]), **line}),
        "downspouts": lot.site.downspouts.iloc[:0],
    }  # fmt: skip
    return redrawn(lot, **site)


def checked(lot):
    run = CaseRun("proposed", replace(lot.inlets, placed=[]))
    return drain_chapter(lot, check_drains(lot, [run]))


def test_layers_are_those_of_the_schema(chapter):
    """Every declared column, in order, and nothing else; one profile per line and case."""
    for name in ("drain_lines", "line_storms", "nodes", "line_profiles", "outlet_storms",
                 "inlet_bypass"):  # fmt: skip
        declared = [column.name for column in RESULT_LAYERS[name].columns]
        assert [column for column in chapter.layers[name] if column != "geometry"] == declared
    lines = chapter.layers["drain_lines"]
    profiles = chapter.layers["line_profiles"].groupby(["scenario", "name"])
    assert set(profiles.groups) == set(zip(lines["scenario"], lines["name"], strict=True))
    for key, profile in profiles:
        line = lines[(lines["scenario"] == key[0]) & (lines["name"] == key[1])].iloc[0]
        assert profile["distance_m"].max() == pytest.approx(line["length_m"])
        assert np.diff(profile["distance_m"]).max() <= 0.5 + 1e-9  # the sample's cells


def test_summary_has_every_line_and_storm_with_the_keys_of_its_contract(chapter):
    """The main case comes first; numbers are finite or null."""
    content = summary_content({}, balance={}, provenance={}, sections=chapter.sections)
    entries = content["lines"]
    assert entries
    assert all(set(CONTRACT["lines"]) <= set(entry) for entry in entries)
    assert entries[0]["case"] == "proposed"
    keys = [(entry["case"], entry["name"], entry["return_period_yr"]) for entry in entries]
    assert len(set(keys)) == len(keys)
    assert {key[2] for key in keys} == {2.0, 10.0, 100.0}


def test_flow_rises_with_the_return_period_and_down_the_tree(chapter):
    """Rarer storms bring more, and no line less than the largest that runs into it."""
    storms = chapter.layers["line_storms"].pivot_table(
        index=["scenario", "name"], columns="return_period_yr", values="flow_m3s"
    )  # fmt: skip
    assert (storms[2.0] <= storms[10.0]).all()
    assert (storms[10.0] <= storms[100.0]).all()


def test_levels_given_in_the_site_come_out(chapter, lot):
    """The inverts of lines that have them are kept in the main case."""
    lines = chapter.layers["drain_lines"]
    drawn = lot.site.drain_lines.set_index("name")
    for row in lines.itertuples():
        given = drawn.loc[row.name if isinstance(row.name, str) else row[2], "invert_up_m"]
        if not np.isnan(given):
            assert row.invert_up_m == pytest.approx(given)
            assert row.invert_up_basis == "given"


def test_what_is_mended_by_the_proposed_system_is_said_to_be_of_today(chapter):
    """Findings of lines that go are marked; findings of both come once."""
    assert len(set(chapter.findings)) == len(chapter.findings)
    proposed = set(chapter.layers["drain_lines"].query("scenario == 'proposed'")["name"])
    today = set(chapter.layers["drain_lines"].query("scenario == 'today'")["name"])
    for finding in chapter.findings:
        if finding.subject in today - proposed:
            assert finding.today


def test_sample_has_at_least_five_of_the_defects(chapter):
    """The system that is there was made to fail in many ways."""
    defects = {f.rule for f in chapter.findings if f.severity in ("fail", "warn")}
    known = {
        "joint-not-for-burial", "adverse-fall", "cover-too-small", "size-changes-within-line",
        "sediment-in-line", "water-stands-in-line", "hose-test", "outlet-not-found",
        "grate-not-removable", "emitter-line-cannot-empty", "smaller-pipe-downstream",
        "too-slow-to-keep-clean", "below-minimum-fall", "outlet-above-line",
    }  # fmt: skip
    assert len(defects & known) >= 5


def test_without_rain_levels_and_capacities_are_checked_all_the_same(lot, runs):
    """One entry per line, no flow, no storm; rules about storms do not fire."""
    dry = drain_chapter(lot, check_drains(lot, runs))
    assert dry.layers["line_storms"].empty
    assert {entry["flow_m3s"] for entry in dry.sections["lines"]} == {None}
    assert any(entry["capacity_m3s"] > 0 for entry in dry.sections["lines"])
    assert not {"over-capacity", "grate-too-small"} & {f.rule for f in dry.findings}


def test_more_rain_never_means_fewer_failures_of_capacity(lot, runs):
    """Ten times the water fails wherever the first did."""

    def over(factor):
        wet = check_drains(lot, [rained_on(lot, run, factor=factor) for run in runs])
        return {f.subject for f in wet[0].findings if f.rule == "over-capacity"}

    assert over(1.0) <= over(10.0)
    assert over(10.0)


def test_every_finding_has_a_place_and_a_source(chapter):
    """Coordinates wherever it is about one thing; a source always."""
    for finding in worded(chapter.findings):
        assert finding.source
        assert message(finding).endswith(".")
        assert finding.x is not None or finding.rule == "several-systems"


def test_lot_without_drains_gives_an_empty_chapter(lot):
    """No lines, no inlets: empty layers of the right columns."""
    nothing = redrawn(
        lot, inlets=lot.site.inlets.iloc[:0], drain_lines=lot.site.drain_lines.iloc[:0],
        outlets=lot.site.outlets.iloc[:0],
    )  # fmt: skip
    empty = checked(nothing)
    assert all(table.empty for table in empty.layers.values())
    assert not empty.findings


def test_sound_line_on_open_lawn_is_connected_by_place_alone(lot):
    """Without names and levels: its inverts are proposed and it is found sound or doubtful."""
    result = checked(with_line(lot, from_node=None, to_node=None, status="proposed"))
    line = result.layers["drain_lines"].iloc[0]
    assert (line["from_node"], line["to_node"], line["outlet"]) == ("In", "Out", "Out")
    assert line["invert_up_basis"] == "proposed"
    assert not [one for one in result.findings if one.severity == "fail"]


def test_old_line_that_nobody_measured_has_empty_levels_and_no_capacity(lot):
    """Columns of its levels say so; its outlet's level is not known either."""
    result = checked(with_line(lot, outlet={"kind": "not found"}))
    line = result.layers["drain_lines"].iloc[0]
    assert (line["invert_up_basis"], line["invert_down_basis"]) == ("unknown", "unknown")
    assert line[["invert_up_m", "invert_down_m", "capacity_m3s", "slope_m_per_m"]].isna().all()
    nodes = result.layers["nodes"].set_index("name")
    assert nodes["level_source"].to_dict() == {"In": "from ground", "Out": "unknown"}
    assert np.isnan(nodes.loc["Out", "level_m"])
    assert {one.rule for one in result.findings} >= {"outlet-not-found", "levels-unknown"}


def test_level_of_an_outlet_and_where_it_comes_from_are_columns(lot):
    """Given, of its line, or the ground."""
    for outlet, line, source in (
        ({"invert_m": 30.4}, {}, "given"),
        ({}, {"invert_down_m": 30.5}, "from line"),
        ({}, {"invert_up_m": 31.0}, "from ground"),
        ({"kind": "dry well"}, {"status": "proposed"}, "proposed"),
    ):
        nodes = checked(with_line(lot, outlet=outlet, **line)).layers["nodes"].set_index("name")
        assert nodes.loc["Out", "level_source"] == source
        assert np.isfinite(nodes.loc["Out", "level_m"])


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ({"to_node": "Uot"}, "Did you mean 'Out'"),
        ({"size_m": 0.11, "diameter_m": np.nan, "status": "proposed", "material": "hdpe smooth"},
         "not a nominal size"),
        ({"to_node": "In"}, "starts and ends at In"),
    ],
)  # fmt: skip
def test_what_has_no_honest_answer_is_refused_with_its_layer(lot, line, said):
    """Unknown node, size not on sale for a new line, no other end."""
    with pytest.raises(InputError, match=said) as error:
        checked(with_line(lot, **line))
    assert all(fault.layer == "drain_lines" for fault in error.value.faults)


def test_size_not_in_the_table_of_an_existing_line_is_a_finding(lot):
    """Old pipes come in odd sizes: it counts as inside diameter."""
    found = checked(with_line(lot, size_m=0.14, diameter_m=np.nan))
    assert [f.measured for f in found.findings if f.rule == "size-not-in-table"] == [0.14]
    assert found.layers["drain_lines"]["diameter_m"].tolist() == [0.14]


def test_line_to_an_outlet_that_is_not_drawn_is_a_loose_end(lot):
    """No name and nothing near its end."""
    bare = with_line(lot, to_node=None)
    bare = redrawn(bare, outlets=bare.site.outlets.iloc[:0])
    found = {f.rule: f for f in checked(bare).findings}
    assert found["loose-end"].severity == "fail"
    assert found["loose-end"].x is not None


def test_material_that_is_not_given_is_assumed_aloud(lot):
    """The roughest of those laid round houses, with its source."""
    found = {f.rule: f for f in checked(with_line(lot, material=None)).findings}
    assert found["pipe-material-assumed"].facts == {"material": "hdpe corrugated"}


def test_what_leaves_an_inlet_limits_what_it_takes(lot, runs):
    """What its line takes at most in the design storm; without rain there is none to tell."""
    assert inlet_capacities(check_drains(lot, runs)[0]) == {}
    checked = check_drains(lot, [rained_on(lot, runs[-1])])[0]
    capacities = inlet_capacities(checked)
    assert set(capacities) == {inlet.name for inlet in checked.inlets}
    for name, row in checked.intakes.of_storm(checked.design).items():
        assert capacities[name] >= row.taken_m3s - 1e-9


def rained(lot):
    """Of a lot with one line: 100 m2 of roof that enters it."""
    parts = RunoffParts(("In",), ("roof",), np.array([300.0]), np.array([100.0]),
                        np.full((1, 3), 90.0))  # fmt: skip
    run = CaseRun("proposed", replace(lot.inlets, placed=[]),
                  Storms(RAIN, np.array([2.0, 10.0, 100.0]), parts))  # fmt: skip
    return drain_chapter(lot, check_drains(lot, [run]))


def test_outlets_at_the_curb_tell_their_gutter(chapter):
    """Both curb outlets of the sample's lawn run into one gutter whose fall is the ground's."""
    table = chapter.layers["outlet_storms"].set_index(["name", "return_period_yr"])
    patio, lawn = table.loc[("Patio curb outlet", 10.0)], table.loc[("Lawn curb outlet", 10.0)]
    assert patio["gutter_flow_m3s"] == pytest.approx(lawn["gutter_flow_m3s"])
    assert patio["gutter_flow_m3s"] > patio["flow_m3s"] + lawn["flow_m3s"] - 1e-12
    assert 0.005 < patio["gutter_slope"] < 0.05
    assert patio["gutter_slope_basis"] == "elevation data"
    assert "gutter-spread" in {finding.rule for finding in chapter.findings}
    assert {row["name"] for row in chapter.sections["outlet_storms"]} >= {"Patio curb outlet"}


def test_a_gutter_as_given_counts_before_the_ground(lot):
    given = {"kind": "curb", "gutter_slope_pct": 0.5, "cross_slope_pct": 3.0, "curb_height_m": 0.1}
    row = rained(with_line(lot, outlet=given)).layers["outlet_storms"].iloc[-1]
    assert (row["gutter_slope"], row["gutter_slope_basis"]) == (0.005, "given")
    assert row["gutter_depth_m"] == pytest.approx(0.03 * row["gutter_spread_m"])


@pytest.mark.parametrize("soak_test", [None, 50.0])
def test_a_dry_well_soaks_away_by_the_soil_or_its_test(lot, soak_test):
    """Group C of the sample's job, 0.2 in/h (Minnesota Stormwater Manual), or the soak test."""
    general = lot.job.job.model_copy(update={"soil_group": "C", "soak_test_mm_h": soak_test})
    job = lot.job.model_copy(update={"job": general})
    well = {"kind": "dry well", "storage_m3": 5.0, "soaking_area_m2": 4.0}
    chapter = rained(with_line(replace(lot, job=job), outlet=well))
    row = chapter.layers["outlet_storms"].iloc[1]
    rate = (0.2 * 25.4 if soak_test is None else soak_test) / 3.6e6
    hours = np.geomspace(300, 86_400, 2000)
    exact = (90.0 * RAIN.depth(hours, 10.0) - 4.0 * rate * hours).max()
    assert row["storage_needed_m3"] == pytest.approx(exact, rel=1e-3)
    held = min(row["storage_needed_m3"], 5.0)  # it holds no more than its storage
    assert row["empties_h"] == pytest.approx(held / (4.0 * rate) / 3600)
    assert ("dry-well-small" in {f.rule for f in chapter.findings}) == (exact > 5.0)


def test_water_in_a_sewer_stands_in_its_line(lot):
    levels = {"invert_up_m": 30.7, "invert_down_m": 30.5}
    free = rained(with_line(lot, outlet={"kind": "storm sewer"}, **levels))
    held = rained(with_line(lot, outlet={"kind": "storm sewer", "water_level_m": 31.1}, **levels))
    low, high = (one.layers["line_storms"]["water_up_m"].iloc[1] for one in (free, held))
    assert high >= 31.1 > low
    assert "tailwater-not-given" in {finding.rule for finding in free.findings}
    assert "tailwater-not-given" not in {finding.rule for finding in held.findings}


def test_every_inlet_tells_what_it_takes_and_where_the_rest_goes(lot, runs, chapter):
    """Taken and passed add up; the way ends at another inlet of the case, or off the lot."""
    table = chapter.layers["inlet_bypass"]
    names = {inlet.drawn.name for inlet in lot.inlets.placed}
    main = table[table["scenario"] == "proposed"]
    assert set(main["name"]) == names
    assert set(main["return_period_yr"]) == {2.0, 10.0, 100.0}
    known = main[main["taken_m3s"].notna()]
    assert len(known)
    taken, stands, passed, arriving = (
        known[name].to_numpy() for name in ("taken_m3s", "stands_m3s", "passed_m3s", "arriving_m3s")
    )
    assert taken + stands + passed == pytest.approx(arriving)
    assert (main["runs_to"] != main["name"]).all()
    assert set(main["runs_to"]) <= names | {"off the lot", "stays on the ground"}
    assert (main["depth_m"] >= lot.job.criteria.grate_water_m).all()
    assert len(chapter.sections["inlet_bypass"]) == len(table)


def test_much_more_rain_passes_an_inlet_by(lot, runs):
    """A hundred times the sample's water: the lines are full, and it is found with its way."""
    flooded = drain_chapter(lot, check_drains(lot, [rained_on(lot, runs[-1], factor=100.0)]))
    found = [finding for finding in flooded.findings if finding.rule == "inlet-passed-by"]
    assert found
    ways = flooded.layers["inlet_bypass"].set_index(["name", "return_period_yr"])["runs_to"]
    for one in found:
        elsewhere = "off the lot" if one.facts["leaves_lot"] else "stays on the ground"
        assert ways[one.subject, 10.0] == (one.facts["runs_to"] or elsewhere)
        assert one.facts["passed_m3s"] > 0


def test_a_line_that_ends_in_a_channel_drain_is_in_its_water(lot):
    """8 m of level channel fed by 3 l/s of a pump through a line at its upper end."""
    x, y = lot.site.lot.geometry.iloc[0].centroid.coords[0]
    channel = shapely.LineString([(x - 8.0, y + 8.0), (x - 8.0, y)])
    start, end = (x - 8.0, y + 12.0), (x - 8.0, y - 6.0)

    def depth(flow):
        inlets = rows(
            lot, "inlets",
            {"name": "Pit", "geometry": shapely.Point(start), "inflow_m3s": flow},
            {"name": "Ch", "kind": "channel drain", "channel_depth_m": 0.15,
             "channel_width_m": 0.1, "geometry": channel},
        )  # fmt: skip
        pipe = {"material": "pvc", "diameter_m": 0.1}
        lines = rows(
            lot, "drain_lines",
            {"name": "A", "from_node": "Pit", "to_node": "Ch", **pipe,
             "geometry": shapely.LineString([start, channel.coords[0]])},
            {"name": "B", "from_node": "Ch", "to_node": "Out", **pipe,
             "geometry": shapely.LineString([channel.coords[-1], end])},
        )  # fmt: skip
        outlets = rows(lot, "outlets", {"name": "Out", "kind": "daylight",
                                        "geometry": shapely.Point(end)})  # fmt: skip
        site = {"inlets": inlets, "drain_lines": lines, "outlets": outlets,
                "downspouts": lot.site.downspouts.iloc[:0]}  # fmt: skip
        parts = RunoffParts(("Ch",), ("unpaved",), np.array([300.0]), np.array([10.0]),
                            np.full((1, 3), 10.0))  # fmt: skip
        run = CaseRun("proposed", replace(lot.inlets, placed=[]),
                      Storms(RAIN, np.array([2.0, 10.0, 100.0]), parts))  # fmt: skip
        (case,) = check_drains(redrawn(lot, **site), [run])
        facts = next(one for one in case.inlets if one.name == "Ch")
        assert facts.entries_at == (0.0,)
        assert facts.entering_m3s == pytest.approx((flow,))
        return case.channels[0].depth_m

    assert depth(0.003) > depth(0.0)


@pytest.mark.parametrize(("to", "line"), [("In", True), ("Out", False), ("L", True), ("m", True)])
def test_a_downspout_may_lead_to_an_inlet_a_node_an_outlet_or_a_line(lot, to, line):
    """300 m2 of roof enter the line, or pass it by and run out of the outlet; never nowhere."""
    one = with_line(lot)
    path = one.site.drain_lines.geometry.iloc[0]
    (x, y), end = path.coords[0], path.coords[-1]
    middle = ((x + end[0]) / 2, (y + end[1]) / 2)
    pipe = {"material": "pvc", "diameter_m": 0.1}
    lines = rows(
        lot, "drain_lines",
        {"name": "L", "from_node": "In", "to_node": "m", **pipe,
         "geometry": shapely.LineString([(x, y), middle])},
        {"name": "L2", "from_node": "m", "to_node": "Out", **pipe,
         "geometry": shapely.LineString([middle, end])},
    )  # fmt: skip
    spouts = rows(lot, "downspouts", {"name": "D", "leads_to": to, "geometry": shapely.Point(x, y)})
    led = redrawn(one, drain_lines=lines, downspouts=spouts)
    parts = RunoffParts((to,), ("roof",), np.array([300.0]), np.array([300.0]),
                        np.full((1, 3), 270.0))  # fmt: skip
    run = CaseRun("proposed", replace(lot.inlets, placed=[]),
                  Storms(RAIN, np.array([2.0, 10.0, 100.0]), parts))  # fmt: skip
    chapter = drain_chapter(led, check_drains(led, [run]))
    flows = chapter.layers["line_storms"]
    flows = flows[flows["return_period_yr"] == 10.0].set_index("name")["flow_m3s"]
    rain = 0.0176 / 300 * 270
    # a little less further down, by the time on the way
    assert flows["L2"] == pytest.approx(rain if line else 0.0, rel=0.01)
    assert flows["L"] == pytest.approx(rain if line and to != "m" else 0.0)
    outlets = chapter.layers["outlet_storms"].set_index("return_period_yr")["flow_m3s"]
    assert outlets[10.0] == pytest.approx(rain, rel=0.01)
    rules = {finding.rule for finding in chapter.findings}
    assert ("downspout-joins-line" in rules) is (to == "L")


@pytest.mark.parametrize(("away", "enters"), [(0.0, True), (2.0, False)])
def test_the_line_that_begins_at_a_downspout_takes_its_water(lot, away, enters):
    """The downspout is led to the outlet by name; the line to it begins at the downspout."""
    one = with_line(lot)
    drawn = lot.site.downspouts
    foot = drawn.geometry.iloc[0]
    begins = shapely.Point(foot.x + away, foot.y)
    lines = rows(lot, "drain_lines", {
        "name": "L", "from_node": None, "to_node": "Out", "material": "pvc", "diameter_m": 0.1,
        "geometry": shapely.LineString([begins, one.site.outlets.geometry.iloc[0]]),
    })  # fmt: skip
    spouts = drawn.iloc[:1].assign(leads_to="Out", status="existing")
    outlets = one.site.outlets.assign(name="Out")
    led = redrawn(one, drain_lines=lines, downspouts=spouts, outlets=outlets)
    roofs = case_roofs(led.site, led.window.surface, "proposed")
    assert [spout.node for spout in roofs.downspouts] == ["L" if enters else "Out"]


def test_an_outlet_to_which_only_a_downspout_leads_is_in_use(lot):
    one = with_line(lot)
    at = one.site.inlets.geometry.iloc[0]
    spouts = rows(lot, "downspouts", {"name": "D", "leads_to": "Out", "geometry": at})
    other = rows(lot, "outlets", {"name": "Out", "kind": "daylight",
                                  "geometry": one.site.outlets.geometry.iloc[0]},
                 {"name": "Far", "kind": "daylight",
                  "geometry": one.site.inlets.geometry.iloc[0]})  # fmt: skip
    lines = one.site.drain_lines.assign(to_node="Far")
    for downspouts, said in ((one.site.downspouts, True), (spouts, False)):
        found = checked(redrawn(one, outlets=other, drain_lines=lines, downspouts=downspouts))
        unused = {f.subject for f in found.findings if f.rule == "outlet-without-line"}
        assert ("Out" in unused) is said
