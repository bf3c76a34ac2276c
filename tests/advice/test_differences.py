"""What counts as a difference, what is beyond the error, and how the items are ordered."""

import geopandas as gpd
import pytest
import shapely

from lotflow.advice.compared_figures import DRAWN, HARM, TOPICS
from lotflow.advice.differences import COLUMNS, differences
from lotflow.errors import InputError
from lotflow.findings import RANKS
from lotflow.inputs.results import result_of


def result(*, spots=((5, 5, 2),), crs="EPSG:26917", rmse=0.1, units="metric", **tables):
    """A result with a lot, and low spots as circles: x, y and radius."""
    lot = gpd.GeoDataFrame({"name": ["A"], "area_m2": [900.0]}, geometry=[
        shapely.box(0, 0, 30, 30)], crs=crs)  # fmt: skip
    circles = gpd.GeoDataFrame({"id": range(1, len(spots) + 1)}, geometry=[
        shapely.Point(x, y).buffer(r) for x, y, r in spots], crs=crs)  # fmt: skip
    summary = {
        "lot": {"name": "A"}, "accuracy": {"rmse_m": rmse} if rmse else {},
        "provenance": {"job": {"job": {"units": units}}}, **tables,
    }  # fmt: skip
    return result_of(summary, {"lot": lot, "low_spots": circles}, label="r")


def pond(depth=0.2, **other):
    return {"return_period_yr": 10.0, "case": "open", "low_spot": 1, "depth_m": depth,
            "volume_m3": 1.0, "area_m2": 4.0, "level_m": 30.0, **other}  # fmt: skip


def spot(**figures):
    return {"low_spots": [{"id": 1, "depth_m": 0.2, "volume_m3": 1.0, **figures}]}


def finding(rule="low-spot", subject="low spot 1", severity="warn", **other):
    return {"rule": rule, "subject": subject, "severity": severity, "unit": "m", **other}


def test_a_difference_below_what_reports_show_is_none():
    assert len(differences(result(ponds=[pond(0.2)]), result(ponds=[pond(0.2099)])).table) == 0
    table = differences(result(ponds=[pond(0.2)]), result(ponds=[pond(0.21)])).table
    assert table["what"].tolist() == ["depth of standing water"]
    assert tuple(table.columns) == COLUMNS


@pytest.mark.parametrize(
    ("depth", "rmse", "beyond", "basis"),
    [
        (0.39, 0.1, False, "error of the elevation data"),  # 0.19 of 1.96 times 0.10
        (0.40, 0.1, True, "error of the elevation data"),
        (0.40, None, None, "not known"),
    ],
)
def test_a_depth_is_held_against_the_error_of_the_data(depth, rmse, beyond, basis):
    before, after = (result(ponds=[pond(d)], rmse=rmse) for d in (0.2, depth))
    row = differences(before, after).table.iloc[0]
    assert (row["beyond"], row["basis"]) == (beyond, basis)


@pytest.mark.parametrize(
    ("before", "after", "beyond"),
    [
        ((0.2, 0.1, 0.3), (0.4, 0.3, 0.5), True),
        ((0.2, 0.1, 0.45), (0.4, 0.3, 0.5), False),  # the later one lies in the earlier interval
        ((0.2, 0.1, 0.3), (0.4, None, None), True),
        ((0.2, None, None), (0.3, None, None), False),  # no interval: 0.1 of 0.196
    ],
)
def test_an_interval_decides_where_there_is_one(before, after, beyond):
    names = ("depth_m", "depth_m_p05", "depth_m_p95")
    pair = [result(**spot(**dict(zip(names, one, strict=True)))) for one in (before, after)]
    row = differences(*pair).table.iloc[0]
    assert row["what"] == "depth when full"
    assert row["beyond"] is beyond


def test_a_dry_low_spot_is_a_pond_of_no_depth_and_a_storm_of_one_result_is_left_out():
    rare = pond(0.5, return_period_yr=100.0)
    table = differences(
        result(ponds=[pond(), pond(low_spot=2)], spots=((5, 5, 2), (20, 20, 2))),
        result(ponds=[pond(), rare], spots=((5, 5, 2), (20, 20, 2))),
    ).table
    row = table[table["what"] == "depth of standing water"].iloc[0]
    assert (row["place"], row["before"], row["after"]) == ("low spot 2", 0.2, 0.0)
    assert set(table["return_period_yr"]) == {10.0}


