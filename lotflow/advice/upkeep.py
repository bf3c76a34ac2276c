"""What the owner keeps up, how often, and who says so, from what is there or to be built."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from lotflow.advice.result import Result

if TYPE_CHECKING:
    import pandas as pd

    from lotflow.findings import Finding

_COMMON: Final = "common practice, no published source"


@dataclass(frozen=True)
class Duty:
    """
    One thing to keep up.

    Parameters
    ----------
    what
        Is kept up.
    subjects
        Those on this lot, by name; empty where it is one for the whole lot.
    how_often, how
        When, and what is done.
    source
        Who says how often.
    """

    what: str
    subjects: tuple[str, ...]
    how_often: str
    how: str
    source: str


@dataclass(frozen=True)
class _Rule:
    """A duty, and which things of a lot it holds for."""

    what: str
    how_often: str
    how: str
    source: str
    #: Names of what there is of it; None where there is nothing.
    of: Callable[[Result], Sequence[str] | None]


def _nodes(result: Result, kind: str, *details: str) -> list[str] | None:
    """Nodes of the drains as they will be, by kind and, where given, by what they are."""
    names = [
        str(row["name"])
        for row in result.rows("nodes", case=result.state, kind=kind)
        if not details or row.get("detail") in details
    ]
    return names or None


def _inlets(result: Result, *kinds: str) -> list[str] | None:
    """Inlets, by what they are; those of a job without lines are no nodes."""
    return [
        str(row["name"]) for row in result.rows("inlets") if not kinds or row.get("kind") in kinds
    ] or None


def _lines(result: Result, *, kept: bool | None = None) -> list[str] | None:
    """Drain lines as they will be; of those only what is there already, or only what is not."""
    names = [
        str(row["name"])
        for row in result.rows("drain_lines", case=result.state)
        if kept is None or kept == (row.get("status") != "proposed")
    ]
    return list(dict.fromkeys(names)) or None


#: Outlets of which an owner sees the end.
_OPEN_ENDS: Final = ("curb", "daylight", "swale")
#: Those that are another's, and mostly under a cover.
_PUBLIC: Final = ("public inlet", "storm sewer")


def _apart(
    result: Result,
    names: Sequence[str] | None,
    others: Callable[[Result, Sequence[str]], Sequence[str] | None],
) -> list[str] | None:
    """Names without those for which another duty holds."""
    rest = set(others(result, names or []) or [])
    return [name for name in names or [] if name not in rest] or None


def _under_water(result: Result, names: Sequence[str]) -> list[str] | None:
    """Outlets that stand under water."""
    subjects = {one.subject for one in result.findings if one.rule == "outlet-under-water"}
    ends = {
        row.get("outlet")
        for row in result.rows("drain_lines", case=result.state)
        if {row["name"], row.get("from_node"), row.get("outlet")} & subjects
    }
    return [name for name in names if name in ends] or None


def _unseen_ends(result: Result) -> list[str] | None:
    """Ends of which no owner sees whether they run."""
    public = _nodes(result, "outlet", *_PUBLIC) or []
    drowned = _under_water(result, _nodes(result, "outlet", *_OPEN_ENDS) or []) or []
    return [*public, *drowned] or None


def _slow_wells(result: Result, names: Sequence[str]) -> list[str] | None:
    """Dry wells that by the soil as given do not empty before the next rain."""
    slow = {one.subject for one in result.findings if one.rule == "dry-well-slow"}
    return [name for name in names if name in slow] or None


def _there(result: Result, layer: str, **values: str) -> list[str] | None:
    """Nothing by name, where a layer has any such row."""
    return [] if result.rows(layer, **values) else None


_RULES: Final = (
    _Rule(
        "Gutters and downspouts", "once a year at least, better in spring and in fall",
        "Clear them; see in rain that none runs over and that each lets out where it should.",
        "Fairfax VA (once a year); La Vista NE, Horry County SC (spring and fall)",
        lambda result: _there(result, "buildings"),
    ),
    _Rule(
        "Grates", "before and after storms; every week while leaves fall",
        "Take off leaves and soil; look that the grate sits fast and is still the lowest place. "
        "Never lift a grate while water runs into it.",
        f"Verona NJ (before and after storms); every week: {_COMMON}",
        _inlets,
    ),
    _Rule(
        "Sumps of basins", "once a year, and whenever a third to half full",
        "Scoop out the sediment before it fills half the sump; clean its screen.",
        "Michigan DEQ BMP manual, citing Herrera (2006): once a year, or 30 to 50 % full, or 1 ft "
        "below the outlet",
        lambda result: _inlets(result, "catch basin"),
    ),
    _Rule(
        "Channel drains", "in spring and in fall",
        "Take off the grates, rake and flush the channel towards its outlet.",
        _COMMON, lambda result: _inlets(result, "channel drain"),
    ),
    _Rule(
        "French drains", "once a year",
        "Flush it, through a cleanout where it has one; keep sod, roots and soil off the stone.",
        _COMMON, lambda result: _inlets(result, "french drain"),
    ),
    _Rule(
        "Drain lines", "in spring, and after big storms",
        "Run a hose into the upper end: see it come out or, where the end cannot be seen, that it "
        "does not back up. If it is slow, flush it, from a cleanout where it has one.",
        _COMMON, _lines,
    ),
    _Rule(
        "Old lines that stay", "the first big rain after the work, then with the other lines",
        "See that they run; what is under ground was judged by its ends alone.",
        _COMMON, lambda result: _lines(result, kept=True),
    ),
    _Rule(
        "Cleanouts and junctions", "once a year",
        "Keep them found: no soil, bed or paving over the cap, and the cap tight.",
        _COMMON, lambda result: _nodes(result, "junction"),
    ),
    _Rule(
        "Emitters", "in spring and in fall, and before frost",
        "Lift the lid: see that it opens and shuts freely. Bail out what stands in the pipe below "
        "before frost. Mow round it; keep mulch and soil off.",
        _COMMON, lambda result: _nodes(result, "outlet", "pop-up emitter"),
    ),
    _Rule(
        "Open ends: curb, daylight, ditch", "in spring, and after big storms",
        "See it run while water is let in above. Clear leaves, sod and sediment; the animal guard "
        "must not hold debris.",
        f"animal guard: NRCS construction specification 444; how often: {_COMMON}",
        lambda result: _apart(result, _nodes(result, "outlet", *_OPEN_ENDS), _under_water),
    ),
    _Rule(
        "Ends nobody sees: public drains, and under water", "in every big rain",
        "Open no manhole. Look from a safe place at the inlets above: if water comes up out of "
        "one, keep children away and call the installer and, of a public drain, its owner.",
        _COMMON, _unseen_ends,
    ),
    _Rule(
        "Sump pumps", "in spring, and before frost",
        "Pour in water and see it start, stop and let out. Before frost take off the hose or open "
        "the bypass.",
        f"Grande Prairie AB (test in spring); before frost: {_COMMON}",
        lambda result: _nodes(result, "outlet", "pump"),
    ),
    _Rule(
        "Dry wells", "36 hours after a big rain, and in spring",
        "Look in: it should be empty. If not, it is silted up, stands in groundwater or lies in "
        "soil that is too tight. Keep leaves out by cleaning the basins above it.",
        f"Casa Grande AZ (retained water gone in 36 h); how often: {_COMMON}",
        lambda result: _apart(result, _nodes(result, "outlet", "dry well"), _slow_wells),
    ),
    _Rule(
        "Dry wells that empty slowly", "a day and three days after a big rain, and in spring",
        "Look in: by the soil as given it may be full for days, and the next rain then finds no "
        "room. Where the water has not gone down at all, it is silted up or stands in groundwater. "
        "Keep leaves out by cleaning the basins above it.",
        _COMMON, lambda result: _slow_wells(result, _nodes(result, "outlet", "dry well") or []),
    ),
    _Rule(
        "Ways of water over the ground", "whenever you mow, plant or build",
        "Mow swales; put no bed, shed, closed fence or fill in the way of water, yours or the "
        "neighbour's.",
        "Amberley OH, Hamilton ON",
        lambda result: _there(result, "lot_line_crossings", direction="on"),
    ),
    _Rule(
        "Ground at the house", "once a year; for several years after digging",
        "Where it was made to fall away from a wall, see that it still does. Fill what has "
        "settled over trenches, at steps and walks, nowhere that quote.txt says not to fill; keep "
        "soil 6 in below siding and sills.",
        "Lethbridge AB, St. Albert AB: backfill settles for several years",
        lambda result: _there(result, "buildings"),
    ),
)  # fmt: skip


def upkeep(layers: Mapping[str, pd.DataFrame], findings: Sequence[Finding] = ()) -> list[Duty]:
    """
    List what is to be kept up on a lot, from the roof down.

    Parameters
    ----------
    layers
        Of the result; `buildings`, `inlets`, `nodes`, `drain_lines` and `lot_line_crossings` are
        read, each may be missing.
    findings
        Those on outlets under water and on slow dry wells are read.

    Returns
    -------
    duties
        Those that hold for what is there once the proposed drains are built.

    Examples
    --------
    >>> import pandas as pd
    >>> inlets = pd.DataFrame({"name": ["CB1"], "kind": ["catch basin"]})
    >>> [(duty.what, duty.subjects) for duty in upkeep({"inlets": inlets})]
    [('Grates', ('CB1',)), ('Sumps of basins', ('CB1',))]
    """
    result = Result(layers, findings)
    found = ((rule, rule.of(result)) for rule in _RULES)
    return [
        Duty(rule.what, tuple(names), rule.how_often, rule.how, rule.source)
        for rule, names in found
        if names is not None
    ]
