"""The papers for the owner, in plain words: what is offered and why, and what is to be kept up."""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.summary_text import CAUTIONS, WIDTH, wrapped

if TYPE_CHECKING:
    from lotflow.advice.upkeep import Duty

_QUANTITIES: Final = RESULT_LAYERS["quantities"]
#: Theme of the item that says that nothing else is wrong: nothing is offered for it.
_NOTHING_ELSE: Final = "nothing else stands"

#: What no drain of this kind does; common practice, no published source.
_NOT_DONE_BY_DRAINS: Final = (
    "Rain rarer than that of the design storm: what is too much then stands, or runs over the "
    "ground.",
    "Grates that are not kept clear: a blocked inlet takes nothing.",
)
_NOT_DONE: Final = (
    "Groundwater, springs, leaks of supply or irrigation, and water that comes through walls or "
    "floors.",
    "Sewage: a floor drain that backs up is another trade's work.",
)
#: After the terms that contractors print; common practice, no published source.
_ASSUMED: Final = (
    "Levels off the elevation data are confirmed on site before anything is ordered.",
    "Soil that can be dug: no rock, no buried rubble, no groundwater in the trench.",
)
_ASSUMED_OF_PIPES: Final = (
    "Old pipes that stay are taken to be sound between the ends that were looked at.",
)
#: Rules of findings that say that drains do not carry, let out or take what comes in the design
#: storm.
_NOT_CARRIED: Final = frozenset({
    "over-capacity", "no-gravity-outlet", "outlet-under-water", "outlet-not-found", "loose-end",
    "dry-well-small", "dry-well-slow", "water-above-grate", "water-above-ground", "inlet-passed",
    "inlet-passed-by", "adverse-fall", "flat-line", "grate-too-small", "emitter-above-grate",
    "channel-ground-not-level",
})  # fmt: skip
#: Rules that say that what an inlet takes is open.
_OPEN_CATCHMENT: Final = frozenset({
    "catchment-unsure", "catchment-hangs-on-detail", "capacity-within-doubt", "cut-by-edge",
    "inlet-better-place",
})  # fmt: skip
_EXCLUDED: Final = (
    "Private lines nobody marked: irrigation, lighting, pool, gas, pet fence; septic tanks and "
    "fields that are not known.",
    "Permits, curb or street openings, and the neighbour's consent, unless listed.",
    "Settling of backfill, and putting back of planting, unless listed.",
    "What is found under ground and differs from this paper: it is shown, priced and agreed upon "
    "before work goes on.",
)


def quote_text(content: Mapping[str, Any], *, made_from: str) -> str:
    """
    Tell the owner what is wrong and what is offered, for a quote.

    Parameters
    ----------
    content
        Of `summary.json`, with its answer.
    made_from
        Elevation data and their accuracy, in words.

    Returns
    -------
    text
        Lines of at most `WIDTH` characters, ended by a line break. Prices are those of the
        user's price list; without one there is none.

    Examples
    --------
    >>> from lotflow.outputs.summary import summary_content
    >>> content = summary_content({}, balance={}, provenance={}, accuracy={}) | {"answer": []}
    >>> quote_text(content, made_from="dem.tif").splitlines()[0]
    'Water on the lot: what is wrong, and what to do'
    """
    name = content["lot"]["name"] or "the lot"
    items = [one for one in content["answer"] if one["theme"] != _NOTHING_ELSE]
    has_drains = bool(content["lines"] or content["inlets"])
    parts = [
        [f"Water on {'the lot' if name == 'the lot' else f'the lot {name}'}: what is wrong, and "
         "what to do"],
        *(_item(number, one) for number, one in enumerate(items, start=1)),
        [] if items else ["Nothing was found that needs work."],
        _order(content.get("quantities", [])),
        [
            f"What it {'is sized for, and what it ' * has_drains}will not do",
            *_sized_for(content, items),
            *_list((*(_NOT_DONE_BY_DRAINS if has_drains else ()), *_NOT_DONE)),
        ],
        ["Assumed", *_list((
            f"Made from {made_from}.", *_rain(content),
            *(_ASSUMED_OF_PIPES if content["lines"] else ()), *_ASSUMED,
        ))],
        ["Not included", *_list(_EXCLUDED)],
        ["To be agreed", *_list((
            "Who keeps it up: see upkeep.txt.",
            "Which of the steps above are ordered: each list begins with what is tried first.",
        ))],
        ["Cautions", *_list(CAUTIONS)],
    ]  # fmt: skip
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def _item(number: int, one: Mapping[str, Any]) -> list[str]:
    """One thing that is wrong: cause, evidence, options in order, quantities, what stays open."""
    lines = wrapped(one["harm"], f"{number}  ")
    causes = [cause["evidence"] for cause in one["causes"]]
    told = (
        ("Where the water comes from: ", "; ".join(causes)),
        ("What shows it: ", one["evidence"]),
        ("Measured against: ", one["source"]),
        ("How sure: ", f"{one['grade_means']}."),
    )
    for name, text in told:
        lines += wrapped(f"{name}{text}", "   ") if text else []
    if one["steps"]:
        lines.append("   What to do, in this order:")
        for letter, step in zip("abcdefgh", one["steps"], strict=False):
            lines += wrapped(step, f"     {letter}) ")
    after = (
        ("It mends: ", "; ".join(one["mends"])),
        ("It takes: ", one["takes"]),
        ("To be measured first: ", one["check"]),
        ("What could make this wrong: ", one["risk"]),
        ("", one["left"]),
    )
    for name, text in after:
        lines += wrapped(f"{name}{text}", "   ") if text else []
    return lines


