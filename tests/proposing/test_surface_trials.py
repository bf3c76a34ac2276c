"""Changes of the surface held against whole runs: what a run must not find, and who is to blame."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pandas as pd
import pytest

from lotflow.advice.harm import Harm, Kind
from lotflow.findings import Finding
from lotflow.layers.drawn import DrawnRow
from lotflow.proposing import surface_trials as step
from lotflow.proposing.surface import Change, SurfaceHarm, SurfaceOption

NONE = SurfaceHarm(*(0.0,) * 9)


def option(name, kind="fill", table="earthwork_areas"):
    row = DrawnRow(table, {"name": name}, None)
    change = Change(kind, name, f"place of {name}", 1.0, 2.0, (row,))
    return SurfaceOption(change, NONE, NONE, NONE, NONE)


def harm(kind, subject, x=0.0):
    return Harm(kind, subject, 1.0, 0.0, True, x=x, y=0.0)


class Runs:
    """Whole runs by the names of what is drawn: what each finds, and which limits are broken."""

    def __init__(self, finds=None, breaks=None):
        self.finds, self.breaks = finds or {}, breaks or {}
        self.number = 0

    def __call__(self, changes):
        self.number += 1
        names = [one.name for one in changes]
        return SimpleNamespace(
            findings=[one for name in names for one in self.finds.get(name, ())],
            rows=[one for name in names for one in self.breaks.get(name, ())],
            layers={},
        )  # fmt: skip


@pytest.fixture
def stepped(monkeypatch: pytest.MonkeyPatch):
    """Take options through the step, with runs that say what they are told to."""

    def take(options, runs, shares=None):
        monkeypatch.setattr(step, "surface_options", lambda lot, tell: (list(options), []))
        alone = shares or [(1.0, 0.0)] * len(options)
        monkeypatch.setattr(step, "shares_alone", lambda lot, changes, off: alone)
        monkeypatch.setattr(step, "rebuilt", lambda lot, options: (list(options), []))
        return step.surface_step(
            SimpleNamespace(unit=1.0), runs([]), [], runs, lambda study: study.rows, lambda _: None
        )  # fmt: skip

    return take


def names(found):
    return [one.change.name for one in found.options]


def test_what_a_run_must_not_find_takes_its_option_out_and_the_rest_is_run_again(stepped):
    blind = Finding("swale-ends-blind", "fail", "B", measured=0.05, limit=0.02, unit="m")
    asked = Finding("swale-onto-neighbour", "warn", "A")
    runs = Runs({"A": [asked], "B": [blind]})
    found = stepped([option("A", "swale"), option("B", "swale"), option("C")], runs)
    assert names(found) == ["A", "C"]
    (no,) = found.refused
    assert (no.place, no.remedy, no.measured, no.limit) == ("place of B", "swale", 0.05, 0.02)
    assert found.needs == {"A": ["swale-onto-neighbour"], "C": []}
    assert [one.subject for one in found.study.findings] == ["A"]  # of the run with what is left


def test_new_harm_takes_out_the_option_without_which_it_is_not_there(stepped):
    runs = Runs(breaks={"A": [harm(Kind.STAYS, "low spot 2", 50.0)]})
    found = stepped([option("A"), option("B"), option("C")], runs)
    assert names(found) == ["B", "C"]
    assert found.refused[0].place == "place of A"
    assert found.refused[0].source


def test_harm_of_two_together_takes_out_the_later_one(stepped):
    class Together(Runs):
        def __call__(self, changes):
            study = super().__call__(changes)
            if {"A", "B"} <= {one.name for one in changes}:
                study.rows.append(harm(Kind.FREEBOARD, "Door"))
            return study

    found = stepped([option("A"), option("B")], Together())
    assert names(found) == ["A"]


def test_harm_that_was_there_before_is_nobodys(stepped):
    class Before(Runs):
        def __call__(self, changes):
            study = super().__call__(changes)
            study.rows.append(harm(Kind.FALL, "House, east side"))
            return study

    runs = Before()
    found = stepped([option("A")], runs)
    assert names(found) == ["A"]
    assert runs.number == 2  # without, and with


def test_what_harms_as_often_as_it_helps_is_told_to_be_levelled_first(stepped):
    found = stepped([option("A"), option("B")], Runs(), shares=[(0.4, 0.5), (0.9, 0.1)])
    assert names(found) == ["B"]
    (no,) = found.refused
    assert (no.measured, no.limit) == (0.5, 0.4)


def test_a_change_is_priced_where_every_item_has_a_price():
    prices = {"earthwork cut": 40.0, "ground to seed": 2.0, "downspout extension": 9.0}
    row = {"name": "A", "kind": "swale", "cut_m3": 3.0, "fill_m3": 0.0, "area_m2": 20.0}
    study = SimpleNamespace(layers={"earthwork_lines": pd.DataFrame([row])})
    led = option("DS1, led off", "downspout", "downspouts")
    led = replace(led, change=replace(led.change, length_m=4.0))
    gutter = option("Gutter", "gutter", "downspouts")
    facts = {"gutter_m": 20.0, "downspouts": 2}
    gutter = replace(gutter, change=replace(gutter.change, length_m=3.0, facts=facts))
    options = [option("A", "swale", "earthwork_lines"), led, gutter]
    found = step.SurfaceStep(None, options, [], study)
    listed = step.quantities(found, "metric")
    told = {name: [(one.item, one.quantity, one.unit) for one in some]
            for name, some in listed.items()}  # fmt: skip
    assert told["Gutter"] == [("gutter", 20.0, "m"), ("downspout", 2.0, "pieces"),
                              ("downspout extension", 3.0, "m")]  # fmt: skip
    # no price of a gutter: no cost, and none that leaves it out
    assert step.costs(listed, prices) == {"A": 3.0 * 40 + 20.0 * 2, "DS1, led off": 36.0,
                                          "Gutter": None}  # fmt: skip
    feet = {one.item: one.quantity for one in step.quantities(found, "us")["Gutter"]}
    assert feet["gutter"] == 65.6
    assert step.costs(listed, {}) == {}
