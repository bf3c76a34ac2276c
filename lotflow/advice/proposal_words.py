"""What is said of a proposal: rows of harm, how sure an option is, whom to ask, what it needs."""

from __future__ import annotations

from typing import Any, Final

from lotflow.layers.columns import UNIT_SUFFIX
from lotflow.units import UnitSystem

#: Rows of harm of an option, by their name in `proposal.json`: words, and how they are shown.
_HARM: Final[dict[str, tuple[str, str]]] = {
    "openings_m": ("Openings: height lacking of {foot} above the water, together", "depth"),
    "wall_m": ("House wall that stands in water", "length"),
    "near_m2": ("Ground within {ten} of the house wet for over 24 h", "area"),
    "fall_m2": ("Fall that the ground at the walls lacks: length times height", "area"),
    "roof_m2": ("Roof whose water is let out at a wall", "area"),
    "paved_m2": ("Paving on which water stays", "area"),
    "lawn_m2": ("Lawn wet for over 48 h", "area"),
    "stands_m3": ("Water that stands on the lot", "volume"),
    "run_on_m3": ("Water that runs to the house from elsewhere", "volume"),
}
#: Limits in these words.
_FIGURES: Final[dict[UnitSystem, dict[str, str]]] = {
    "us": {"foot": "1 ft", "ten": "10 ft"}, "metric": {"foot": "0.3 m", "ten": "3 m"},
}  # fmt: skip
#: How a row that has no words yet is shown, by the unit at the end of its name.
_BY_UNIT: Final = {"m": "length", "m2": "area", "m3": "volume", "h": "duration", "mm": "rain_depth"}
#: How a measure of what is not offered is shown, by its unit.
_SHOWN: Final = {"m": "elevation", "m2": "area", "m^2": "area", "m3": "volume", "m^3": "volume",
                 "m3/s": "flow", "h": "duration", "1": "slope"}  # fmt: skip

#: What a verdict on an option means.
_VERDICTS: Final = {
    "here": "On surfaces that may be true the best place stays here.",
    "in this low spot": "The low spot is right; where in it is not sure. Level it before you dig.",
    "level first": "The elevation data cannot tell. Level first, then decide.",
    "holds": "It helps on at least four fifths of the surfaces that may be true.",
    "likely": "It helps on at least half of the surfaces that may be true.",
    "reachable": "By the data gravity reaches the end.",
}
_NOT_ASKED: Final = "Not asked on other surfaces that may be true."
#: Whom to ask for an end, by its kind.
_ASK: Final = {
    "street": "The owner of the street (city, county or association): may water go to the gutter, "
    "and who opens the curb?",
    "curb": "The owner of the street (city, county or association): may water go to the gutter, "
    "and who opens the curb?",
    "water": "Who looks after the water: may a pipe end there?",
    "public inlet": "The owner of the inlet: a permit to connect.",
    "storm sewer": "The owner of the storm sewer: a permit to connect.",
}
_ASK_ANYONE: Final = "Whoever owns the end: may water be led there?"


def harm_row(name: str, units: UnitSystem) -> tuple[str, str]:
    """
    Words for a row of harm, and the quantity as which it is shown.

    Parameters
    ----------
    name
        Of the row in `proposal.json`; one without words of its own is told by its name.
    units
        "us" or "metric".

    Examples
    --------
    >>> harm_row("near_m2", "metric")
    ('Ground within 3 m of the house wet for over 24 h', 'area')
    >>> harm_row("cellar_wet_m2", "us")
    ('Cellar wet', 'area')
    """
    if name in _HARM:
        words, quantity = _HARM[name]
        return words.format(**_FIGURES[units]), quantity
    unit = UNIT_SUFFIX.search(name)
    words = UNIT_SUFFIX.sub("", name).replace("_", " ")
    return f"{words[:1].upper()}{words[1:]}", _BY_UNIT.get(unit[1] if unit else "", "ratio")


def quantity_of(unit: str) -> str:
    """
    Tell as which quantity a measure is shown; empty for one that is a plain number.

    Examples
    --------
    >>> quantity_of("m^3"), quantity_of("limits")
    ('volume', '')
    """
    return _SHOWN.get(unit, "")


def verdict_words(verdict: str | None) -> str:
    """
    Say what a verdict means.

    Examples
    --------
    >>> verdict_words("here"), verdict_words("helps")
    ('On surfaces that may be true the best place stays here.', '')
    """
    return _NOT_ASKED if not verdict else _VERDICTS.get(verdict, "")


def ask_words(end: dict[str, Any] | None) -> str:
    """
    Say whom to ask for an end; empty where nobody is.

    Examples
    --------
    >>> ask_words({"kind": "storm sewer", "ask": True}), ask_words({"kind": "daylight"})
    ('The owner of the storm sewer: a permit to connect.', '')
    """
    if not end or not end.get("ask"):
        return ""
    return _ASK.get(str(end.get("kind")), _ASK_ANYONE)
