"""What is said of how lines hang together, and of what they cost."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding


def _backwards(_: Say, __: Finding) -> str:
    return (
        "Drawn from its lower end up: it was turned round. Check which end is which, and that its "
        "inverts belong to them."
    )


def _loose_end(_: Say, __: Finding, *, node: str | None) -> str:
    """A line from which nothing leads on; the node is None where its end has no name."""
    ends = (
        "Its lower end is connected to nothing." if node is None
        else f"It ends at {node}, from which nothing leads on."
    )  # fmt: skip
    return (
        f"{ends} Draw what follows, or an outlet; where the end is not known, one of kind 'not "
        "found'."
    )


def _off_node(
    say: Say, _: Finding, *, end: Literal["upper", "lower"], off_m: float, node: str
) -> str:
    return (
        f"Its {end} end is drawn {say(off_m, 'length')} from {node}, to which it belongs by name. "
        "The name counts; mend the drawing, since length and levels come from it."
    )


def _joins_midway(_: Say, __: Finding, *, onto: str) -> str:
    return (
        f"It ends on the middle of {onto}: its water is counted from the upper end of that line "
        f"on. Split {onto} there, so that each piece has its own levels."
    )


def _circle(_: Say, __: Finding, *, lines: Sequence[str]) -> str:
    return (
        f"Water would run in a circle: {', '.join(lines)}. Check from and to of these lines; "
        "nothing downstream of them can be judged until then."
    )


def _split(_: Say, __: Finding, *, lines: Sequence[str], counted_in: str) -> str:
    return (
        f"Several lines leave it ({', '.join(lines)}): how its water divides is not known, and all "
        f"of it is counted in {counted_in}. Lead it on by one line."
    )


def _several_outlets(_: Say, __: Finding, *, outlets: Sequence[str]) -> str:
    return (
        f"One system ends at {len(outlets)} outlets: {', '.join(outlets)}. Which one the water "
        "takes depends on levels nobody has designed; lead it to one."
    )


def _several_systems(_: Say, __: Finding, *, systems: Sequence[tuple[Sequence[str], str]]) -> str:
    """Each system with its lines and its outlet."""
    told = "; ".join(f"{', '.join(lines)} to {outlet}" for lines, outlet in systems)
    return f"{len(systems)} systems that are not connected: {told}."


def _downspout_joins(_: Say, __: Finding, *, upper_end: str) -> str:
    return (
        "A downspout is led to it by its name. Where along it is not known: its water counts from "
        f"the upper end on, {upper_end}. Split the line where it joins, or lead the downspout to a "
        "node."
    )


def _without_line(_: Say, finding: Finding) -> str:
    if finding.rule == "outlet-without-line":
        return "No line runs to it."
    return "No line leads its water on. Draw one, or mend from and to."


def _no_price(_: Say, __: Finding, *, items: Sequence[str]) -> str:
    return f"It has no price for: {', '.join(items)}. The sum is without them."


def _no_item(_: Say, __: Finding, *, items: Sequence[str]) -> str:
    return f"It has prices that nothing here is called: {', '.join(items)}."


SENTENCES: Final[dict[str, Sentence]] = {
    "line-drawn-backwards": _backwards,
    "loose-end": _loose_end,
    "line-off-its-node": _off_node,
    "line-joins-midway": _joins_midway,
    "lines-in-a-circle": _circle,
    "lines-split": _split,
    "several-outlets": _several_outlets,
    "several-systems": _several_systems,
    "downspout-joins-line": _downspout_joins,
    "inlet-without-line": _without_line,
    "outlet-without-line": _without_line,
    "item-without-price": _no_price,
    "price-without-item": _no_item,
}