def _order(quantities: Sequence[Mapping[str, Any]]) -> list[str]:
    """What the proposed drains take, with the prices that were given."""
    if not quantities:
        return []
    priced = any(one["cost"] is not None for one in quantities)
    rows = [
        (
            one["item"], f"{one['quantity']:,g}", one["unit"],
            *((_money(one["price"]), _money(one["cost"])) if priced else ()),
        )
        for one in quantities
    ]  # fmt: skip
    heads = _QUANTITIES.labels("item", "quantity", "unit", *(("price", "cost") if priced else ()))
    cells = [heads, *rows]
    widths = [max(len(row[column]) for row in cells) for column in range(len(heads))]
    lines = ["The drains as drawn, all of them"]
    for row in cells:
        aligned = [
            cell.ljust(width) if column in {0, 2} else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("   " + "  ".join(aligned).rstrip())
    if priced:
        total = sum(one["cost"] or 0.0 for one in quantities)
        missing = sum(one["cost"] is None for one in quantities)
        rest = f"; {missing} without a price" if missing else ""
        lines += wrapped(f"Sum of what has a price: {total:,.2f}{rest}.", "   ")
    else:
        lines.append("   Price: ____________________")
    return lines


def _money(value: float | None) -> str:
    """A price or cost, in whatever currency."""
    return "-" if value is None else f"{value:,.2f}"


def _sized_for(content: Mapping[str, Any], items: Sequence[Mapping[str, Any]]) -> list[str]:
    """The storm drains are sized for, and by which items they do not carry it."""
    storms = {line["design_storm_yr"] for line in content["lines"] if line.get("design_storm_yr")}
    if not storms:
        return []
    yearly = f"{max(storms):g}-year storm"
    means = "a rain that comes or is passed once in so many years on average"
    short, unsure = (
        _items_with(content, items, rules) for rules in (_NOT_CARRIED, _OPEN_CATCHMENT)
    )
    if short:
        told = (
            f"The drains as drawn do not all carry the {yearly}, {means}, or carry it only under "
            f"conditions: see {short}. What is built has to be sized again once that is settled."
        )
    else:
        told = f"Sized for the {yearly}: {means}."
    if unsure:
        told += f" How much water comes is open: see {unsure}."
    return wrapped(told, "   ")


def _items_with(
    content: Mapping[str, Any], items: Sequence[Mapping[str, Any]], rules: Collection[str]
) -> str:
    """Name the items on proposed drains that such failures and warnings stand behind."""
    heavy = {
        (one["rule"], one["subject"])
        for one in content["findings"]
        if one["rule"] in rules and one["severity"] != "note" and not one["today"]
    }
    numbers = [
        str(number)
        for number, item in enumerate(items, start=1)
        if any((one["rule"], one["subject"]) in heavy and not one["scenario"]
               for one in item["findings"])
    ]  # fmt: skip
    if not numbers:
        return ""
    return f"item{'s' if len(numbers) > 1 else ''} {', '.join(numbers)}"


def _rain(content: Mapping[str, Any]) -> Iterator[str]:
    """The rain that flows are of, and what is said against the data."""
    for one in content["findings"]:
        if one["rule"] == "rainfall-used":
            yield one["message"]
    reasons = {(one["rule"], one["subject"]) for one in content.get("evidence_only", [])}
    for one in content["findings"]:
        if (one["rule"], one["subject"]) in reasons:
            yield f"{one['subject']}: {one['message']}"


def _list(texts: Sequence[str]) -> list[str]:
    """Sentences, one under the other."""
    return [line for text in texts for line in wrapped(text, "   - ")]


def upkeep_text(duties: Sequence[Duty], title: str) -> str:
    r"""
    Tell the owner what to keep up, how often, and who says so.

    Parameters
    ----------
    duties
        As `lotflow.advice.upkeep.upkeep` lists them.
    title
        Name of the lot.

    Examples
    --------
    >>> from lotflow.advice.upkeep import Duty
    >>> grates = Duty("Grates", ("CB1",), "weekly", "Clear them.", "common practice")
    >>> print(upkeep_text([grates], "14 Alder Court").split("\n\n")[1])
    Grates (CB1)
       how often  weekly
       what       Clear them.
       source     common practice
       done on    ____________________________________________________________
    """
    blocks = ["\n".join(textwrap.wrap(f"Upkeep of the drains and the ground: {title}", WIDTH))]
    for duty in duties:
        names = f" ({', '.join(duty.subjects)})" if duty.subjects else ""
        lines = [
            *wrapped(f"{duty.what}{names}", ""),
            *wrapped(duty.how_often, "   how often  "),
            *wrapped(duty.how, "   what       "),
            *wrapped(duty.source, "   source     "),
            f"   done on    {'_' * 60}",
        ]
        blocks.append("\n".join(lines))
    blocks.append("\n".join([
        "Call the installer",
        *_list((
            "Water stands a day after rain where it did not before.",
            "An inlet is clear and still takes nothing, or water comes up out of it.",
            "The ground sinks over a line, or at a wall.",
        )),
    ]))  # fmt: skip
    return "\n\n".join(blocks) + "\n"
