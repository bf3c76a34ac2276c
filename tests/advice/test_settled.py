"""What levels settled, from hand-made results before and after them."""

import geopandas as gpd
import pytest
import shapely

from lotflow.advice.differences import differences
from lotflow.advice.settled import Settled, levels_of
from lotflow.inputs.results import result_of
from lotflow.outputs.comparison import comparison_content, comparison_text

CRS = "EPSG:26917"


def layer(rows):
    shapes = [row["geometry"] for row in rows]
    return gpd.GeoDataFrame([{k: v for k, v in row.items() if k != "geometry"} for row in rows],
                            geometry=shapes, crs=CRS)  # fmt: skip


def spot(number, x, share, low=0.0, high=0.2):
    """A low spot that runs over 5 m south of its deepest point."""
    return {"id": number, "x": x, "y": 20.0, "spill_x": x, "spill_y": 15.0, "probability": share,
            "depth_m_p05": low, "depth_m_p95": high,
            "geometry": shapely.Point(x, 20).buffer(2)}  # fmt: skip


def opening(low, high):
    return {"name": "Door", "freeboard_low_m": low, "freeboard_high_m": high,
            "geometry": shapely.Point(2, 2)}  # fmt: skip


def result(*, spots, sill, slope, grade, shots=(), findings=()):
    layers = {
        "lot": layer([{"name": "A", "area_m2": 900.0, "geometry": shapely.box(0, 0, 30, 30)}]),
        "openings": layer([opening(*sill)]),
        "facades": layer([{"name": "North", "slope_low": slope[0], "slope_high": slope[1],
                           "slope_limit": 0.05,
                           "geometry": shapely.LineString([(3, 3), (9, 3)])}]),
    }  # fmt: skip
    if spots:
        layers["low_spots"] = layer(spots)
    if shots:
        layers["shots"] = layer(
            [
                {"name": name, "counts": counts, "level_m": level, "geometry": shapely.Point(*at)}
                for name, counts, at, level in shots
            ]
        )
    answer = [{"rank": 1, "theme": "low spot", "place": "Door", "grade": grade,
               "verdict": "A hollow.", "harm": "Water at the door."}]  # fmt: skip
    told = {"lot": {"name": "A"}, "answer": answer, "findings": list(findings)}
    return result_of(told, layers, label="r")


def before(**other):
    told = {"spots": [spot(1, 8.0, 0.5), spot(2, 16.0, 0.4), spot(3, 24.0, 0.3)],
            "sill": (-0.1, 0.3), "slope": (-0.05, 0.09), "grade": "level first"}  # fmt: skip
    return result(**(told | other))


#: One at the deepest point of low spot 1; both places of low spot 2, which is none by them; of 3
#: both that are one, and one of its level that does not count.
SHOTS = (
    ("P1", "yes", (8, 20), 30.0), ("P2", "yes", (16, 20.5), 30.1), ("P3", "yes", (16, 15), 30.1),
    ("P4", "yes", (24, 20), 30.0), ("P5", "yes", (24, 15), 30.1), ("P6", "no", (24, 15), 29.0),
)  # fmt: skip


def settled(first, second):
    table = differences(first, second).settled
    return {(row["place"], row["question"]): row["settled"] for _, row in table.iterrows()}


def test_each_question_is_sure_false_surer_or_open_by_its_own_figures():
    after = before(spots=[spot(1, 8.0, 0.97, 0.1, 0.2)], sill=(0.02, 0.06), slope=(-0.04, 0.04),
                   grade="shown", shots=SHOTS)  # fmt: skip
    assert settled(before(), after) == {
        ("low spot 1", "is it there?"): Settled.SURE,
        ("low spot 1", "depth when full"): Settled.SURER,
        ("low spot 2", "is it there?"): Settled.FALSE,  # gone, and by its own levels too
        ("low spot 3", "is it there?"): Settled.OPEN,  # gone, but not by its levels
        ("Door", "sill above the full low spot"): Settled.SURE,
        ("North", "fall away from the wall (5% needed)"): Settled.SURE,
        ("Door", "how sure is the answer (low spot)?"): Settled.SURE,
    }


@pytest.mark.parametrize(
    ("share", "sill", "there", "stands"),
    [(0.03, (-0.1, 0.3), Settled.FALSE, Settled.OPEN),
     (0.56, (-0.05, 0.2), Settled.SURER, Settled.SURER),
     (0.52, (-0.08, 0.3), Settled.OPEN, Settled.OPEN),
     (0.40, (-0.30, -0.02), Settled.LESS, Settled.SURE)],
)  # fmt: skip
def test_what_moved_little_is_as_open_as_before(share, sill, there, stands):
    found = settled(before(), before(spots=[spot(1, 8.0, share)], sill=sill, shots=SHOTS))
    assert found["low spot 1", "is it there?"] == there
    assert found["Door", "sill above the full low spot"] == stands


def test_without_further_levels_nothing_was_settled():
    with_levels = before(shots=SHOTS)
    assert levels_of(with_levels) == ["P1", "P2", "P3", "P4", "P5"]
    assert settled(before(), before(sill=(0.1, 0.2))) == {}
    assert settled(with_levels, before(sill=(0.1, 0.2), shots=SHOTS)) == {}


def test_a_level_that_was_left_out_settles_nothing():
    left_out = [
        {"rule": rule, "severity": "warn", "subject": names, "unit": "m"}
        for rule, names in (("shot-left-out", "P3"), ("ground-changed", "P4, P5"))
    ]
    after = before(spots=[], shots=SHOTS, findings=left_out)
    assert levels_of(after) == ["P1", "P2"]
    assert settled(before(), after)["low spot 2", "is it there?"] == Settled.OPEN


def test_a_comparison_names_the_levels_and_what_became_of_each_question():
    found = differences(before(), before(sill=(0.02, 0.06), shots=SHOTS))
    content = comparison_content(found)
    assert content["levels"] == ["P1", "P2", "P3", "P4", "P5"]
    assert content["settled"][0] == {
        "place": "Door", "question": "sill above the full low spot",
        "before_text": "-0.10 m to 0.30 m", "after_text": "0.02 m to 0.06 m", "settled": "sure",
    }  # fmt: skip
    assert "5 levels: P1, P2, P3, P4, P5" in comparison_text(found)
