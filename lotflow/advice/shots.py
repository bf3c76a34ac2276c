"""What is said of levels taken on site: what they are worth, and which are not believed."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding


#: Less is not said to have been moved [m].
_MOVED_M: Final = 0.005


def _shots_used(
    say: Say, _: Finding, *, used: int, of: int, own_datum: bool, offset_m: float
) -> str:
    if not used:
        return (
            f"None of the {of} levels given tells of the ground: it is that of the elevation data."
        )
    many = f"{used} of {of} levels" if used < of else f"{used} levels" if used > 1 else "1 level"
    bench = (
        " They are from a benchmark of their own: falls, depths and volumes need no more."
        if own_datum
        else ""
    )
    if own_datum and abs(offset_m) >= _MOVED_M:
        bench += (
            f" As the benchmark was given, they lie {say(abs(offset_m), 'depth')} "
            f"{_side(offset_m)} that ground in common: all levels from it are told so much "
            f"{'lower' if offset_m > 0 else 'higher'}, so that sills and inverts fit the ground."
        )
    return (
        f"{many} taken on site went into the ground. It is now the mean of the surfaces that "
        "agree with levels and elevation data: catchments, depths and falls are read off it. Far "
        f"from any level the elevation data alone speak.{bench}"
    )


def _shots_tied(say: Say, _: Finding, *, offset_m: float, deviation_m: float, levels: int) -> str:
    return (
        f"The benchmark lies {say(abs(offset_m), 'depth')} {'above' if offset_m > 0 else 'below'} "
        f"the height system of the elevation data, give or take {say(deviation_m, 'depth')} "
        f"(standard deviation), by {levels} levels on hard ground. More levels help little: "
        "neighbours share the error of the data. Falls do not depend on it."
    )


def _benchmark_tied(
    say: Say, _: Finding, *, elevation_m: float, deviation_m: float, levels: int
) -> str:
    return (
        f"Nobody gave the elevation of the benchmark: {levels} levels on hard ground put it at "
        f"{say(elevation_m, 'elevation')} in the height system of the elevation data, give or take "
        f"{say(deviation_m, 'depth')} (standard deviation). Give it in [levels] where it is known."
    )


def _shots_not_tied(_: Say, __: Finding, *, least: int) -> str:
    return (
        f"Fewer than {least} levels on hard ground tell how the benchmark lies in the height "
        "system of the elevation data. Falls, depths and volumes do not need it; heights above "
        "that system are as good as the elevation data. Level pavement, a gutter or a rim."
    )


def _shot_left_out(
    say: Say, finding: Finding, *, off_m: float, score: float, limit_score: float
) -> str:
    return (
        f"{finding.subject} lies {say(abs(off_m), 'depth')} {_side(off_m)} what the elevation data "
        f"and the other levels let expect, {score:.1f} times the deviation of that (up "
        f"to {limit_score:.1f} may be chance): a misread rod, or another place? It was left out. "
        "Level it again."
    )


def _ground_changed(say: Say, finding: Finding, *, off_m: float, shots: int) -> str:
    by = "fill" if off_m > 0 else "a cut"
    return (
        f"The {shots} levels {finding.subject} all lie about {say(abs(off_m), 'depth')} "
        f"{_side(off_m)} what the elevation data and the other levels let expect: has the ground "
        f"changed here since the survey, by {by}? They were left out, since how far it goes is not "
        "known. Draw it, or use newer data."
    )


def _line_not_in_data(say: Say, finding: Finding, *, off_m: float, shots: int, part: str) -> str:
    which = f"The {part} of {finding.subject}" if part else finding.subject
    return (
        f"{which} lies {say(abs(off_m), 'depth')} {_side(off_m)} what the elevation data let "
        f"expect, by all of its {shots} levels: made since the survey? It is set as it was "
        "levelled, and the ground beside it is that of the elevation data."
    )


def _side(off_m: float) -> str:
    return "above" if off_m > 0 else "below"


def _shot_not_placed(say: Say, finding: Finding, *, within_m: float, limit_m: float) -> str:
    return (
        f"The place of {finding.subject} is known within {say(within_m, 'length')}, as by a phone: "
        f"its level tells nothing of the ground there, and was left out. Tape it in to less than "
        f"{say(limit_m, 'length')}."
    )


def _shot_without_ground(_: Say, finding: Finding) -> str:
    return (
        f"At {finding.subject} there is no open ground: it lies off the data that were read, under "
        "a roof, or on a wall between two grounds. It was left out. Check its place."
    )


def _shot_compared(
    say: Say, finding: Finding, *, off_m: float, reach_m: float, is_held: bool, is_told: bool
) -> str:
    if not is_told:
        return (
            f"{finding.subject} was to be compared, but nothing ties its benchmark to the "
            "elevation data: use at least one other level from it."
        )
    lies = (
        f"{finding.subject} was only compared: it lies {say(abs(off_m), 'depth')} {_side(off_m)} "
        f"what was expected there, give or take {say(reach_m, 'depth')} in nine of ten cases"
    )
    if is_held:
        return f"{lies}. It bears the result out."
    return f"{lies}. That is more than it should be: look at it, and at the levels near it."


#: Of a fall as built.
_FALLS: Final = {
    "runs back": "it runs back. Lay it again",
    "too flat": "too flat. Lay it again",
    "cannot tell": "too flat by the levels, but by less than they may be off. Level its ends again",
}


def _as_built_fall(
    _: Say, __: Finding, *, measured_slope: float, expected_slope: float, least_slope: float,
    verdict: str, shots: str,
) -> str:  # fmt: skip
    planned = "" if math.isnan(expected_slope) else f", proposed {expected_slope:.1%}"
    return (
        f"As built it falls {measured_slope:.1%} between {shots}{planned}, {least_slope:.1%} "
        f"needed: {_FALLS[verdict]}."
    )


def _as_built_level(
    say: Say, _: Finding, *, off_m: float, tolerance_m: float, part: str, verdict: str
) -> str:
    told = (
        "Its falls are judged by themselves. See whether cover, grate and what meets it still fit."
        if verdict == "off"
        else "That is no more than the levels may be off: level it again."
    )
    return (
        f"As built its {part} lies {say(abs(off_m), 'depth')} {_side(off_m)} the proposal; "
        f"{say(tolerance_m, 'depth')} are allowed. {told}"
    )


SENTENCES: Final[dict[str, Sentence]] = {
    "shots-used": _shots_used,
    "shots-tied": _shots_tied,
    "shots-not-tied": _shots_not_tied,
    "as-built-fall": _as_built_fall,
    "as-built-level": _as_built_level,
    "benchmark-tied": _benchmark_tied,
    "shot-left-out": _shot_left_out,
    "ground-changed": _ground_changed,
    "line-not-in-data": _line_not_in_data,
    "shot-not-placed": _shot_not_placed,
    "shot-without-ground": _shot_without_ground,
    "shot-compared": _shot_compared,
}