def test_findings_and_items_follow_their_place_when_numbers_change():
    """What was low spot 1 is low spot 2 now: nothing about it differs."""
    item = {
        "rank": 1,
        "theme": "walls",
        "harm": "water at the wall",
        "verdict": "likely",
        "grade": "shown",
    }
    before = result(
        spots=((5, 5, 2), (20, 20, 3)), findings=[finding(subject="low spot 1")],
        answer=[{**item, "place": "low spot 1"}],
    )  # fmt: skip
    after = result(
        spots=((20, 20, 3), (5, 5, 2)), findings=[finding(subject="low spot 2")],
        answer=[{**item, "place": "low spot 2"}],
    )  # fmt: skip
    assert len(differences(before, after).table) == 0


def test_items_of_the_answer_are_new_gone_or_changed():
    def answered(*items):
        return result(answer=[
            {"rank": rank, "theme": harm, "place": "low spot 1", "verdict": verdict, "x": 1, "y": 2}
            for rank, (harm, verdict) in enumerate(items, start=1)
        ])  # fmt: skip

    table = differences(
        answered(("pond", "regrade"), ("wall", "wait")), answered(("pond", "drain"), ("roof", "a"))
    ).table
    told = set(zip(table["what"], table["change"], strict=True))
    assert told == {("pond", "changed"), ("wall", "gone"), ("roof", "new")}
    assert set(table["topic"]) == {HARM}
    assert table["what"].tolist()[0] == "pond"
    assert table.iloc[0][["before_text", "after_text"]].tolist() == ["regrade", "drain"]


def test_a_finding_is_changed_by_its_weight_or_by_what_was_measured():
    def table(**changed):
        pair = [result(findings=[finding(**one)]) for one in ({"measured": 0.2}, changed)]
        return differences(*pair).table

    assert len(table(measured=0.205)) == 0
    assert table(measured=0.25)["change"].tolist() == ["changed"]
    assert table(measured=0.2, severity="fail")["after_text"].tolist() == ["fail, 0.20 m"]
    assert set(table(measured=0.2, subject="elsewhere")["change"]) == {"new", "gone"}


def test_the_order_is_that_of_the_ranks_openings_first():
    assert TOPICS[:3] == (HARM, *list(RANKS)[:2])
    assert TOPICS[-1] == DRAWN
    rules = ["too-fast", "opening-below-ground", "setback", "pond-at-wall", "over-capacity"]
    after = result(findings=[finding(rule, severity="fail") for rule in rules], ponds=[pond()])
    table = differences(result(ponds=[pond(0.6)]), after).table
    places = [TOPICS.index(topic) for topic in table.loc[table["leads"], "topic"]]
    assert places == sorted(places)
    assert table["what"].tolist()[0] == "opening below ground"


def test_one_figure_in_several_storms_is_one_group_led_by_the_rarest_with_inlets_open():
    def ponds(depth):
        return [pond(depth, return_period_yr=storm, case=case)
                for storm in (2.0, 100.0) for case in ("blocked:all", "open")]  # fmt: skip

    table = differences(result(ponds=ponds(0.2)), result(ponds=ponds(0.3))).table
    assert table["group"].nunique() == 1
    lead = table[table["leads"]].iloc[0]
    assert lead["scenario"] == "100-year storm, every inlet open"
    assert len(table) == 4


def test_options_that_differ_are_told_and_names_and_units_are_not():
    def made(**criteria):
        job = {"job": {"name": criteria.pop("name", "A")}, "criteria": criteria}
        return result(provenance={"job": job, "rainfall": {"sha256": str(criteria)}})

    table = differences(made(cover_m=0.3, name="A"), made(cover_m=0.5, name="B")).table
    assert set(table["place"]) == {"criteria.cover_m", "rainfall data"}
    row = table[table["place"] == "criteria.cover_m"].iloc[0]
    assert (row["before_text"], row["after_text"], row["topic"]) == ("0.3", "0.5", DRAWN)


def test_two_crs_are_refused():
    with pytest.raises(InputError, match="in different CRSs: NAD83 / UTM zone 17N and NAD83 / UTM"):
        differences(result(), result(crs="EPSG:26918"))


def test_text_is_in_the_units_of_the_later_result():
    pair = (result(ponds=[pond(0.2)]), result(ponds=[pond(0.3)], units="us"))
    assert differences(*pair).table.iloc[0]["before_text"] == "7.9 in"


def test_a_storm_in_which_nothing_stands_any_more_is_told_by_its_case():
    case = {"pond_cases": [{"return_period_yr": 10.0, "case": "open"}]}
    table = differences(result(ponds=[pond()], **case), result(**case)).table
    assert table.loc[table["what"] == "depth of standing water", "after"].tolist() == [0.0]
    level = table[table["what"] == "level of the water"].iloc[0]
    assert (level["before_text"], level["after_text"]) == ("30.00 m", "-")
