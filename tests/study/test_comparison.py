"""Two results side by side: each change of the sample shows, and nothing else does."""

import shutil
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

import lotflow
from lotflow.advice.compared_figures import DRAWN
from lotflow.errors import InputError

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"


def edited(folder, **changes):
    """Copy the sample and change some of its layers."""
    shutil.copytree(SAMPLE, folder)
    for layer, change in changes.items():
        frame = change(gpd.read_file(folder / "site.gpkg", layer=layer))
        frame.to_file(folder / "site.gpkg", layer=layer, driver="GPKG")
    return lotflow.run(folder, realisations=0)


@pytest.fixture(scope="module")
def base():
    return lotflow.run(SAMPLE, realisations=0)


def drawn(table):
    """What was drawn or given differently: place, change and what."""
    return {
        (row.place, row.change, row.what)
        for row in table[(table["topic"] == DRAWN) & table["leads"]].itertuples()
    }


def values(table, place, what):
    """Before and after of a figure, in its rarest storm."""
    rows = table[(table["place"] == place) & (table["what"] == what)]
    return rows.iloc[0][["before", "after"]].tolist()


def test_a_result_with_itself_has_no_difference(base):
    comparison = lotflow.compare(base, base)
    assert len(comparison.table) == 0
    assert comparison.text.endswith("No difference.")


def test_a_moved_inlet_shows_and_what_hangs_on_it(base, tmp_path):
    def moved(frame):
        row = frame.index[frame["name"] == "Lawn drain"][0]
        frame.loc[row, "geometry"] = shapely.affinity.translate(frame.geometry[row], -2, 1.5)
        return frame

    table = lotflow.compare(base, edited(tmp_path / "job", inlets=moved)).table
    assert drawn(table) == {("Lawn drain", "moved", "moved")}
    row = table[table["change"] == "moved"].iloc[0]
    assert row["difference"] == pytest.approx(2.5)  # 3-4-5, halved
    assert row["x_after"] - row["x_before"] == pytest.approx(-2.0)
    # its own line, outlet and low spot, and nothing of the other two inlets
    assert set(table["place"]) <= {
        "Lawn drain", "Lawn line", "Lawn street line", "Lawn cleanout", "Lawn curb outlet",
        "low spot 1", "the lot",
    }  # fmt: skip
    assert "low spot 1" in set(table["place"])


def test_a_removed_downspout_shows_where_its_roof_sheds(base, tmp_path):
    result = edited(tmp_path / "job", downspouts=lambda frame: frame[frame["name"] != "DS2"])
    table = lotflow.compare(base, result).table
    assert drawn(table) == {("DS2", "gone", "downspout, gone")}
    assert values(table, "Patio basin", "roofs led to it") == [34.0, 0.0]
    assert values(table, "downspout connection (each)", "quantity") == [4.0, 3.0]
    assert not {"Garage channel", "Lawn drain", "low spot 3"} & set(table["place"])


def test_a_doubled_pipe_shows_and_no_water_on_the_ground_changes(base, tmp_path):
    def doubled(frame):
        frame.loc[frame["name"] == "Lawn street line", "size_mm"] *= 2
        return frame

    table = lotflow.compare(base, edited(tmp_path / "job", drain_lines=doubled)).table
    assert drawn(table) == {("Lawn street line", "changed", "inside diameter")}
    bore = values(table, "Lawn street line", "inside diameter")
    before, after = values(table, "Lawn street line", "can carry")
    # Chow (1959), chapter 5: by Manning, a full pipe carries as the power 8/3 of its diameter
    assert after / before == pytest.approx((bore[1] / bore[0]) ** (8 / 3), rel=1e-6)
    carries = table[table["what"] == "can carry"].iloc[0]
    assert carries["beyond"] is True
    # the answer may say something else of that line
    assert set(table["kind"]) <= {
        "finding", "drain_lines", "nodes", "quantities", "lines", "harm",
    }  # fmt: skip
    assert {"Lawn street line", "Lawn cleanout"} == {
        place for place in table["place"] if place.startswith("Lawn")
    }


def test_a_redrawn_job_keeps_its_places(base, tmp_path):
    """Rows in another order and a name of its own for an inlet: only the name differs."""
    old, new = "Lawn drain", "Grate under the oak"
    result = edited(
        tmp_path / "job",
        inlets=lambda frame: frame.iloc[::-1].replace({"name": {old: new}}),
        drain_lines=lambda frame: frame.iloc[::-1].replace({"from": {old: new}, "to": {old: new}}),
        downspouts=lambda frame: frame.iloc[::-1].replace({"to": {old: new}}),
    )
    table = lotflow.compare(base, result).table
    assert set(zip(table["place"], table["place_before"], table["change"], strict=True)) == {
        (new, old, "renamed")
    }


def test_one_result_is_split_into_today_and_proposed(base):
    comparison = lotflow.compare(base)
    table = comparison.table
    assert {"Old front line", "Old emitter"} <= set(table.loc[table["change"] == "gone", "place"])
    assert {"Garage line", "Garage channel"} <= set(table.loc[table["change"] == "new", "place"])
    # of the ground there is one result only
    assert not set(table["kind"]) & {"ponds", "low_spots", "facades", "lot_line_crossings"}
    fall = table[(table["what"] == "adverse fall") & table["leads"]].iloc[0]
    assert (fall["change"], fall["place"], fall["topic"]) == (
        "gone", "Old front line", "drains that fail",
    )  # fmt: skip
    assert "today (before) and proposed (after)" in comparison.text


def test_openings_come_first_and_what_was_drawn_last(base, tmp_path):
    def lower(frame):
        frame["sill_m"] = frame["sill_m"] - 0.3
        return frame

    table = lotflow.compare(base, edited(tmp_path / "job", openings=lower)).table
    assert table[table["kind"] != "harm"].iloc[0]["topic"] == "water into the house"
    assert table.iloc[-1]["topic"] == DRAWN
    sills = table[table["what"] == "sill"]
    assert sills["difference"].round(6).unique().tolist() == [-0.3]
    # 0.3 m is more than 1.96 times the standard error of 0.10 m
    freeboard = table[table["what"] == "sill above the full low spot"]
    assert len(freeboard)
    assert freeboard["beyond"].tolist() == [True] * len(freeboard)


def test_results_of_two_lots_are_refused(base, tmp_path):
    def elsewhere(frame):
        return frame.assign(geometry=frame.translate(15, 0))

    other = edited(tmp_path / "job", lot=elsewhere)
    with pytest.raises(InputError, match="it is of another lot than result: of both"):
        lotflow.compare(base, other)


def test_a_result_with_one_state_of_the_drains_needs_a_second():
    sample = lotflow.screen(SAMPLE / "dem.tif", SAMPLE / "site.gpkg", realisations=0)
    with pytest.raises(InputError, match="no drains both as they are today and as proposed"):
        lotflow.compare(sample)
