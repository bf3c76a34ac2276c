"""What is said of pipes: sizes, joints, what lies in them, what a test told."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding


def _size_changes(say: Say, _: Finding, *, above_m: float, below_m: float) -> str:
    remedy = (
        "A pipe must not narrow downstream; find the joint and relay from there on."
        if below_m < above_m
        else "Find it and look at it."
    )
    return (
        f"Its ends differ, {say(above_m, 'diameter')} above and {say(below_m, 'diameter')} below: "
        f"there is a joint nobody has seen. {remedy}"
    )


def _smaller_downstream(say: Say, _: Finding, *, upper: str, upper_m: float, own_m: float) -> str:
    return (
        f"Its inside diameter, {say(own_m, 'diameter')}, is smaller than that of {upper}, which "
        f"runs into it with {say(upper_m, 'diameter')}: what passes the one sticks in the other. "
        "Lay it at least as large."
    )


SENTENCES: Final[dict[str, Sentence]] = {
    "size-changes-within-line": _size_changes,
    "smaller-pipe-downstream": _smaller_downstream,
}
