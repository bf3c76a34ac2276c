"""What is said of pipes: sizes, joints, what lies in them, what a test told."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding


def _size_unknown(_: Say, __: Finding, *, proposed: bool) -> str:
    remedy = "" if proposed else " Measure the inside diameter at both ends."
    return f"Its size is not given: nothing can be said of what it carries.{remedy}"


def _size_not_made(say: Say, _: Finding, *, material: str, size_m: float) -> str:
    return (
        f"Its nominal size, {say(size_m, 'diameter')}, is not one that {material} pipe is made in: "
        "it counts as inside diameter. Measure the inside diameter."
    )


def _material_assumed(_: Say, __: Finding, *, material: str) -> str:
    return (
        f"Its material is not given: it counts as {material}, the roughest laid round houses. "
        "Look at it at a basin or an open end."
    )


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
        f"runs into it with {say(upper_m, 'diameter')}: debris that passes the larger pipe "
        "lodges in the smaller. Lay it at least as large."
    )


def _joint(_: Say, __: Finding, *, joint: str) -> str:
    if joint == "none":
        return (
            "Its joints are given as none: where lengths only lie in each other, soil and roots "
            "come in and water goes out. Relay it with glued or gasketed joints, or leave the "
            "column empty if it is of one length."
        )
    return (
        f"Its joints ({joint}) do not hold in the ground: soil and roots come in, water goes out. "
        "Relay it with glued or gasketed joints."
    )


def _filled(say: Say, finding: Finding, *, depth_m: float, lost: float) -> str:
    what, remedy = {
        "sediment-in-line": ("sediment", "Jet it, and look for where it comes in."),
        "water-stands-in-line": (
            "standing water",
            "It sags, falls the wrong way, or is held up by what lies below it: clean that first, "
            "then level this line; relay what sags.",
        ),
    }[finding.rule]
    return (
        f"{say(depth_m, 'depth')} of {what} take {lost:.0%} of its narrowest section, counted from "
        f"its bottom. {remedy}"
    )


def _hose_test(
    say: Say, _: Finding, *,
    outcome: Literal["backed up", "not noted", "no fall", "late", "in time"],
    seconds: float | None = None, expected_s: float | None = None, late_factor: float = 0.0,
    assumed_slope: float | None = None, share: float | None = None,
    share_of: Literal["storm", "capacity"] = "capacity", storm_yr: float | None = None,
    volume_m3: float = 0.0, blocked_within_m: float | None = None,
) -> str:  # fmt: skip
    """What a hose test tells, and how little it proves of the capacity."""
    if outcome == "backed up":
        told = (
            f"The hose's water stood at its upper end after {seconds:.0f} s, "
            f"{say(volume_m3, 'volume')}"
        )
        if blocked_within_m is None:
            return (
                f"{told}, more than the line holds: beside what the basin took, water leaves it on "
                "the way. Look into it with a camera, or trace it with dye."
            )
        return (
            f"{told}: it is blocked at most {say(blocked_within_m, 'length')} from there along the "
            "pipe, nearer by what the basin took. Rod or jet it; where that does not help, dig "
            "there."
        )
    proves = _proves(share, share_of, storm_yr)
    if outcome == "not noted":
        return (
            "The hose test has no arrival time: did the water arrive? Note the seconds until it "
            f"did.{proves}"
        )
    if outcome == "no fall":
        return (
            f"Water came after {seconds:.0f} s although the line has no fall by its levels: it "
            f"filled first. Level it again.{proves}"
        )
    told = f"Water came after {seconds:.0f} s; about {expected_s:.0f} s were to be expected"
    told += "." if assumed_slope is None else (
        f" with a fall of {assumed_slope:.2%}, the least for its size."
    )  # fmt: skip
    if outcome == "late":
        told += (
            f" More than {late_factor:g} times as long: it sags, leaks or is partly blocked. "
            "Look into it with a camera."
        )
    return told + proves


def _proves(share: float | None, share_of: str, storm_yr: float | None) -> str:
    """How much of what the line must carry a hose stands for."""
    if share is None:
        return ""
    rain = "stated" if storm_yr is None else f"{storm_yr:g}-year"
    what = f"the {rain} flow as computed" if share_of == "storm" else "the capacity"
    if share >= 1:
        return f" The hose stands for {what} and more."
    return f" The hose stands for {share:.0%} of {what}: it proves continuity, not capacity."


SENTENCES: Final[dict[str, Sentence]] = {
    "pipe-size-unknown": _size_unknown,
    "size-not-in-table": _size_not_made,
    "pipe-material-assumed": _material_assumed,
    "size-changes-within-line": _size_changes,
    "smaller-pipe-downstream": _smaller_downstream,
    "joint-not-for-burial": _joint,
    "sediment-in-line": _filled,
    "water-stands-in-line": _filled,
    "hose-test": _hose_test,
}
