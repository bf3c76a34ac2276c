"""The order of findings, what is folded under what, and that every rule has its rank."""

import ast
import re
from dataclasses import replace
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

import lotflow
from lotflow.findings import RANKS, Finding, Ties, folded, label, ordered, rank_of

PACKAGE = Path(lotflow.__file__).parent


def rules_in(package):
    """
    Every rule that the code may give a finding, by the syntax tree.

    What is handed to the parameter `rule` of a function or of `Finding`: as written there, or
    where it is a name, everything that the module writes into that name.
    """
    trees = [ast.parse(path.read_text("utf-8")) for path in sorted(package.rglob("*.py"))]
    position = {"Finding": 0}
    for tree in trees:
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef):
                names = [a.arg for a in node.args.args if a.arg != "self"]
                if "rule" in names:
                    position[node.name] = names.index("rule")
    found = set()
    for tree in trees:
        written = {}
        for node in ast.walk(tree):
            if isinstance(node, ast.For):
                for name in ast.walk(node.target):
                    if isinstance(name, ast.Name):
                        through = written.get(getattr(node.iter, "id", ""), [node.iter])
                        written.setdefault(name.id, []).extend(through)
            if isinstance(node, ast.Assign):
                for target in node.targets:
                    names = target.elts if isinstance(target, ast.Tuple) else [target]
                    values = getattr(node.value, "elts", []) if len(names) > 1 else []
                    if len(values) != len(names):
                        values = [node.value] * len(names)
                    for name, value in zip(names, values, strict=True):
                        if isinstance(name, ast.Name):
                            written.setdefault(name.id, []).append(value)
        for node in ast.walk(tree):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            if name not in position:
                continue
            given = [k.value for k in node.keywords if k.arg == "rule"]
            given += node.args[position[name] : position[name] + 1]
            for value in given:
                for source in written.get(getattr(value, "id", ""), [value]):
                    found |= {
                        constant.value
                        for constant in ast.walk(source)
                        if isinstance(constant, ast.Constant) and isinstance(constant.value, str)
                    }
    return found


#: Rules of one word, which other strings of the code look like.
SINGLE = {"setback", "realisations", "resampled"}


def test_every_rule_of_the_code_has_a_rank():
    """A new rule is to be placed in `findings.RANKS`; until it is, its first word places it."""
    ranked = [rule for rules in RANKS.values() for rule in rules]
    assert len(ranked) == len(set(ranked))
    told = rules_in(PACKAGE)
    assert told >= SINGLE
    rules = {rule for rule in told if re.fullmatch(r"[a-z]+(-[a-z]+)+", rule)} | SINGLE
    assert len(rules) > 100
    assert not rules - set(ranked)
    endings = {rule for rule in told if re.fullmatch(r"(-[a-z]+)+", rule)}
    assert all(any(rule.endswith(ending) for rule in ranked) for ending in endings)


def found(rule, subject, severity="warn", *, today=False, **facts):
    return Finding(rule, severity, subject, f"{rule} of {subject}.", today=today, **facts)


def test_a_rule_of_tomorrow_stands_with_those_of_its_kind():
    assert rank_of("pond-of-tomorrow") == rank_of("pond-at-wall")
    assert rank_of("level-of-tomorrow") == rank_of("unheard-of") == "faults of laying"


def test_what_harms_people_and_house_comes_first_whatever_its_weight_and_name():
    findings = [
        found("adverse-fall", "Line", "fail"),
        found("cover-assumed", "lot", "note"),
        found("inlet-blocked", "Basin", "note", measured=0.0, limit=0.0),
        found("downspout-near-foundation", "DS1", measured=0.5, limit=1.5),
        found("discharge-onto-neighbour", "Outlet"),
        found("ground-falls-to-building", "East", measured=-0.02, limit=0.05),
        found("ground-falls-to-building", "West", measured=-0.10, limit=0.05),
        found("opening-below-spill", "Garage", "note", measured=0.03, limit=0.0),
        found("opening-below-spill", "Door", "note", measured=-0.09, limit=0.0),
        found("pond-reaches-building", "low spot 1", "fail", measured=-0.2, limit=0.0),
        found("rainfall-elsewhere", "rainfall", measured=3e5, limit=25e3),
    ]
    assert [(one.rule, one.subject) for one in ordered(findings)] == [
        ("pond-reaches-building", "low spot 1"),
        ("opening-below-spill", "Door"),
        ("opening-below-spill", "Garage"),
        ("ground-falls-to-building", "West"),
        ("ground-falls-to-building", "East"),
        ("downspout-near-foundation", "DS1"),
        ("discharge-onto-neighbour", "Outlet"),
        ("adverse-fall", "Line"),
        ("rainfall-elsewhere", "rainfall"),
        ("inlet-blocked", "Basin"),
        ("cover-assumed", "lot"),
    ]


def parts(findings, ties=None):
    return {
        (one.rule, one.subject): one.part_of
        for one in folded(findings, ties or Ties())
        if one.part_of
    }


def test_a_run_of_old_pipe_is_one_question_and_stands_where_its_worst_fault_does():
    names = ("Upper", "Lower")
    ties = Ties(old_run={(True, name): "Lower" for name in names})
    run = [
        found("joint-not-for-burial", "Upper", "fail", today=True),
        found("over-capacity", "Lower", "fail", today=True),
        found("outlet-not-found", "Lower", today=True),
    ]
    other = [found("joint-not-for-burial", "New", "fail"), found("no-gravity-outlet", "Basin")]
    head = "outlet-not-found: Lower"
    assert parts([*run, *other], ties) == {
        ("joint-not-for-burial", "Upper"): head, ("over-capacity", "Lower"): head,
    }  # fmt: skip
    listed = [(one.rule, one.subject) for one in folded([*run, *other], ties)]
    assert listed == [
        ("outlet-not-found", "Lower"), ("over-capacity", "Lower"),
        ("joint-not-for-burial", "Upper"), ("no-gravity-outlet", "Basin"),
        ("joint-not-for-burial", "New"),
    ]  # fmt: skip


