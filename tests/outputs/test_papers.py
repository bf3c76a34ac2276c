"""The papers for the owner: all of an item, prices only where given, upkeep of what is there."""

import pandas as pd
import pytest

from lotflow.advice.upkeep import upkeep
from lotflow.findings import Finding
from lotflow.outputs.papers import quote_text, upkeep_text
from lotflow.outputs.summary import summary_content
from lotflow.outputs.summary_text import WIDTH

ITEM = {
    "rank": 1, "theme": "walls", "harm": "The ground falls 6.4 % towards the wall.",
    "causes": [{"evidence": "72 % from the neighbour: 312 m² over the lot line at crossing 4"}],
    "evidence": "House, north side: 6.4 % towards it.", "source": "IRC R401.3",
    "grade_means": "likely: take these levels first",
    "steps": ["Lead DS1 away.", "Grade the soil."],
    "mends": ["roof water let out at the wall: DS1"],
    "takes": "About 5 m³ of fill.", "check": "Level the ground.", "risk": "Soil moved since.",
    "left": "", "findings": [],
}  # fmt: skip
PIPE = {"item": "pipe pvc 4 in", "quantity": 3.0, "unit": "10 ft length", "price": None,
        "cost": None, "detail": ""}  # fmt: skip
LINE = {"name": "L1", "design_storm_yr": 10.0}


def content(*items, **sections):
    given = summary_content({}, balance={}, provenance={}, accuracy={}, sections=sections)
    return given | {"answer": list(items)}


def test_the_quote_tells_cause_evidence_options_in_order_quantities_and_what_stays_open():
    text = quote_text(content(ITEM, quantities=[PIPE], lines=[LINE]), made_from="dem.tif")
    assert max(map(len, text.splitlines())) <= WIDTH
    wanted = (
        "1  The ground falls 6.4 %", "72 % from the neighbour", "What shows it: House, north side",
        "a) Lead DS1 away.", "b) Grade the soil.", "It mends: roof water", "About 5 m³ of fill.",
        "Level the ground.", "Soil moved since.", "pipe pvc 4 in", "Price: ___",
        "10-year storm", "Groundwater", "Assumed", "dem.tif", "Not included", "septic",
        "Call before you dig",
    )  # fmt: skip
    places = [text.index(one) for one in wanted]
    assert places == sorted(places)


def test_prices_are_those_given_and_what_has_none_is_counted():
    given = PIPE | {"price": 18.5, "cost": 55.5}
    text = quote_text(content(ITEM, quantities=[given, PIPE | {"item": "spoil"}]), made_from="d")
    assert "18.50" in text
    assert "Sum of what has a price: 55.50; 1 without a price." in text
    assert "Price: ___" not in text


def test_where_nothing_is_wrong_nothing_is_offered():
    text = quote_text(content(ITEM | {"theme": "nothing else stands"}), made_from="dem.tif")
    assert "Nothing was found that needs work." in text
    assert "Lead DS1" not in text


def nodes(*rows):
    return pd.DataFrame(
        [dict(zip(("case", "name", "kind", "detail"), r, strict=True)) for r in rows]
    )


def test_upkeep_is_of_what_will_be_there_not_of_what_goes():
    layers = {
        "buildings": pd.DataFrame({"name": ["House"]}),
        "inlets": pd.DataFrame(
            {"name": ["CB1", "Strip"], "kind": ["catch basin", "channel drain"]}
        ),
        "nodes": nodes(
            ("proposed", "CB1", "inlet", "catch basin"), ("proposed", "Well", "outlet", "dry well"),
            ("today", "Old emitter", "outlet", "pop-up emitter"),
        ),
        "drain_lines": pd.DataFrame({
            "case": ["proposed", "proposed", "today"], "name": ["New", "Kept", "Gone"],
            "status": ["proposed", "existing", "replaced"],
        }),
    }  # fmt: skip
    duties = {duty.what: duty for duty in upkeep(layers)}
    assert duties["Grates"].subjects == ("CB1", "Strip")
    assert duties["Sumps of basins"].subjects == ("CB1",)
    assert duties["Old lines that stay"].subjects == ("Kept",)
    assert duties["Dry wells"].subjects == ("Well",)
    assert "Gone" not in duties["Drain lines"].subjects
    assert not {"Emitters", "Sump pumps", "French drains"} & set(duties)


