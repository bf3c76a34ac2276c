"""What is said of the levels to take first: where each is, and what it settles."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from lotflow.terrain.lower_places import compass_name

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.drains.first_levels import LevelPlace

#: Places by their kind; `{name}` is the thing.
_PLACES: Final = {
    "inlet": "grate of {name}", "rim": "rim of {name}", "outlet": "ground at {name}",
    "invert": "invert of {name}", "opening": "ground at {name}", "sill": "sill of {name}",
    "deepest point": "deepest point of {name}", "spill point": "spill point of {name}",
    "wall": "foot of {name}", "out from the wall": "out from {name}",
    "lower place": "{name}",
}  # fmt: skip

#: Kinds of places that drains bring, and how they are called while they are not there yet.
_BUILT: Final = ("inlet", "rim", "outlet", "invert")
_TO_COME: Final = "place of {name}"

#: Questions by what a level settles.
_QUESTIONS: Final = {
    "low spot": "Does {subject} hold water?",
    "wall": "Fall enough away from {subject}?",
    "outlet": "Fall enough from {subject} to its outlet?",
    "line": "Does line {subject} carry its flow?",
    "sill": "Is the sill of {subject} above the water beside it?",
}


def place_words(place: LevelPlace, *, to_come: bool = False) -> str:
    """
    Say where a level is taken; how far from that thing `LevelPlace.away_m` says.

    `to_come`: whether the thing by which it is called is not there yet, and has no grate.

    Examples
    --------
    >>> from lotflow.drains.first_levels import LevelPlace
    >>> place_words(LevelPlace("deepest point", "low spot 3", 0.0, 0.0, 7))
    'deepest point of low spot 3'
    >>> place_words(LevelPlace("open ground", "low spot 3", 0.0, 0.0, 7, away_m=3.048, east=-1.0,
    ...                        near="spill point"))
    'west of spill point of low spot 3'
    >>> place_words(LevelPlace("inlet", "Patio basin", 0.0, 0.0, 7), to_come=True)
    'place of Patio basin'
    """
    kind = str(place.near if place.kind == "open ground" else place.kind)
    words = _TO_COME if to_come and kind in _BUILT else _PLACES[kind]
    thing = words.format(name=place.name)
    if place.kind == "open ground":
        return f"{compass_name(place.east, place.north)} of {thing}"
    return thing


def question_words(row: Mapping[str, Any]) -> str:
    """
    Ask what a level settles.

    `row`: of the layer `levels_to_take`.

    Examples
    --------
    >>> question_words({"question": "low spot", "subject": "low spot 3"})
    'Does low spot 3 hold water?'
    """
    return _QUESTIONS[row["question"]].format(subject=row["subject"])


def levels_of_items(
    items: Sequence[Mapping[str, Any]], levels: Sequence[Mapping[str, Any]]
) -> dict[int, list[int]]:
    """
    Give each item of an answer the numbers of the levels that settle something of it.

    A level belongs to the first item of which a finding has the subject of its question.

    Examples
    --------
    >>> items = [{"rank": 1, "findings": [{"subject": "low spot 3"}]},
    ...          {"rank": 2, "findings": [{"subject": "low spot 3"}, {"subject": "C1"}]}]
    >>> levels = [{"rank": n, "subject": of} for n, of in ((1, "low spot 3"), (2, "C1"), (3, "D"))]
    >>> levels_of_items(items, levels)
    {1: [1], 2: [2]}
    """
    found: dict[int, list[int]] = {}
    for level in levels:
        for item in items:
            if any(one["subject"] == level["subject"] for one in item["findings"]):
                found.setdefault(item["rank"], []).append(level["rank"])
                break
    return found


def numbers_words(ranks: Sequence[int]) -> str:
    """
    Name levels by their numbers.

    Examples
    --------
    >>> numbers_words([1, 2, 5]), numbers_words([4])
    ('Levels 1, 2 and 5 of those to take first.', 'Level 4 of those to take first.')
    """
    *most, last = (str(rank) for rank in ranks)
    named = f"{', '.join(most)} and {last}" if most else last
    return f"Level{'s' * bool(most)} {named} of those to take first."
