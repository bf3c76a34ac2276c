"""What is said of the ground, read aloud once."""

import pytest

from lotflow.advice.ground import SENTENCES
from lotflow.advice.sentences import message
from lotflow.findings import Finding

#: Rule, facts, and what is said where it is not known in which units a reader thinks.
SAID = [
    ("elevation-gap", {"share": 0.123},
     "12.3% of the lot has no elevation. Water that reaches such a gap is lost from sight there: "
     "measure the ground on site."),
    ("cut-by-edge", {"lot": True,
                     "beyond_m": {"north": 12.0, "east": 0.0, "south": 40.0, "west": 5.0}},
     "Water may come onto the lot from beyond the elevation data that was read, which ends 12 m "
     "(39 ft) north, 0 m (0 ft) east, 40 m (131 ft) south and 5 m (16 ft) west of the lot: the "
     "area that drains onto it is at least what is given."),
    ("cut-by-edge", {"lot": False,
                     "beyond_m": {"north": 12.0, "east": 0.0, "south": 40.0, "west": 5.0}},
     "Water may reach this inlet from beyond the elevation data that was read, which ends 12 m "
     "(39 ft) north, 0 m (0 ft) east, 40 m (131 ft) south and 5 m (16 ft) west of the lot: its "
     "catchment is at least what is given."),
    ("not-closed", {"lot": True},
     "The elevation data that were read end where the ground is about as low as on the lot: water"
     " that is held back beyond may stand on it where no low spot is given. Give elevation data "
     "that reach farther."),
    ("not-closed", {"lot": False},
     "The elevation data that were read end before this basin closes: water may rise higher here "
     "than is given, and reach more. Give elevation data that reach farther."),
    ("closed-basin", {"holds_lot": True, "basins": 2, "depth_m": 15.5, "area_m2": 72000.0,
                      "rain_m": 4.5},
     "By the elevation data the lot lies on the side of a closed basin, the deepest of 2, 15.5 m "
     "(50.9 ft) deep over 72,000 m² (775,002 ft²). It takes 4.5 m (14.8 ft) of rain over all that "
     "drains to it to fill it: no storm does. Its bottom is taken to take the water. A lake, a "
     "culvert, or soil that drains: which, and how high the water there stands, is not known. Ask "
     "for its highest level."),
    ("closed-basin", {"holds_lot": False, "basins": 1, "depth_m": 3.5, "area_m2": 100.0,
                      "rain_m": 0.8},
     "The elevation data hold a closed basin beyond the lot, 3.5 m (11.5 ft) deep over 100 m² "
     "(1,076 ft²). It takes 0.8 m (2.6 ft) of rain over all that drains to it to fill it: no storm "
     "does. Its bottom is taken to take the water that reaches it."),
    ("low-spot", {"depth_m": 0.15, "not_closed": False, "doubt": ""},
     "Water can stand 0.15 m (5.9 in) deep here. Look at it on site after rain."),
    ("low-spot", {"depth_m": 0.15, "not_closed": True, "doubt": "it may be a culvert"},
     "Water can stand at least 0.15 m (5.9 in) deep here, but: it may be a culvert."),
    ("inlet-moved", {"moved_m": 1.4},
     "Its catchment is that of the ground 1.4 m (4.6 ft) from where it is drawn, where the water "
     "runs. Mark that place on site."),
    ("grate-above-flow", {"above_m": 0.2},
     "Its rim stands 0.20 m (7.9 in) above the ground, higher than water rises there: water "
     "passes it by. The catchment given is what would reach a grate at ground level."),
    ("grate-not-at-low-point", {"depth_m": 0.05},
     "Water stays 0.05 m (2.0 in) deep beside it although it works: the grate is not the lowest "
     "point."),
    ("inlets-share-a-cell", {"other": "CB 1"},
     "It lies in the same cell of the elevation data as CB 1, which is given all the water. Take "
     "the two as one inlet, or use finer data."),
    ("inlet-better-place", {"taken_m2": 40.0, "there_m2": 400.0, "away_m": 2.0, "off_lot": False},
     "By the measured surface alone it takes 40 m² (431 ft²) where it is drawn, and 400 m² (4,306"
     " ft²) at the place marked, 2.0 m (6.6 ft) away: so near together the data cannot tell the "
     "two apart. Look which way the ground falls on site, and draw the inlet there if it is to "
     "take this."),
    ("inlet-better-place", {"taken_m2": 40.0, "there_m2": 400.0, "away_m": 2.0, "off_lot": True},
     "By the measured surface alone it takes 40 m² (431 ft²) where it is drawn, and 400 m² (4,306"
     " ft²) at the place marked, 2.0 m (6.6 ft) away: so near together the data cannot tell the "
     "two apart. Look which way the ground falls on site. That place lies beyond the lot line: "
     "draw no inlet there; look for a place on the lot that this water passes."),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "facts", "said"), SAID)
def test_each_sentence_says_its_facts(rule, facts, said):
    assert message(Finding(rule, "note", "CB 1", facts=facts)) == said


def test_every_sentence_of_the_room_is_read_here():
    assert {rule for rule, *_ in SAID} == set(SENTENCES)