@pytest.mark.parametrize(
    ("what", "source"),
    [("Gutters and downspouts", "Fairfax VA"), ("Sumps of basins", "Michigan DEQ BMP manual")],
)
def test_intervals_name_who_says_so(what, source):
    """The manuals named, as quoted by the practice notes; else "common practice"."""
    layers = {
        "buildings": pd.DataFrame({"name": ["House"]}),
        "inlets": pd.DataFrame({"name": ["CB1"], "kind": ["catch basin"]}),
    }
    duties = upkeep(layers)
    assert all(duty.source for duty in duties)
    (one,) = [duty for duty in duties if duty.what == what]
    assert source in one.source


def test_the_upkeep_sheet_has_a_blank_for_each_duty():
    layers = {"inlets": pd.DataFrame({"name": ["CB1"], "kind": ["area drain"]})}
    text = upkeep_text(upkeep(layers), "14 Alder Court")
    assert text.count("done on") == len(upkeep(layers)) == 1
    assert max(map(len, text.splitlines())) <= WIDTH


def finding(rule, subject, severity="warn"):
    return Finding(rule, severity, subject, "said", source="a source")


def test_the_quote_does_not_say_sized_where_an_item_says_that_drains_do_not_carry():
    """A price stands below it: by rules of findings, so that no wording can hide it."""
    told = {"rule": "dry-well-small", "subject": "Well", "scenario": ""}
    row = {"rule": "dry-well-small", "subject": "Well", "severity": "fail", "today": False,
           "message": "Too small."}  # fmt: skip
    bad = content(ITEM, ITEM | {"findings": [told]}, lines=[LINE], findings=[row])
    text = quote_text(bad, made_from="dem.tif")
    assert "Sized for" not in text
    assert "see item 2." in " ".join(text.split())
    # of a note, of today's drains, or of open catchments the size stays as it was found
    for change in ({"severity": "note"}, {"today": True}):
        good = content(ITEM | {"findings": [told]}, lines=[LINE], findings=[row | change])
        assert "Sized for" in quote_text(good, made_from="dem.tif")
    row = row | {"rule": "catchment-unsure"}
    told = told | {"rule": "catchment-unsure"}
    unsure = content(ITEM | {"findings": [told]}, lines=[LINE], findings=[row])
    assert "water comes is open: see item 1." in " ".join(quote_text(unsure, made_from="d").split())


def test_where_no_drain_is_drawn_the_quote_speaks_of_none():
    text = quote_text(content(ITEM), made_from="dem.tif")
    assert "Groundwater" in text
    assert not [one for one in ("sized", "design storm", "Grates", "Old pipes") if one in text]


def test_no_owner_is_sent_to_an_end_that_cannot_be_seen_or_to_an_empty_well_that_is_not():
    """A manhole of the street, an end under water, a well in tight soil: by facts, not by names."""
    layers = {
        "nodes": nodes(
            ("proposed", "Manhole", "outlet", "public inlet"),
            ("proposed", "Bank", "outlet", "daylight"), ("proposed", "Slope", "outlet", "daylight"),
            ("proposed", "Well", "outlet", "dry well"), ("proposed", "Pit", "outlet", "dry well"),
        ),
        "drain_lines": pd.DataFrame({
            "case": ["proposed"] * 2, "name": ["To bank", "To slope"], "from_node": ["A", "B"],
            "outlet": ["Bank", "Slope"], "status": ["proposed"] * 2,
        }),
    }  # fmt: skip
    found = [finding("outlet-under-water", "To bank"), finding("dry-well-slow", "Well", "fail")]
    duties = {duty.what: duty.subjects for duty in upkeep(layers, found)}
    assert duties["Open ends: curb, daylight, ditch"] == ("Slope",)
    assert duties["Ends nobody sees: public drains, and under water"] == ("Manhole", "Bank")
    assert duties["Dry wells"] == ("Pit",)
    assert duties["Dry wells that empty slowly"] == ("Well",)
