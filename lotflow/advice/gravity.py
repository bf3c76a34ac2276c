"""What is said of lower ground: whether gravity leads water to it, and what else may be done."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from lotflow.terrain.lower_places import BEYOND_THE_LOT

if TYPE_CHECKING:
    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding


def _pipe(say: Say, cover_m: float, least_fall: float) -> str:
    return f"a pipe with {say(cover_m, 'depth')} of cover and a fall of {least_fall:.2%}"


def _named(place: str, kind: str) -> str:
    what = "ground beyond the lot" if kind == BEYOND_THE_LOT else f"the {kind}"
    return f"{what} ({place})"


def _searched(say: Say, *, street_drawn: bool, searched_beyond_m: float) -> str:
    """What was searched, and how far."""
    if street_drawn:
        return "Searched: the lot line, the drawn streets, water and outlets."
    reach = say(searched_beyond_m, "distance")
    beyond = f", the ground up to {reach} beyond it" if searched_beyond_m else ""
    return f"Searched: the lot line{beyond}, drawn water and outlets; no street is drawn."


def _no_gravity_outlet(
    say: Say, _: Finding, *, cover_m: float, least_fall: float, street_drawn: bool,
    searched_beyond_m: float, place: str = "", kind: str = "", lacks_m: float = 0.0,
    run_m: float = 0.0, doubt_m: float = 0.0, within_doubt: bool = False,
    ground_falls: bool = False,
) -> str:  # fmt: skip
    short = (
        f": the best place, {_named(place, kind)}, is {say(lacks_m, 'depth')} short of fall "
        f"over {say(run_m, 'length')}, known to about ±{say(doubt_m, 'depth')}"
        if kind else ""
    )  # fmt: skip
    if within_doubt:
        remedy = "The elevation data may hide one: take both levels on site."
    elif ground_falls:
        remedy = "Less cover, a swale or regrading may still reach it; else soak away or pump."
    else:
        remedy = "Keep water off it, let it soak away where the soil allows, or pump."
    searched = _searched(say, street_drawn=street_drawn, searched_beyond_m=searched_beyond_m)
    return (
        f"No gravity outlet was found for {_pipe(say, cover_m, least_fall)}{short}. {remedy} "
        f"{searched}"
    )


def _outlet_fall_uncertain(
    say: Say, _: Finding, *, cover_m: float, least_fall: float, street_drawn: bool,
    searched_beyond_m: float, place: str, kind: str, left_m: float, doubt_m: float,
    off_lot_m: float,
) -> str:  # fmt: skip
    named = _named(place, kind)
    over = f" {say(off_lot_m, 'length')} of the way lie beyond the lot line." if off_lot_m else ""
    searched = _searched(say, street_drawn=street_drawn, searched_beyond_m=searched_beyond_m)
    return (
        f"{named[0].upper()}{named[1:]} leaves {say(left_m, 'depth')} to spare for "
        f"{_pipe(say, cover_m, least_fall)}, known to about ±{say(doubt_m, 'depth')}: the "
        "elevation data cannot tell whether gravity reaches it. Take both levels on site."
        f"{over} {searched}"
    )


def _outlet_only_beyond_lot(
    say: Say, _: Finding, *, place: str, off_lot_m: float, street_drawn: bool,
    searched_beyond_m: float,
) -> str:  # fmt: skip
    searched = _searched(say, street_drawn=street_drawn, searched_beyond_m=searched_beyond_m)
    return (
        f"By the levels a pipe reaches lower ground only off the lot: {place}, "
        f"{say(off_lot_m, 'length')} of the way beyond the lot line. Is that public: a street, an "
        f"alley, a ditch? Draw it; on a neighbour's ground it is no outlet. {searched}"
    )


SENTENCES: Final[dict[str, Sentence]] = {
    "no-gravity-outlet": _no_gravity_outlet,
    "outlet-fall-uncertain": _outlet_fall_uncertain,
    "outlet-only-beyond-lot": _outlet_only_beyond_lot,
}
