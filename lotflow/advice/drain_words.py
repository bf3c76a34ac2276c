"""The sentences of the answer about drains, written from facts alone."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING, Final

from lotflow.advice.answer_words import catchment_range, joined, say_range, sentence

if TYPE_CHECKING:
    from lotflow.advice.result import Row
    from lotflow.advice.say import Say
    from lotflow.advice.verdicts import Run
    from lotflow.findings import Finding

#: What a finding says of a pipe, after its name.
_OF_PIPES: Final[Mapping[str, str]] = {
    "outlet-not-found": "has an outlet that has not been found",
    "loose-end": "ends in nothing",
    "lines-in-a-circle": "runs in a circle",
    "into-sanitary-sewer": "runs into the sanitary sewer",
    "adverse-fall": "rises",
    "flat-line": "has no fall",
    "below-minimum-fall": "falls too little",
    "too-little-fall": "has too little fall to its outlet",
    "outlet-above-line": "lies below its outlet",
    "invert-above-ground": "lies out of the ground",
    "emitter-above-grate": "ends above its own grate",
    "over-capacity": "is too small",
    "joint-not-for-burial": "has joints that do not hold in the ground",
    "cover-too-small": "has too little cover",
    "line-under-building": "runs under a building",
    "size-changes-within-line": "changes its bore at a joint nobody has seen",
    "smaller-pipe-downstream": "is smaller than the pipe that runs into it",
    "outlet-smaller-than-line": "is smaller than its line",
    "capacity-within-doubt": "may be too small: its catchment is open",
    "water-stands-in-line": "holds water",
    "inverts-disagree": "has levels that disagree",
    "outlet-under-water": "ends under water",
    "grate-too-small": "has too small a grate",
    "sediment-in-line": "holds sediment",
    "hose-test": "took too long in the hose test",
    "too-slow-to-keep-clean": "is too slow to keep clean",
    "no-way-to-clean": "cannot be reached for cleaning",
    "cleanouts-too-far-apart": "has cleanouts too far apart",
    "grate-not-removable": "has a grate that cannot be taken out",
    "emitter-line-cannot-empty": "cannot empty",
    "water-above-grate": "is full to the grate",
    "water-above-ground": "is full to the ground",
    "inlet-passed": "does not take all that comes",
    "inlet-passed-by": "does not take all that comes",
    "trench-below-footing": "may be dug below the footing",
    "trench-too-deep": "needs a protected trench",
    "turn-too-sharp": "turns too sharply",
    "too-fast": "runs too fast",
    "dry-well-small": "is too small",
    "dry-well-slow": "empties too slowly",
    "discharge-over-sidewalk": "discharges across the sidewalk",
    "discharge-onto-neighbour": "discharges onto the neighbour in one stream",
    "outlet-off-lot": "lies off the lot",
    "line-off-lot": "runs off the lot",
    "inlet-off-lot": "lies off the lot",
    "outlet-runs-to-low-spot": "sends water to a low spot",
    "outlet-runs-to-building": "sends water to a building",
    "outlet-runs-to-inlet": "sends water back to an inlet",
    "gutter-overtops-curb": "brings more than the curb holds",
    "gutter-spread": "spreads far over the street",
    "setback": "lies too close to what it must keep clear of",
    "inlet-better-place": "may stand beside where the water runs",
    "channel-ground-not-level": "is drawn over ground that is not level",
    "catchment-unsure": "has a catchment that the data leave open",
    "grate-not-at-low-point": "is not at the low point",
    "grate-above-flow": "stands above the water that should reach it",
    "grate-opening-too-wide": "has openings too wide to walk on",
    "channel-too-long": "is too long for one outlet",
    "downspout-onto-inlet-ground": "adds its roof to an inlet over the ground",
    "swale-ends-blind": "holds water: its end is blind",
    "swale-without-fall": "has no fall",
    "swale-too-flat": "falls too little",
    "swale-flat-at-house": "falls too little beside the house",
    "swale-too-small": "is too small for its water",
    "swale-capacity-within-doubt": "is too small when overgrown",
    "swale-loses-depth": "runs out too shallow",
    "swale-end-not-told": "has no end that was told",
    "swale-misses-its-end": "stops short of what it leads to",
    "swale-runs-to-building": "sends water to a building",
    "swale-onto-neighbour": "sends its water off the lot in one stream",
    "swale-over-sidewalk": "sends its water across the sidewalk",
    "berm-without-swale": "has no swale beside it",
    "earthwork-off-lot": "reaches beyond the lot",
    "earthwork-over-pipe": "is dug over a pipe",
    "regrade-not-met": "does not reach the fall it is to have",
    "fill-holds-water": "still holds water",
    "fill-above-sill": "raises the ground too near to a sill",
    "rain-garden-near-building": "lies too near to a building",
    "rain-garden-slow": "empties too slowly",
    "rain-garden-soil-unknown": "has a soil nobody has tested",
    "cut-by-edge": "has a catchment cut by the edge of the data",
}


#: Cover that is hardly any [m]: lotflow's choice, no published source.
HARDLY_M: Final = 0.10


def complaint(rule: str) -> str:
    """What a finding says of its subject, after the name."""
    return _OF_PIPES.get(rule, rule.replace("-", " "))


def complaints(pairs: Sequence[tuple[str, str]], most: int = 40) -> str:
    """
    Say what is found of several things, each named once.

    Parameters
    ----------
    pairs
        Subject and rule, the weightiest first.
    most
        How many complaints are told.

    Examples
    --------
    >>> complaints([("L1", "adverse-fall"), ("L2", "cover-too-small"), ("L1", "sediment-in-line")])
    'L1 rises and holds sediment; L2 has too little cover'
    """
    told: dict[str, list[str]] = {}
    left = 0
    for subject, rule in dict.fromkeys(pairs):
        words = complaint(rule)
        if sum(len(some) for some in told.values()) >= most:
            left += 1
        elif words not in told.setdefault(subject, []):
            told[subject].append(words)
    said = "; ".join(f"{subject} {joined(words)}" for subject, words in told.items() if words)
    return f"{said}; and {left} more" if left else said


def run_verdict(run: Run) -> str:
    """Say the verdict of a run."""
    if run.is_question:
        return "Cannot be judged before it is traced."
    told = str(run.verdict.value)
    if run.places:
        told += f" at {joined(run.places)}"
    return told


def run_harm(run: Run) -> str:
    """Say what an old run is good for."""
    names = joined(run.lines)
    if run.is_question:
        known = "its outlet has not been found"
        if all(one.rule != "outlet-not-found" for one in run.findings):
            known = "not all its levels are known"
        one_run = " (one run)" if len(run.lines) > 1 else ""
        return sentence(f"{names}{one_run}: {known}; do not rely on it")
    if run.verdict.value.startswith(("keep", "clean")):
        return sentence(f"{names}: the old run can stay")
    if not run.cannot_carry:
        found = complaints([(names, one.rule) for one in run.reasons], 3)
        return sentence(f"the old run of {found}" if found else f"{names}: the old run goes")
    return sentence(f"{names}, one old run, cannot carry what should flow in it")


def no_outlet(
    say: Say, inlets: Sequence[str], option: Row | None, lacks: Sequence[Row] = ()
) -> str:
    """Say how far gravity leads; `lacks` are the best ways out of the inlets, each with its own."""
    unsure = [row for row in lacks if row["verdict"] == "cannot tell"]
    open_ones = {row["subject"]: str(row["place"] or row["kind"]) for row in unsure}
    sure = [name for name in inlets if name not in open_ones]
    if sure and open_ones:
        some = [row for row in lacks if row["subject"] in sure]
        return no_outlet(say, sure, option, some) + "".join(
            " " + no_outlet(say, [n for n in open_ones if open_ones[n] == place], row, ())
            for place, row in {open_ones[row["subject"]]: row for row in unsure}.items()
        )
    names = joined(inlets)
    if option is None:
        return sentence(f"no lower place was found for {names}")
    place = option["place"] or option["kind"]
    if option["verdict"] == "not reachable":
        rows = [row for row in lacks or [option] if row["left_m"] < 0]
        short: dict[str, list[str]] = {}
        for row in rows:
            short.setdefault(str(row["place"] or row["kind"]), []).append(
                say(-row["left_m"], "depth") + (f" from {row['subject']}" if len(rows) > 1 else "")
            )
        told = [f"to {where} the fall is short by {joined(some)}" for where, some in short.items()]
        return sentence(
            f"no way out by gravity for {names} in a pipe with cover and fall: even {joined(told)}"
        )
    if option["verdict"] == "cannot tell":
        return sentence(f"whether gravity leads from {names} to {place} the data cannot tell")
    return sentence(
        f"gravity leads from {names} only to ground that may not be yours: {place}, "
        f"{say(option['run_m'], 'distance')} away"
    )


def comes_up(say: Say, margins: Sequence[tuple[str, str, float]]) -> str:
    """
    Say when the water at an outlet comes up out of a grate.

    Examples
    --------
    >>> from lotflow.advice.say import Say
    >>> comes_up(Say("metric"), [("Gully", "Manhole", 0.12)])
    'Once the water at Manhole stands more than 0.12 m higher than given, it comes up out of Gully.'
    >>> comes_up(Say("metric"), [("Gully", "Manhole", -0.05)])
    'As given, the water at Manhole stands at the grate of Gully or above: it comes up out of it.'
    """
    return " ".join(
        f"Once the water at {outlet} stands more than {say(margin, 'depth')} higher than given, it "
        f"comes up out of {inlet}."
        if margin > 0
        else f"As given, the water at {outlet} stands at the grate of {inlet} or above: it comes "
        "up out of it."
        for inlet, outlet, margin in margins
    )


def comes_up_first(
    say: Say, inlet: str, outlet: str, above_m: float, sill: str = "", over_sill_m: float = 0.0
) -> str:
    """
    Say that the water given for an outlet stands over a grate, and over which sill.

    Examples
    --------
    >>> from lotflow.advice.say import Say
    >>> comes_up_first(Say("metric"), "Gully", "Sewer", 0.18, "Door", 0.1)
    'As given, the water at Sewer backs up out of Gully: it stands 0.18 m above its grate and \
0.10 m above the sill of Door.'
    """
    at = f"{say(above_m, 'depth')} above its grate" if above_m >= 0.005 else "at its grate"
    over = f" and {say(over_sill_m, 'depth')} above the sill of {sill}" if sill else ""
    return f"As given, the water at {outlet} backs up out of {inlet}: it stands {at}{over}."


def check_run(run: Run) -> str:
    """Say what to ask of an old run on site."""
    if run.is_question:
        return "Dye at its upper end, watch every possible outlet; inverts at both ends."
    return "Inverts, bore and sediment at both ends of each length."


def run_takes(say: Say, run: Run, length_m: float) -> str:
    """Say what a verdict takes."""
    if run.is_question:
        return "An hour with hose and dye; half a day with a camera."
    if run.is_replaced:
        return "Caps at both ends."
    if run.verdict.value == "relay":
        return sentence(f"{say(length_m, 'length')} of pipe, and its trench")
    return ""


def wells(say: Say, some: Sequence[Finding]) -> str:
    """Say that a dry well is too small or too slow."""
    for one in some:
        if one.rule == "dry-well-small" and one.measured and one.limit:
            return " " + sentence(
                f"{one.subject} holds {say(one.limit, 'volume')} of the "
                f"{say(one.measured, 'volume')} it would have to"
            )
        if one.rule == "dry-well-slow" and one.measured:
            return " " + sentence(f"{one.subject} takes {one.measured:.0f} h to empty")
    return ""


def option_evidence(say: Say, option: Row | None, drowned: Sequence[Finding]) -> str:
    """Say how the best way out was judged."""
    told = []
    if option is not None:
        told.append(
            f"best of the places looked at: {option['place'] or option['kind']}, "
            f"{say(option['run_m'], 'distance')} away; fall left over "
            f"{say(option['left_m'], 'depth')}, by the data between "
            f"{say(option['left_low_m'], 'depth')} and {say(option['left_high_m'], 'depth')}"
        )
    told += [
        f"the water at the end of {one.subject} stands "
        f"{say((one.limit or 0.0) - (one.measured or 0.0), 'depth')} over the top of the pipe"
        for one in drowned
    ]
    return sentence("; ".join(told) or "no lower place was found")


#: Units of findings as quantities of a report.
_QUANTITIES: Final[Mapping[str, str]] = {
    "m": "depth", "m2": "area", "m3": "volume", "m3/s": "flow",
}  # fmt: skip


def measured(say: Say, some: Sequence[Finding], most: int = 5) -> str:
    """Say what findings measured against their limits, where both are numbers."""
    told = []
    for one in some:
        quantity = _QUANTITIES.get(one.unit)
        if one.measured is None or one.limit is None or quantity is None:
            continue
        if one.rule in _GRADE_LINES:
            told.append(f"{one.subject} {complaint(one.rule)}")  # no water stands so high above it
            continue
        if one.rule in _DIAMETERS:
            quantity = "diameter"
        limit = f" against {say(one.limit, quantity)}" if one.limit else ""
        told.append(f"{one.subject} {complaint(one.rule)}: {say(one.measured, quantity)}{limit}")
    return sentence("; ".join(told[:most]))


#: Rules of which the figure is a head in a full drain, not a level that water stands at.
_GRADE_LINES: Final = frozenset({"water-above-grate", "water-above-ground"})
_DIAMETERS: Final = frozenset({
    "smaller-pipe-downstream", "outlet-smaller-than-line", "size-changes-within-line",
})  # fmt: skip


def drain_harm(say: Say, head: Finding, arriving_m3s: float | None = None, stops: str = "") -> str:
    """Say what is wrong with a line of the proposed drains, and what stops one large enough."""
    if head.rule == "over-capacity" and head.measured and head.limit:
        if arriving_m3s is not None and arriving_m3s < 0.95 * head.measured:
            if arriving_m3s <= head.limit:
                return sentence(
                    f"{head.subject} is large enough for what arrives by the data, "
                    f"{say(arriving_m3s, 'flow')} against {say(head.limit, 'flow')} that it "
                    f"carries; {say(head.measured, 'flow')} come in the design storm only if no "
                    f"hollow holds any back{f'; {stops}' if stops else ''}"
                )
            return sentence(
                f"{head.subject} carries {say(head.limit, 'flow')}; the design storm brings "
                f"{say(head.measured, 'flow')} if no hollow holds any back, and "
                f"{say(arriving_m3s, 'flow')} as the hollows are, which is too much as well"
            )
        return sentence(
            f"{head.subject} gets {say(head.measured, 'flow')} in the design storm and carries "
            f"{say(head.limit, 'flow')}"
        )
    if head.rule == "smaller-pipe-downstream" and head.measured and head.limit:
        return sentence(
            f"{head.subject}, {say(head.measured, 'diameter')} inside, takes a pipe of "
            f"{say(head.limit, 'diameter')}: debris that passes the larger pipe lodges in the "
            "smaller"
        )
    return sentence(f"{head.subject} {complaint(head.rule)}")


def lay(lines: Sequence[Row], best: Sequence[Finding]) -> tuple[str, ...]:
    """Say in which sizes lines are laid, and what the best single change leaves."""
    sizes = [
        f"{row['name']} in {row['required_size']}" for row in lines if row.get("required_size")
    ]
    told = [sentence(f"lay {joined(sizes)}, and the outlet no smaller")] if sizes else []
    if not sizes:
        told.append("Give it fall or a lower outlet, by levels taken on site.")
    told += [
        sentence(
            f"the one change that mends most is at {one.subject}; it leaves {one.measured:.0f} of "
            f"{one.limit:.0f} failures of the lines"
        )
        for one in best
        if one.measured is not None and one.limit is not None
    ]
    return tuple(told)


def either_cure(larger: Sequence[str], above: Sequence[Row], *, at_curb: bool) -> tuple[str, ...]:
    """
    Say that the lower pipe may be larger or the one above smaller.

    Through a curb a larger pipe may not fit: the smaller one above is told first then.
    """
    sizes = [f"{row['name']} in {row['required_size']}" for row in above]
    if not sizes:
        return tuple(larger)
    smaller = f"{joined(sizes)}, which is enough for the flow as computed, and nothing narrows"
    if not at_curb:
        return (*larger, sentence(f"or lay {smaller}"))
    first, *rest = larger
    return (
        sentence(f"lay {smaller}"),
        f"Or {first[0].lower()}{first[1:].rstrip('.')}: a pipe of that size hardly goes through a "
        "curb; it takes a box with low openings there, with the town's permit.",
        *rest,
    )


def capacity_evidence(say: Say, heavy: Sequence[Finding], bypass: Sequence[Row]) -> str:
    """Say what lines get and carry, and what inlets leave in the design storm, each once."""
    told = measured(say, [one for one in heavy if not one.rule.startswith("inlet-passed")])
    for row in bypass:
        left = (row.get("stands_m3") or 0.0) + (row.get("passed_m3") or 0.0)
        up = row.get("backs_up_m3") or 0.0
        of_it = f"; {say(up, 'volume')} of it came up out of its own pipe" if up else ""
        told += " " + sentence(
            f"{row['name']} does not take {say(left, 'volume')} of what comes in the "
            f"{row['return_period_yr']:g}-year storm{of_it}"
        )
    return told.strip()


def laying_evidence(
    say: Say, heavy: Sequence[Finding], out: Mapping[str, float], at_curb: Collection[str]
) -> str:
    """Say the figures of faults of laying; `out` is how far lines come out of the ground [m]."""
    told = []
    for one in heavy:
        if one.rule == "cover-too-small" and one.measured is not None and one.limit:
            has = (
                f"has {say(one.measured, 'depth')} of cover"
                if one.measured > 0
                else f"stands {say(-one.measured, 'depth')} out of the ground"
            )
            bare = out.get(one.subject)
            end = (
                f"; before it ends it comes {say(bare, 'depth')} out of the ground" if bare else ""
            )
            if one.subject in at_curb and one.measured > HARDLY_M:
                end = f"; less than {say(HARDLY_M, 'depth')} before the curb, by the data"
            told.append(f"{one.subject} {has}, {say(one.limit, 'depth')} wanted{end}")
        elif one.rule == "trench-below-footing" and one.measured is not None:
            told.append(
                f"the trench of {one.subject} is {say(one.measured, 'length')} from the building"
                + (
                    f", within {say(one.limit, 'length')}: below 45 degrees from a footing of "
                    "ordinary depth, which is not given here"
                    if one.limit
                    else ""
                )
            )
        else:
            told.append(measured(say, [one]).rstrip("."))
    return sentence("; ".join(one for one in told if one))


def larger(say: Say, lines: Sequence[Row]) -> str:
    """Say how much pipe is laid larger."""
    length = sum(row["length_m"] or 0.0 for row in lines if row.get("required_size"))
    return sentence(f"{say(length, 'length')} of larger pipe in the same trench") if length else ""


def inlets_harm(
    say: Say,
    head: Finding,
    heavy: Sequence[Finding],
    opened: Sequence[Row],
    beyond: Collection[str] = (),
) -> str:
    """Say what is not settled about inlets; `beyond` are those whose other place is off the lot."""
    told = []
    if head.rule == "channel-ground-not-level" and head.measured is not None:
        told.append(
            f"the ground along {head.subject} differs by {say(head.measured, 'depth')}: set level, "
            "it stands out at one end and takes nothing there"
        )
    wide = {row["name"]: row for row in opened}
    for one in [one for one in heavy if one.rule == "inlet-better-place"][:2]:
        inlet = wide.get(one.subject)
        if one.subject in beyond:
            told.append(
                f"{catchment_range(say, inlet) if inlet else _as_drawn(say, one)}; the place a "
                f"step away that takes {say(one.measured or 0.0, 'area')} lies beyond the lot line"
            )
        else:
            told.append(
                f"{one.subject} takes {better_place(say, one, inlet)}, as drawn or a step away: "
                "the data cannot tell"
            )
    if not told:
        told += [catchment_range(say, row) for row in opened[:1]]
    return sentence("; ".join(told) or f"{head.subject} {complaint(head.rule)}")


def _as_drawn(say: Say, one: Finding) -> str:
    return f"{one.subject} takes {say(one.limit or 0.0, 'area')} as drawn"


def better_place(say: Say, one: Finding, inlet: Row | None) -> str:
    """Say the catchments between which a step, or the error of the data, decides."""
    both = [one.limit or 0.0, one.measured or 0.0]
    if inlet is not None:
        both += [inlet["catchment_m2_p05"], inlet["catchment_m2_p95"]]
    return say_range(say, min(both), max(both))


def inlets_evidence(
    say: Say,
    heavy: Sequence[Finding],
    opened: Sequence[Row],
    joint: tuple[float, float] | None,
) -> str:
    """Say the ranges, and the bound of all together."""
    told = [catchment_range(say, row) for row in opened]
    wide = {row["name"] for row in opened}
    told += [
        f"{one.subject} takes {say(one.limit or 0.0, 'area')} where it is drawn and "
        f"{say(one.measured or 0.0, 'area')} at the place marked"
        for one in heavy
        if one.rule == "inlet-better-place" and one.subject not in wide
    ]
    if joint is not None:
        told.append(
            f"together {say_range(say, *joint)}: what they share is counted once where it is known"
        )
    others = [(o.subject, o.rule) for o in heavy if o.rule != "inlet-better-place"]
    told.append(complaints(others))
    return sentence("; ".join(one for one in told if one))


def let_out_evidence(subjects: Sequence[str]) -> str:
    """Say how it was found where let-out water goes."""
    return sentence(f"the way of the water of {joined(subjects)} followed over the ground")


def on_plan() -> str:
    """Say that a fault is seen on the plan."""
    return "Seen on the plan, as drawn."
