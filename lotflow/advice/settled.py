"""
What levels taken on site settled: the questions of the result before them, and how sure each is.

A question is settled where its answer no longer hangs on the data: a low spot that is there on
nearly all surfaces that may be true or on nearly none, an interval that no longer holds the limit.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from lotflow.advice.grades import Grade
from lotflow.units import shown

if TYPE_CHECKING:
    from lotflow.advice.same_places import Place, Places
    from lotflow.inputs.results import StoredResult
    from lotflow.units import UnitSystem


class Settled(StrEnum):
    """What became of a question."""

    SURE = "sure"
    FALSE = "false"
    SURER = "surer"
    OPEN = "as open as before"
    LESS = "less sure"


COLUMNS: Final = ("place", "question", "before_text", "after_text", "settled")
#: Share of surfaces from which a low spot is sure to be there, and that up to which it is not.
_SURE: Final = 0.95
_FALSE: Final = 0.05
#: A share that moves by less is as it was; an interval must have lost a quarter of its width.
_STEP: Final = 0.05
_NARROWER: Final = 0.75
#: Levels so near are of the place itself [m]; what is no deeper holds no water [m].
_AT_M: Final = 1.0
_NO_DEPTH_M: Final = 0.01
#: Findings whose subjects are levels that were left out.
_LEFT_OUT: Final = ("shot-left-out", "ground-changed", "shot-not-placed", "shot-without-ground")
_GRADES: Final = {grade.value: rank for rank, grade in enumerate(Grade)}


def levels_of(result: StoredResult) -> list[str]:
    """
    Name the levels of a result that count and are believed.

    Parameters
    ----------
    result
        Any.
    """
    return [str(row["name"]) for row in _rows(_believed(result))]


def _believed(result: StoredResult) -> pd.DataFrame:
    """Rows of the levels that count, without those that a finding says were left out."""
    shots = result.layers.get("shots")
    if shots is None:
        return pd.DataFrame(columns=["name"])
    found = result.tables["findings"]
    left_out = set(", ".join(found.loc[found["rule"].isin(_LEFT_OUT), "subject"]).split(", "))
    believed: pd.DataFrame = shots[(shots["counts"] == "yes") & ~shots["name"].isin(left_out)]
    return believed


def what_levels_settled(before: StoredResult, after: StoredResult, places: Places) -> pd.DataFrame:
    """
    Say what became of the questions of a result by levels that a later one has.

    Parameters
    ----------
    before, after
        Of one lot; only `after` has the levels.
    places
        Of both.

    Returns
    -------
    settled
        One row per question that the earlier result left open, with `COLUMNS`: `settled` is a
        value of `Settled`. Empty where `after` has no other levels than `before`.
    """
    if not set(levels_of(after)) - set(levels_of(before)):
        return pd.DataFrame(columns=list(COLUMNS))
    units = after.units
    rows: list[dict[str, Any]] = []
    for place in places.found:
        was, now = (_row(one, place, side) for one, side in ((before, "before"), (after, "after")))
        if was is None:
            continue
        if place.kind == "low spot":
            rows += _low_spot(place, was, now, after, units)
        elif place.kind == "opening" and now is not None:
            rows += _interval(place, "sill above the full low spot", was, now,
                              ("freeboard_low_m", "freeboard_high_m"), 0.0, units)  # fmt: skip
        elif place.kind == "facade" and now is not None:
            limit = was["slope_limit"]
            question = f"fall away from the wall ({limit:.0%} needed)"
            rows += _interval(
                place, question, was, now, ("slope_low", "slope_high"), limit, None
            )  # fmt: skip
    rows += _grades(before, after, places)
    order = list(Settled)
    rows.sort(key=lambda row: order.index(row["settled"]))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _rows(frame: pd.DataFrame) -> list[dict[Any, Any]]:
    rows: list[dict[Any, Any]] = frame.to_dict("records")
    return rows


def _row(result: StoredResult, place: Place, side: str) -> dict[Any, Any] | None:
    """Row of a place in the layer of one result."""
    layer = {"low spot": "low_spots", "opening": "openings", "facade": "facades"}.get(place.kind)
    at = getattr(place, side)
    if layer is None or at is None or layer not in result.layers:
        return None
    return dict(result.layers[layer].iloc[at])


def _low_spot(
    place: Place, was: Mapping[Any, Any], now: Mapping[Any, Any] | None, after: StoredResult,
    units: UnitSystem,
) -> Iterator[dict[str, Any]]:  # fmt: skip
    """Whether a low spot is there, and how deep it is."""
    share = was["probability"]
    if _is_none(share):
        return
    if now is None:
        if share < _SURE:
            # on the likeliest ground it may drain where nobody levelled: that refutes nothing
            is_refuted = _is_refuted(was, after)
            yield _told(
                place.name, "is it there?", f"{share:.0%}",
                "its levels fall to where it ran over" if is_refuted else "it may drain elsewhere",
                Settled.FALSE if is_refuted else Settled.OPEN,
            )  # fmt: skip
        return
    later = now["probability"]
    if share < _SURE and not _is_none(later):
        verdict = (
            Settled.SURE if later >= _SURE else Settled.FALSE if later <= _FALSE
            else Settled.SURER if later >= share + _STEP
            else Settled.LESS if later <= share - _STEP else Settled.OPEN
        )  # fmt: skip
        yield _told(place.name, "is it there?", f"{share:.0%}", f"{later:.0%}", verdict)
    yield from _interval(place, "depth when full", was, now, ("depth_m_p05", "depth_m_p95"),
                         None, units)  # fmt: skip


def _is_refuted(low_spot: Mapping[Any, Any], after: StoredResult) -> bool:
    """Whether what was its deepest is, by levels, no lower than where it ran over."""
    shots, near = _believed(after), _AT_M / after.metres_per_unit
    levels = []
    for x, y in ((low_spot["x"], low_spot["y"]), (low_spot["spill_x"], low_spot["spill_y"])):
        apart = ((shots.geometry.x - x) ** 2 + (shots.geometry.y - y) ** 2) ** 0.5
        levels.append(float(shots.loc[apart <= near, "level_m"].mean()))
    deepest, over = levels
    return deepest >= over - _NO_DEPTH_M  # never where one of them was not levelled


def _interval(
    place: Place, question: str, was: Mapping[Any, Any], now: Mapping[Any, Any],
    columns: tuple[str, str], limit: float | None, units: UnitSystem | None,
) -> Iterator[dict[str, Any]]:  # fmt: skip
    """Whether an interval has left its limit, or has become narrower."""
    spans = [tuple(row[column] for column in columns) for row in (was, now)]
    if any(_is_none(bound) for span in spans for bound in span):
        return
    (low, high), (later_low, later_high) = spans
    held = limit is not None and low <= limit <= high
    width, later_width = high - low, later_high - later_low
    if limit is not None and held and not later_low <= limit <= later_high:
        verdict = Settled.SURE
    elif limit is not None and not held and later_low <= limit <= later_high:
        verdict = Settled.LESS
    elif later_width <= _NARROWER * width:
        verdict = Settled.SURER
    elif limit is not None and not held:
        return  # it was sure, and is
    else:
        verdict = Settled.OPEN
    before, after = (
        f"{100 * span[0]:.1f} to {100 * span[1]:.1f} %" if units is None
        else f"{shown(span[0], 'depth', units)} to {shown(span[1], 'depth', units)}"
        for span in spans
    )  # fmt: skip
    yield _told(place.name, question, before, after, verdict)


def _grades(before: StoredResult, after: StoredResult, places: Places) -> Iterator[dict[str, Any]]:
    """Which items of the answer have another grade."""
    none = pd.DataFrame(columns=["theme", "place", "grade"])
    held = [
        {(row["theme"], row["place"] if side else places.now(row["place"])): row["grade"]
         for row in _rows(one.tables.get("answer", none))}
        for side, one in enumerate((before, after))
    ]  # fmt: skip
    for (theme, place), was in held[0].items():
        now = held[1].get((theme, place))
        if now is None or now == was or not {was, now} <= set(_GRADES):
            continue
        better = _GRADES[now] < _GRADES[was]
        verdict = Settled.LESS if not better else (
            Settled.SURE if now == Grade.SHOWN else Settled.SURER
        )  # fmt: skip
        yield _told(place, f"how sure is the answer ({theme})?", was, now, verdict)


def _told(
    place: str, question: str, before_text: str, after_text: str, settled: Settled
) -> dict[str, Any]:
    return {
        "place": place, "question": question, "before_text": before_text,
        "after_text": after_text, "settled": settled,
    }  # fmt: skip


def _is_none(value: Any) -> bool:
    return value is None or (isinstance(value, float) and math.isnan(value))
