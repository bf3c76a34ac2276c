"""Items on drains: old runs, outlets out of reach, lines, inlets, what is let out, laying."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from shapely.geometry import Point

from lotflow.advice import answer_words as words
from lotflow.advice import causes, drain_words, grades, remedies, remedy_words
from lotflow.advice.buildable import CLEAR_M, can_be_filled, on_lot
from lotflow.advice.grades import LOOK_IN_RAIN, Grade
from lotflow.advice.harm import broken
from lotflow.advice.items import PLACE_RANKS, THEME_RANKS, Item, rank_key
from lotflow.advice.result import Result, Row, way_from
from lotflow.advice.themes import LOW_SPOT_NAME, Found, Theme, heaviest, is_heavy
from lotflow.advice.verdicts import Verdict

if TYPE_CHECKING:
    from lotflow.findings import Finding


def of_run(found: Found, key: str, some: Sequence[Finding]) -> Item:
    """A run of old pipe with its one verdict."""
    run, say = found.runs[key], found.say
    theme = Theme.KEPT if run.verdict in (Verdict.KEEP, Verdict.CLEAN) else Theme.RUN
    grade = Grade.LEVEL_FIRST
    if not run.is_question:
        grade = grades.least_sure(grades.of_levels(one.rests_on) for one in run.reasons[:1])
    line = found.result.row("drain_lines", name=run.lines[-1]) or {}
    length = sum(
        (found.result.row("drain_lines", name=name) or {}).get("length_m") or 0.0
        for name in run.lines
    )
    middle = line["geometry"].interpolate(0.5, normalized=True) if line.get("geometry") else None
    # only a run that is given up lets nothing out any more
    rows = broken(
        row for row in found.harm
        if run.verdict is Verdict.ABANDON and row.subject in run.nodes and row.state != "proposed"
    )  # fmt: skip
    pairs = [(one.subject, one.rule) for one in run.reasons]
    measures = remedies.of_run(run, may_be_outlet=bool(found.no_outlet))
    return Item(
        theme, key,
        rank_key(THEME_RANKS[theme], grade, theme, not run.is_question, -len(run.reasons)),
        run.lines[0], middle.x if middle else None, middle.y if middle else None,
        drain_words.run_harm(run), drain_words.run_verdict(run),
        remedy_words.what_to_do(say, measures), grade,
        words.sentence(drain_words.complaints(pairs) or "nothing was found against it"),
        tuple(some),
        measures=measures, check=drain_words.check_run(run),
        risk=remedy_words.RISKS[Theme.RUN.value],
        source=found.sources(heaviest(some)) or "common practice, no published source",
        mends=found.mended(rows), takes=drain_words.run_takes(say, run, length),
    )  # fmt: skip


def without_outlet(found: Found, _: str, some: Sequence[Finding]) -> Item | None:
    """Inlets from which gravity finds no way out."""
    if not is_heavy(some):
        return None
    result, say = found.result, found.say
    nodes = {row["name"] for row in result.rows("inlets")}
    heavy = heaviest([one for one in some if one.severity != "note"])
    inlets = [one.subject for one in heavy if one.subject in nodes]
    inlets = _surely_without_first(result, list(dict.fromkeys(inlets)) or [heavy[0].subject])
    head = next((one for one in heavy if one.subject == inlets[0]), heavy[0])
    option = result.row("outlet_options", subject=inlets[0], rank=1)
    spots = {
        number for number, row in found.spots.items() if set(result.inlets_of(row)) & set(inlets)
    } | {found.low_spot_of(one) for one in heavy if LOW_SPOT_NAME.fullmatch(one.subject)}
    # behind the low spot that it would empty
    rank = min((PLACE_RANKS[found.place_of(one)] + 0.5 for one in spots if one), default=2.0)
    wells = tuple(dict.fromkeys(one.subject for one in some if one.rule.startswith("dry-well")))
    drowned = [one for one in heavy if one.rule == "outlet-under-water"]
    water = causes.of_inlets(result, [name for name in inlets if name in nodes])
    margins = remedies.margins(result, _ends(result, drowned), inlets)
    lacks = [row for name in inlets for row in result.rows("outlet_options", subject=name, rank=1)]
    kind = _outlet_kind(option, bool(wells or drowned))
    if kind == "no outlet":
        measures = remedies.without_outlet(
            inlets, water, drowned=sorted(_ends(result, drowned)), soaks=wells,
            can_be_raised=all(
                can_be_filled(found.spots[number], found.openings_in(number))
                for number in spots if number
            ) and not _low_sills_at(result, inlets),
            kept=remedies.keep_ways(
                result,
                [
                    (spot, causes.of_low_spot(
                        result, spot, found.feeding(number, today=False),
                        found.feeding(number, today=True),
                    ))
                    for number in sorted(one for one in spots if one)
                    for spot in [found.spots[number]]
                ],
            ),
            traced=[
                name for run in found.runs.values()
                if run.is_question and run.is_replaced for name in run.lines
            ],
            nearly=_nearly_reached(option), theirs=remedies.others_roofs(result),
        )  # fmt: skip
        grade = Grade.LIKELY if option is None else _option_grade(option)
        if not nodes & set(inlets):
            # what gravity does not empty may be no hollow
            grade = grades.least_sure([grade, *(
                grades.of_low_spot(
                    spot["probability"], spot["depth_m"], result.rmse_m,
                    may_be_artefact=bool(spot["artefact"]),
                )
                for spot in (found.spots[one] for one in spots if one)
            )])  # fmt: skip
        if any(row["verdict"] == "cannot tell" for row in lacks):
            measures = (remedies.Remedy(remedies.Step.CLEAN, "level-outlet"), *measures)
        measures = remedies.in_order([*measures, *_weep_holes(some, found.no_outlet)])
    else:
        what = "public" if kind == "beyond" else "level-outlet"
        measures = (remedies.Remedy(remedies.Step.CLEAN, what, tuple(inlets)),)
        grade = Grade.LIKELY if kind == "beyond" else Grade.LEVEL_FIRST
    return Item(
        Theme.NO_OUTLET, "", rank_key(rank, grade, Theme.NO_OUTLET),
        inlets[0], head.x, head.y,
        drain_words.no_outlet(say, inlets, option, lacks)
        + words.after(drain_words.comes_up(say, margins))
        + drain_words.wells(say, some),
        remedy_words.VERDICTS[kind],
        remedy_words.what_to_do(say, measures), grade,
        drain_words.option_evidence(say, option, drowned), tuple(some),
        check=remedy_words.CHECKS["no outlet"], risk=remedy_words.RISKS["no outlet"],
        # what stands in the low spot is mended there
        source=found.sources(heavy), causes=water, measures=tuple(measures),
    )  # fmt: skip


#: Ground this near to a sill rises with that at an inlet [m]: lotflow's choice.
_NEAR_SILL_M: Final = 3.0


def _low_sills_at(result: Result, inlets: Sequence[str]) -> bool:
    """Whether a sill near an inlet lies so low that the ground there cannot be raised."""
    places = [row["geometry"] for row in result.rows("inlets") if row["name"] in inlets]
    return any(
        row.get("above_ground_m") is not None and row["above_ground_m"] < CLEAR_M
        and any(place.distance(row["geometry"]) < _NEAR_SILL_M * result.per_metre
                for place in places)
        for row in result.rows("openings")
    )  # fmt: skip


def _surely_without_first(result: Result, inlets: Sequence[str]) -> list[str]:
    """Put the inlets first that gravity surely does not lead from: they decide what is done."""
    verdicts = {row["subject"]: row["verdict"] for row in result.rows("outlet_options", rank=1)}
    return sorted(inlets, key=lambda name: verdicts.get(name, "") in ("cannot tell", "reachable"))


def _ends(result: Result, drowned: Sequence[Finding]) -> set[str]:
    """Outlets that stand under water; where none is drawn, what the findings are about."""
    under = {one.subject for one in drowned}
    lines = result.rows("drain_lines", case=result.state)
    ends = {row["outlet"] for row in lines if {row["name"], row["from_node"]} & under}
    return (ends - {None, ""}) or under


def _outlet_kind(option: Row | None, has_none: bool) -> str:
    """Whether there is no outlet, one that may not be used, or one that may be too high."""
    if has_none or option is None or option["verdict"] == "not reachable":
        return "no outlet"
    return "uncertain" if option["verdict"] == "cannot tell" else "beyond"


#: Cover that lines are proposed with [m]: HEC-22, section 7.2.5.
_COVER_M: Final = 0.30
#: Fall that is left with hardly any cover from which it is worth levels [m]: lotflow's choice.
_WORTH_LEVELS_M: Final = 0.10


def _nearly_reached(option: Row | None) -> str:
    """Lower place that a pipe reaches with hardly any cover, by the data; "" for none."""
    if option is None or option.get("fall_m") is None:
        return ""
    near = float(option["fall_m"]) + _COVER_M >= _WORTH_LEVELS_M
    return str(option["place"] or option["kind"]) if near else ""


def _option_grade(option: Row) -> Grade:
    """How sure it is that gravity does not reach a place; open water rises and falls."""
    grade = grades.of_interval(option["left_low_m"], option["left_high_m"], 0.0)
    return grades.least_sure([grade, Grade.LIKELY]) if option["kind"] == "water" else grade


def of_capacity(found: Found, key: str, some: Sequence[Finding]) -> Item | None:
    """Drains that do not carry what comes, one item for each outlet."""
    if not is_heavy(some):
        return None
    result, say = found.result, found.say
    heavy = heaviest([one for one in some if one.severity != "note"])
    head = heavy[0]
    lines = [
        row
        for row in result.rows("drain_lines", case=result.state)
        if row["name"] in {one.subject for one in heavy}
    ]
    inlets = [
        row["name"]
        for row in result.rows("inlets")
        for line in result.rows("drain_lines", case=result.state, from_node=row["name"])
        if line["outlet"] == key
    ]
    grade = grades.least_sure([
        grades.of_levels(head.rests_on),
        Grade.LIKELY if "from memory" in head.source else Grade.SHOWN,
        Grade.LIKELY if _open_inlets(result, inlets) and head.rule == "over-capacity"
        else Grade.SHOWN,
    ])  # fmt: skip
    water = causes.of_inlets(result, inlets)
    best = [one for one in some if one.rule == "best-single-change"]
    pairs = [(one.subject, one.rule) for one in heavy]
    arriving = _arriving(result, head)
    narrows = head.rule in ("smaller-pipe-downstream", "outlet-smaller-than-line")
    fits = (
        head.rule == "over-capacity"
        and arriving is not None and head.limit is not None and arriving <= head.limit
    )  # fmt: skip
    first = tuple(name for name in {one.subject for one in heavy} if name in found.no_outlet)
    measures: tuple[remedies.Remedy, ...] = ()
    takes, grade = drain_words.larger(say, lines), _at_most(grade, fits, first)
    verdict = "narrowing" if narrows else "sized" if fits else "drain too small"
    if first:
        # its outlet comes before its size
        what = "outlet-drowned" if remedies.is_drowned(result, first) else "outlet-first"
        measures = (remedies.Remedy(remedies.Step.INLET, what, tuple(sorted(first))),)
        verdict, remedy, takes = "outlet first", remedy_words.what_to_do(say, measures), ""
    elif fits:
        measures = (remedies.Remedy(
            remedies.Step.INLET, "holds", tuple(row["name"] for row in lines)
        ),)  # fmt: skip
        remedy, takes = remedy_words.what_to_do(say, measures), ""
    else:
        remedy = drain_words.lay(lines, best)
        measures = (remedies.Remedy(
            remedies.Step.INLET, "lay", tuple(row["name"] for row in lines)
        ),)  # fmt: skip
        if narrows:
            curbs = {row["name"] for row in result.rows("nodes", kind="outlet", detail="curb")}
            ends_there = any(row["to_node"] in curbs for row in lines)
            above = _above(result, lines)
            remedy = drain_words.either_cure(remedy, above, at_curb=ends_there)
            takes = "" if ends_there and above else takes
        grates = tuple(dict.fromkeys(
            one.subject for one in heavy if one.rule == "grate-too-small" and not one.today
        ))  # fmt: skip
        if grates and (not lines or len(remedy) == len(measures)):
            wider = remedies.Remedy(remedies.Step.INLET, "more-grate", grates)
            measures = (wider, *(measures if lines else ()))
            remedy = (*remedy_words.what_to_do(say, [wider]), *(remedy if lines else ()))
    return Item(
        Theme.CAPACITY, key, rank_key(2.0, grade, Theme.CAPACITY, head.severity != "fail"),
        head.subject, head.x, head.y,
        drain_words.drain_harm(say, head, arriving, "what stops it is its outlet" if first else ""),
        remedy_words.VERDICTS[verdict], remedy, grade,
        drain_words.capacity_evidence(
            say, [one for one in heavy if one is not head or not fits], _bypass(result)
        )
        or words.sentence(drain_words.complaints(pairs)),
        tuple(some), measures=measures,
        check=remedy_words.CHECKS["drain too small"], risk=remedy_words.RISKS["drain too small"],
        # that a joint narrows is nobody's water
        takes=takes, source=found.sources(heavy), causes=() if narrows else water,
    )  # fmt: skip


def _at_most(grade: Grade, fits: bool, first: Sequence[str]) -> Grade:
    """What hollows above may keep, or what no outlet takes, is likely at most."""
    return grades.least_sure([grade, Grade.LIKELY]) if fits or first else grade


def _arriving(result: Result, head: Finding) -> float | None:
    """
    Flow that arrives in a line in the design storm, less what hollows above keep [m^3/s].

    By the volumes of the inlets above it: what reaches them, and the roofs led into them, in what
    their ground and roofs bring.
    """
    storm_yr = result.design_storm_yr
    names = _upstream(result, head.subject)
    brought = sum(
        row["volume_m3"] or 0.0
        for row in result.rows("runoff", kind="inlet", return_period_yr=storm_yr)
        if row["subject"] in names and row.get("volume_m3")
    )
    arrives = [
        row
        for row in result.rows("inlet_intake", case="open", return_period_yr=storm_yr)
        if row["inlet"] in names
    ]
    if not brought or not arrives or head.measured is None:
        return None
    reached = sum((row["direct_m3"] or 0.0) + (row["overflow_m3"] or 0.0) for row in arrives)
    reached += sum(causes.roof_volume(result, name) for name in names)
    return float(head.measured * min(reached / brought, 1.0))


def _upstream(result: Result, line: str) -> set[str]:
    """Nodes above a line, and where it begins."""
    lines = {row["name"]: row for row in result.rows("drain_lines", case=result.state)}
    names = {lines[line]["from_node"]} if line in lines else set()
    for _ in lines:
        names |= {row["from_node"] for row in lines.values() if row["to_node"] in names}
    return names


def _bypass(result: Result) -> list[Row]:
    """What inlets do not take in the design storm."""
    return [
        row
        for row in result.rows("inlet_bypass", case=result.state)
        if row["return_period_yr"] == result.design_storm_yr
        and (row.get("stands_m3") or 0.0) + (row.get("passed_m3") or 0.0) > 0
    ]


def _above(result: Result, lines: Sequence[Row]) -> list[Row]:
    """Lines that run into others and are wider than they."""
    return [
        row
        for line in lines
        for row in result.rows("drain_lines", case=result.state, to_node=line["from_node"])
        if (row["diameter_m"] or 0.0) > (line["diameter_m"] or 0.0) and row.get("required_size")
    ]


def _open_inlets(result: Result, names: Iterable[str]) -> list[Row]:
    """Inlets of which the data leave the catchment open."""
    wanted = set(names)
    return [
        row
        for row in result.rows("inlets")
        if row["name"] in wanted
        and grades.is_open(row["catchment_m2"], row["catchment_m2_p05"], row["catchment_m2_p95"])
    ]


def of_inlets(found: Found, _: str, some: Sequence[Finding]) -> Item | None:
    """Inlets of which the place, the level or the catchment is not settled."""
    if not is_heavy(some):
        return None
    result, say = found.result, found.say
    heavy = heaviest([one for one in some if one.severity != "note"])
    # a top that cannot be level is a fault; places and catchments are questions
    head = next((one for one in heavy if one.rule == "channel-ground-not-level"), heavy[0])
    names = {row["name"] for row in result.rows("inlets")}
    subjects = [one.subject for one in [head, *some] if one.subject in names]
    opened = _open_inlets(result, names)
    level = head.rule == "channel-ground-not-level"
    places = [one for one in heavy if one.rule == "inlet-better-place"]
    beyond = {one.subject for one in places if not on_lot(result, one.x, one.y)}
    steps = remedies.Step.INLET
    measures = [remedies.Remedy(steps, "contour", (head.subject,))] if level else []
    if places:
        moved = tuple(one.subject for one in places)
        measures.append(remedies.Remedy(steps, "settle-inlets", moved))
    if not measures:
        measures.append(remedies.Remedy(steps, "size-later"))
    grade = Grade.LIKELY if level else Grade.LEVEL_FIRST
    opened.sort(key=lambda row: -row["catchment_m2_p95"])
    widest = opened[0] if opened else None
    open_first = not level and not places and widest is not None
    joint = _joint(result, opened, places)
    return Item(
        Theme.INLETS, "", rank_key(THEME_RANKS[Theme.INLETS], grade, Theme.INLETS),
        widest["name"] if widest and open_first else head.subject,
        widest["x"] if widest and open_first else head.x,
        widest["y"] if widest and open_first else head.y,
        drain_words.inlets_harm(say, head, heavy, opened, beyond),
        remedy_words.VERDICTS["open catchments" if open_first else "inlets"],
        remedy_words.what_to_do(say, measures), grade,
        drain_words.inlets_evidence(say, heavy, opened, joint), tuple(some),
        measures=tuple(measures), check=remedy_words.levels_of_inlets(subjects),
        risk=remedy_words.RISKS["inlets"],
        source=found.sources(heavy),
    )  # fmt: skip


def _joint(
    result: Result, opened: Sequence[Row], places: Sequence[Finding]
) -> tuple[float, float] | None:
    """Bounds of what inlets take together whose catchments are open, the same water once."""
    bounds = {
        row["name"]: (row["catchment_m2"], row["catchment_m2_p05"], row["catchment_m2_p95"])
        for row in opened
    }
    for one in places:
        if one.subject not in bounds and one.limit is not None and one.measured is not None:
            bounds[one.subject] = (one.limit, one.limit, one.measured)
    balance = result.content.get("balance") or {}
    most = sum(balance.get(name) or 0.0 for name in ("on_m2", "lot_m2"))
    together = _together(result) or ((0.0, most) if most else None)
    for name in _inside_others(result, places):
        value, low, _ = bounds[name]
        bounds[name] = (value, low, value)  # at its other place it takes water of another's
    if len(bounds) < 2:
        return None
    low, high = grades.joint_bounds(list(bounds.values()), together)
    disjoint = sum(value for value, _, _ in bounds.values())
    # where only the place is open, the catchments as drawn are known and share nothing
    return (disjoint, high) if not opened else (max(low, _least(result, bounds)), high)


def _least(result: Result, bounds: Mapping[str, Any]) -> float:
    """Lower bound of all inlets together, where all of them are asked for."""
    together = _together(result)
    if together is None or {row["name"] for row in result.rows("inlets")} - set(bounds):
        return 0.0
    return together[0]


def _inside_others(result: Result, places: Sequence[Finding]) -> list[str]:
    """
    Inlets of which the catchment at the place marked lies within that of another.

    Its water runs on past the other's place, which takes more.
    """
    paths = [row["geometry"] for row in result.rows("flow_paths")]
    near = 1.5 * result.cell
    inside = []
    for one in places:
        if one.x is None or one.y is None:
            continue
        way = way_from(Point(one.x, one.y), paths, near)
        for other in places:
            if way is None or other is one or other.x is None or other.y is None:
                continue
            takes_more = (other.measured or 0.0) > (one.measured or 0.0)
            if takes_more and way.distance(Point(other.x, other.y)) <= near:
                inside.append(one.subject)
    return list(dict.fromkeys(inside))


def _together(result: Result) -> tuple[float, float] | None:
    """Bounds of what all inlets take together, the same water counted once."""
    rows = result.content.get("confidence") or []
    row = rows[0] if isinstance(rows, list) and rows else {}
    low, high = row.get("inlets_catchment_m2_p05"), row.get("inlets_catchment_m2_p95")
    return None if low is None or high is None else (low, high)


def of_let_out(found: Found, _: str, some: Sequence[Finding]) -> Item | None:
    """Where water must not go, or not so."""
    if not is_heavy(some):
        return None
    say = found.say
    heavy = heaviest([one for one in some if one.severity != "note"])
    head = heavy[0]
    subjects = list(dict.fromkeys(one.subject for one in heavy))
    rows = broken(row for row in found.harm if row.subject in subjects)
    given_up = _given_up(found)
    measures = _let_out_measures(found.result, heavy, given_up)
    # what is led under a walk is mended if it has an outlet; where else water may go is not shown
    led = {name for one in measures if one.what == "under-walk" for name in one.subjects}
    mended = [row for row in rows if row.subject in led - found.no_outlet]
    shallow = _ended_inside(found)
    pairs = [(one.subject, one.rule) for one in [*heavy, *shallow]]
    out = _out_of_ground(found.result)
    grade = Grade.SHOWN if head.rule.endswith("off-lot") else Grade.LIKELY
    # over a walk before over a line: people fall there
    place = min((PLACE_RANKS[row.place] for row in rows), default=THEME_RANKS[Theme.LET_OUT])
    return Item(
        Theme.LET_OUT, "", rank_key(place, grade, Theme.LET_OUT),
        head.subject, head.x, head.y,
        words.sentence(drain_words.complaints(pairs, 4)), remedy_words.VERDICTS["let out"],
        remedy_words.what_to_do(say, measures), grade,
        (drain_words.measured(say, heavy) or drain_words.let_out_evidence(subjects))
        + words.after(drain_words.laying_evidence(say, shallow, out, ()) if shallow else ""),
        (*some, *shallow),
        check=remedy_words.CHECKS["let out"], risk=remedy_words.RISKS["let out"],
        source=found.sources([*heavy, *shallow]), mends=found.mended(mended),
        measures=tuple(measures), means=LOOK_IN_RAIN if grade is Grade.LIKELY else "",
    )  # fmt: skip


#: Rules of what lies off the lot, or too near to what it must keep clear of.
_SETBACK: Final = "setback"


def _is_of_permission(rule: str) -> bool:
    """Whether a rule of what is let out asks for leave, not for another end."""
    return rule.endswith("off-lot") or rule == _SETBACK


def _ended_inside(found: Found) -> list[Finding]:
    """Shallow lines that are mended where their outlet is, by ending them before: one remedy."""
    ends = {
        one.subject
        for one in found.of_theme(Theme.LET_OUT)
        if one.severity != "note"
        and one.rule != "discharge-over-sidewalk"
        and not _is_of_permission(one.rule)
    }
    out = _out_of_ground(found.result)
    lines = {
        row["name"]
        for row in found.result.rows("drain_lines", case=found.result.state)
        if row["name"] in out and row["to_node"] in ends
    }
    return [
        one
        for one in found.of_theme(Theme.LAYING)
        if one.rule == "cover-too-small" and one.subject in lines
    ]


def _given_up(found: Found) -> set[str]:
    """Lines to an emitter that stay full, without an outlet, with their emitters."""
    full = {
        one.subject
        for one in found.result.findings
        if one.rule == "emitter-line-cannot-empty"
        and not one.today
        and one.subject in found.no_outlet
    }
    return full | {
        row["to_node"]
        for row in found.result.rows("drain_lines", case=found.result.state)
        if row["name"] in full
    }


def _let_out_measures(
    result: Result, heavy: Sequence[Finding], given_up: Collection[str]
) -> list[remedies.Remedy]:
    """What helps against each way of letting water out wrongly."""
    by_what: dict[str, list[str]] = {}
    out = _out_of_ground(result)
    bare = {
        row["to_node"]
        for row in result.rows("drain_lines", case=result.state)
        if row["name"] in out
    }
    for one in heavy:
        what = "end-inside" if one.subject in bare else "let-out"
        if one.subject in given_up:
            what = "if-kept"
        elif one.rule == "discharge-over-sidewalk":
            what = "under-walk"
        elif _is_of_permission(one.rule):
            what = "permission"
        by_what.setdefault(what, []).append(one.subject)
    return [
        remedies.Remedy(remedies.Step.INLET, what, tuple(dict.fromkeys(names)))
        for what, names in by_what.items()
    ]


def of_laying(found: Found, _: str, some: Sequence[Finding]) -> Item | None:
    """Faults of laying, settled on paper; without what is mended where its water is let out."""
    elsewhere = _ended_inside(found)
    some = [one for one in some if one not in elsewhere]
    if not is_heavy(some):
        return None
    heavy = heaviest([one for one in some if one.severity != "note"])
    head = heavy[0]
    pairs = [(one.subject, one.rule) for one in heavy]
    grade = grades.least_sure(
        Grade.LIKELY if "from memory" in one.source else grades.of_levels(one.rests_on)
        for one in heavy
    )
    ends = _lower_ends(found.result)
    measures = [
        *_laying_measures(heavy, found.no_outlet, ends),
        *_weep_holes(some, found.no_outlet),
    ]
    at_curb = {name for name, what in ends.items() if what == "shallow-end"}
    return Item(
        Theme.LAYING, "", rank_key(THEME_RANKS[Theme.LAYING], grade, Theme.LAYING),
        head.subject, head.x, head.y,
        words.sentence(drain_words.complaints(pairs, 12)), remedy_words.VERDICTS["laying"],
        remedy_words.what_to_do(found.say, measures), grade,
        drain_words.laying_evidence(found.say, heavy, _out_of_ground(found.result), at_curb)
        or drain_words.on_plan(), tuple(some), measures=tuple(measures),
        check=remedy_words.CHECKS["laying"], risk=remedy_words.RISKS["laying"],
        source=found.sources(heavy),
    )  # fmt: skip


#: What mends a fault of laying; the rest is mended as it is told.
_LAYING: Final = {
    "line-under-building": "reroute", "cover-too-small": "deeper",
    "trench-below-footing": "footing", "no-way-to-clean": "cleanout",
}  # fmt: skip


def _weep_holes(some: Sequence[Finding], no_outlet: Collection[str]) -> list[remedies.Remedy]:
    """Lines up to an emitter that hold water after every rain; without an outlet no hole helps."""
    by_what: dict[str, list[str]] = {}
    for one in some:
        if one.rule == "emitter-line-cannot-empty":
            what = "stands-full" if one.subject in no_outlet else "weep"
            by_what.setdefault(what, []).append(one.subject)
    return [
        remedies.Remedy(remedies.Step.INLET, what, tuple(dict.fromkeys(names)))
        for what, names in by_what.items()
    ]


def _laying_measures(
    heavy: Sequence[Finding], no_outlet: Collection[str], lower_ends: Mapping[str, str]
) -> list[remedies.Remedy]:
    """What mends each kind of fault; all before the first trench, and the outlet before depth."""
    by_what: dict[str, list[str]] = {}
    for one in heavy:
        what = _LAYING.get(one.rule, "as-drawn")
        if what == "deeper" and one.subject in no_outlet:
            what = "outlet-first"
        elif what == "deeper":
            what = lower_ends.get(one.subject, what)
        by_what.setdefault(what, []).append(one.subject)
    return [
        remedies.Remedy(remedies.Step.INLET, what, tuple(dict.fromkeys(names)))
        for what, names in by_what.items()
    ]


def _lower_ends(result: Result) -> dict[str, str]:
    """
    What mends proposed lines that have hardly any cover where they end, as far as the data show.

    At a curb the level is that of the gutter: no pipe lies deeper there, nor ends before.
    """
    at_curb = {row["name"] for row in result.rows("nodes", kind="outlet", detail="curb")}
    out = _out_of_ground(result)
    found = {}
    for row in result.rows("drain_lines", case=result.state):
        along = _profile(result, row["name"])
        if row["to_node"] in at_curb and along and along[-1]["cover_m"] < drain_words.HARDLY_M:
            found[row["name"]] = "shallow-end"
        elif row["name"] in out:
            found[row["name"]] = "end-before"
    return found


def _out_of_ground(result: Result) -> dict[str, float]:
    """
    How far the top of proposed lines comes out of the ground before they end [m].

    Only where their bottom does: a pipe that ends at the surface shows its top before. At a curb
    it is the opening.
    """
    at_curb = {row["name"] for row in result.rows("nodes", kind="outlet", detail="curb")}
    found = {}
    for row in result.rows("drain_lines", case=result.state):
        before = _profile(result, row["name"])[:-1]
        if row["to_node"] not in at_curb and any(
            one["ground_m"] < one["invert_m"] for one in before
        ):
            found[row["name"]] = -min(float(one["cover_m"]) for one in before)
    return found


def _profile(result: Result, line: str) -> list[Row]:
    """Places along a line of which the cover is known, from its upper end."""
    rows = result.rows("line_profiles", case=result.state, name=line)
    known = [row for row in rows if row.get("cover_m") is not None]
    return sorted(known, key=lambda row: float(row["distance_m"]))