def test_water_that_backs_up_is_part_of_the_line_that_is_too_small():
    ties = Ties(below={(False, "Basin"): ["Upper", "Tee", "Main", "Curb"]})
    findings = [
        found("over-capacity", "Main", "fail"),
        found("smaller-pipe-downstream", "Main", "fail"),
        found("water-above-grate", "Basin"),
        found("inlet-passed", "Basin"),
        found("inlet-passed", "Other"),
        found("water-above-grate", "Basin", today=True),
    ]
    assert parts(findings, ties) == dict.fromkeys(
        [("smaller-pipe-downstream", "Main"), ("water-above-grate", "Basin"),
         ("inlet-passed", "Basin")],
        "over-capacity: Main",
    )  # fmt: skip


def test_water_that_a_full_well_refuses_is_part_of_the_well_and_not_of_a_narrow_line():
    ties = Ties(below={(False, "Basin"): ["Upper", "Main", "Well"]})
    findings = [
        found("smaller-pipe-downstream", "Main", "fail"),
        found("dry-well-small", "Well", "fail"),
        found("inlet-passed-by", "Basin"),
    ]
    assert parts(findings, ties) == {("inlet-passed-by", "Basin"): "dry-well-small: Well"}


def test_what_backs_up_above_an_old_pipe_is_part_of_its_run():
    """Its bends and inlets too, and that there is too little fall from them."""
    ties = Ties(
        below={(True, "Bend"): ["Old", "End"], (False, "Bend"): ["New", "Curb"]},
        old_run={(True, "Old"): "Old"},
    )
    findings = [
        found("outlet-not-found", "Old", today=True),
        found("water-above-ground", "Bend", today=True),
        found("too-little-fall", "Bend", "fail", today=True),
        found("water-above-ground", "Bend"),
    ]
    assert parts(findings, ties) == dict.fromkeys(
        [("water-above-ground", "Bend"), ("too-little-fall", "Bend")], "outlet-not-found: Old"
    )


def test_a_blocked_inlet_ranks_by_what_its_water_touches():
    wall = found("ground-falls-to-building", "East", measured=0.0, limit=0.05)
    at_wall = found("inlet-blocked", "Basin", measured=0.1, limit=0.0, touches="House; paving")
    open_ground = found("inlet-blocked", "Lawn", measured=0.3, limit=0.0,
                        touches="paving; ground beyond the lot")  # fmt: skip
    assert ordered([open_ground, wall, at_wall]) == [at_wall, wall, open_ground]


def test_a_line_that_rises_is_part_of_there_being_no_outlet():
    ties = Ties(
        below={(False, "Basin"): ["Line", "Emitter"]},
        low_spot=lambda one: 1 if one.rule == "no-gravity-outlet" else 0,
    )
    findings = [
        found("no-gravity-outlet", "low spot 1", measured=-0.5, limit=0.0),
        found("no-gravity-outlet", "Basin", measured=-0.4, limit=0.0),
        found("adverse-fall", "Line", "fail"),
        found("water-above-grate", "Basin", "fail"),
        found("adverse-fall", "Elsewhere", "fail"),
    ]
    assert parts(findings, ties) == dict.fromkeys(
        [("no-gravity-outlet", "Basin"), ("adverse-fall", "Line"), ("water-above-grate", "Basin")],
        "no-gravity-outlet: low spot 1",
    )


def test_what_one_hollow_does_is_one_group():
    ties = Ties(low_spot=lambda one: 0 if one.subject in ("Yard", "Line") else 1)
    findings = [
        found("inlet-blocked", "Basin", measured=0.2, limit=0.0),
        found("inlet-blocked", "Yard", measured=0.2, limit=0.0),
        found("inlet-blocked", "Step", "note", measured=0.0, limit=0.0),
        found("pond-stands-too-long", "low spot 1"),
        found("opening-below-spill", "Door", "note", measured=-0.1, limit=0.0),
        found("too-fast", "Line"),
    ]
    assert parts(findings, ties) == dict.fromkeys(
        [("inlet-blocked", "Basin"), ("pond-stands-too-long", "low spot 1")],
        "opening-below-spill: Door",
    )


RULES = st.sampled_from([rule for rules in RANKS.values() for rule in rules])
NAMES = st.sampled_from(["Basin", "Line", "Outlet", "low spot 1"])
SOME = st.lists(
    st.builds(
        found, RULES, NAMES, st.sampled_from(["fail", "warn", "note"]), today=st.booleans(),
        measured=st.none() | st.floats(-1, 1), limit=st.none() | st.just(0.0),
    ),
    max_size=30,
)  # fmt: skip
TIES = Ties(
    below={(today, "Basin"): ["Line", "Outlet"] for today in (False, True)},
    old_run={(True, "Line"): "Line"},
    low_spot=lambda one: int(one.subject == "low spot 1"),
)


@given(SOME, st.randoms())
def test_none_is_lost_and_the_order_given_does_not_matter(findings, random):
    listed = folded(findings, TIES)
    assert {replace(one, part_of="") for one in listed} == set(findings)
    assert len(listed) == len(set(findings))
    random.shuffle(findings)
    assert folded(findings, TIES) == listed
    assert ordered(listed) == listed
    head = None
    for one in listed:  # each part follows the finding it names
        if one.part_of:
            assert one.part_of == label(head.rule, head.subject)
            assert one.today == head.today
        else:
            head = one
