"""The walk from the top down, and the levels to take on it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from lotflow.advice.say import Say
from lotflow.layers import RESULT_LAYERS, SITE_LAYERS
from lotflow.outputs.field_sheet.content import (
    FieldSheetContent,
    Row,
    proposed,
    rows_of,
    there_today,
)
from lotflow.outputs.field_sheet.priorities import to_be_levelled
from lotflow.units import shown

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

    from lotflow.units import UnitSystem


#: Most stops of each kind.
_MOST: Final = {"outlet options": 3, "downspouts": 16, "run-on": 5, "spots": 8, "inlets": 12,
                "outlets": 8}  # fmt: skip

#: Verdict of an outlet that gravity reaches by the data.
_REACHABLE: Final = "reachable"

_SPOTS: Final = RESULT_LAYERS["low_spots"]
_OPTIONS: Final = RESULT_LAYERS["outlet_options"]
_SIDES: Final = RESULT_LAYERS["facades"]
_LEVELS: Final = RESULT_LAYERS["levels_to_take"]
_CROSSINGS: Final = RESULT_LAYERS["lot_line_crossings"]


#: Place of what is drawn nowhere.
_NOWHERE: Final = (math.nan, math.nan)


@dataclass(frozen=True)
class ToLevel:
    """A level that is asked for at a stop."""

    #: What of the place it is of: with the place its name in level notes.
    of: str
    #: What is known of it, as it is printed behind that.
    known: str = ""
    #: Where; NaN where the crew chooses the place, or nobody has drawn it.
    x: float = math.nan
    y: float = math.nan
    #: What the rod stands on where that is sure, and what is drawn there whose level it is.
    surface_kind: str = ""
    subject: str = ""
    #: Whether it is only compared: its place is beside the one that is drawn.
    only_compared: bool = False

    def __str__(self) -> str:
        """As it is printed."""
        return f"{self.of}{self.known}"


@dataclass(frozen=True)
class Stop:
    """A place at which something is looked at, and the levels to take there."""

    place: str
    #: What the data says of it, or why it is levelled.
    reason: str
    #: Levels that are taken there.
    lower: ToLevel | None = None
    upper: ToLevel | None = None
    #: Where water comes on; NaN of other places where no level is taken.
    x: float = math.nan
    y: float = math.nan
    #: Its name alone, where more is printed.
    name: str = ""


@dataclass(frozen=True)
class Stage:
    """A stage of the walk."""

    #: What is looked at.
    title: str
    #: What to look for there.
    look_for: str
    #: Each place, and what the data says of it.
    stops: Sequence[Stop] = ()
    #: How many places of this kind are not listed.
    left_out: int = 0
    #: Whether there is a row to write in where nothing is listed.
    has_room: bool = True


def walk(content: FieldSheetContent) -> list[Stage]:
    """
    Give the stages of the walk, each with the levels to take there.

    From the benchmark and the outlet over roof, run-on, house, low spots and inlets to the lines
    and their ends.
    """
    return [
        Stage(
            "Benchmark",
            "On something that stays; close back on it within "
            f"{Say(content.units).either('6 mm', '0.02 ft')}. Tie points on even paving tie the "
            "levels to the data.",
            list(_ties()),
        ),
        _outside(content),
        _roof(content),
        _run_on(content),
        _house(content),
        _spots(content),
        _inlets(content),
        _lines(content),
        _outlets(content),
        Stage(
            "Everything else",
            "Sump, footing drain, AC and pool water: where to? Septic, well, trees, utility "
            "marks, width for machines.",
        ),
    ]


def level_place_name(level: Row, units: UnitSystem) -> str:
    """
    Name the place of a level to take first, as it is printed.

    `level`: of the layer `levels_to_take`.

    Examples
    --------
    >>> level_place_name({"away_m": 3.048, "place": "out from House, south side"}, "us")
    '10.0 ft out from House, south side'
    """
    away = "" if level["away_m"] is None else f"{_LEVELS.shown(level, 'away_m', units)} "
    return f"{away}{level['place']}"


def sheet_places(content: FieldSheetContent) -> list[dict[str, Any]]:
    """
    List every place that the sheet prints, by the names that level notes may call it.

    Parameters
    ----------
    content
        Of the sheet; all low spots and run-on count, those too for which it has no room.

    Returns
    -------
    places
        `name`, `x`, `y` (None where the crew chooses the place, or nobody has drawn it),
        `surface_kind` and `subject` where the place tells what is levelled, and `only_compared`.
    """
    found: list[tuple[str, ToLevel]] = []
    for stop in (stop for stage in walk(content) for stop in stage.stops):
        levels = [one for one in (stop.upper, stop.lower) if one is not None]
        for name in filter(None, (stop.place, stop.name)):
            found += [(f"{name} {one.of}", one) for one in levels]
        if not math.isnan(stop.x):
            found.append((stop.place, ToLevel("", x=stop.x, y=stop.y)))
    found += [(name, ToLevel("")) for name in _OWN_CHOICE]
    for side in content.summary["facades"]:
        foot, out = _ends_of(side, content)
        names = (f"foot of {side['name']}", f"{side['name']} {foot.of}"), (
            f"{_out(side, content)} out from {side['name']}", f"{side['name']} {out.of}",
            f"{side['name']}, {_out(side, content)} out",
        )  # fmt: skip
        found += [(name, at) for called, at in zip(names, (foot, out), strict=True)
                  for name in called if not math.isnan(at.x)]  # fmt: skip
    for spot in content.summary["low_spots"]:
        stop = _spot_levels(spot, content)
        found += [(f"{stop.place} {one.of}", one) for one in (stop.lower, stop.upper) if one]
        found.append((stop.place, replace(stop.lower or ToLevel(""), of="", known="")))
    for one in content.summary["lot_line_crossings"]:
        if one["direction"] == "on":
            at = ToLevel("", x=_number(one.get("x")), y=_number(one.get("y")))
            found.append((f"Run-on {one['id']}", at))
    for stake in rows_of(content.layers, "stakes"):
        at = ToLevel("", x=_number(stake["x"]), y=_number(stake["y"]))
        found.append((f"Stake {stake['id']}", at))
    not_there = {
        str(one["name"])
        for layer in ("inlets", "outlets")
        for one in proposed(rows_of(content.site, layer))
    }
    for one in rows_of(content.layers, "levels_to_take"):
        level = _first_level(one, not_there)
        found += [(level_place_name(one, content.units), level), (f"Level {one['rank']}", level)]
    return [
        {
            "name": name, "x": x, "y": y, "surface_kind": surface_kind, "subject": subject,
            "only_compared": only_compared,
        }
        for name, x, y, surface_kind, subject, only_compared in dict.fromkeys(
            (name, _none(one.x), _none(one.y), one.surface_kind, one.subject, one.only_compared)
            for name, one in found
        )
    ]  # fmt: skip


#: What of a place a level is of that stands there, by the kind of the place: no ground.
_LEVEL_OF: Final = {"inlet": "rim", "rim": "rim", "invert": "invert", "sill": "sill"}


def _first_level(level: Row, not_there: Collection[str]) -> ToLevel:
    """Where a level to take first is, and what it is of: of what is not built yet the ground."""
    at = ToLevel("", x=_number(level["x"]), y=_number(level["y"]))
    name = str(level["named"] or "")
    if level["kind"] not in _LEVEL_OF or name in not_there:
        return at
    return replace(at, surface_kind=_LEVEL_OF[level["kind"]], subject=name)


def _none(value: float) -> float | None:
    """A place as the summary has it, to a tenth of a millimetre; None where there is none."""
    return None if math.isnan(value) else round(value, 4) + 0.0


def _stage(title: str, look_for: str, stops: Sequence[Stop], most: int) -> Stage:
    """Make a stage of no more than so many stops."""
    return Stage(title, look_for, stops[:most], max(len(stops) - most, 0))


def _high_to_low(rows: Iterable[Row], key: str) -> list[Row]:
    """
    Order places from high to low; those of unknown level last.

    Examples
    --------
    >>> rows = [{"level_m": 1.0}, {"level_m": None}, {"level_m": 2.0}]
    >>> [row["level_m"] for row in _high_to_low(rows, "level_m")]
    [2.0, 1.0, None]
    """
    return sorted(rows, key=lambda row: (row[key] is None, -(row[key] or 0.0)))


def _outside(content: FieldSheetContent) -> Stage:
    """Outside the lot: the outlet first."""
    best = [one for one in content.summary.get("outlet_options", []) if one["rank"] == 1]
    stops = [
        Stop(
            f"{one['subject']} to {one['place']}".capitalize(),
            f"{_OPTIONS.shown(one, 'run_m', content.units)}, {_left(one, content)}"
            + ("" if one["verdict"] == _REACHABLE else f": {one['verdict']}"),
        )
        for one in best
    ]
    most = _MOST["outlet options"]
    return Stage(
        "Outside the lot: the outlet first",
        "Where may water leave: street, ditch, swale, public inlet, pond, neighbour?",
        [*stops[:most], *_new_ends(content)],
        max(len(stops) - most, 0),
    )


def _left(option: Row, content: FieldSheetContent) -> str:
    """What is left of the fall after the least fall of a pipe, or what it lacks."""
    if option["left_m"] is None:
        return "fall unknown"
    fall = _OPTIONS.column("left_m").shown(abs(option["left_m"]), content.units)
    return f"{fall} to spare" if option["left_m"] >= 0 else f"lacks {fall}"


def _roof(content: FieldSheetContent) -> Stage:
    """Roof and downspouts."""
    spouts = there_today(rows_of(content.site, "downspouts"))
    stops = [
        Stop(
            _joined(one["name"] or "Downspout", one["building"]),
            f"to {one['leads_to'] or '?'}" + _roof_area(one, content),
        )
        for one in spouts
    ]
    return _stage(
        "Roof and downspouts",
        "Gutters on which eaves, clean? Streaks of overflow, a trench under the drip line? Count "
        "every downspout: size, where it really goes; its roof is given.",
        stops,
        _MOST["downspouts"],
    )


def _roof_area(spout: Row, content: FieldSheetContent) -> str:
    """Roof a downspout drains, where it was given."""
    area = SITE_LAYERS["downspouts"].shown(spout, "roof_area", content.units)
    return "" if spout["roof_area_m2"] is None else f"; {area}"


def _run_on(content: FieldSheetContent) -> Stage:
    """Where water comes onto the lot: the largest, from high to low."""
    places = [c for c in content.summary["lot_line_crossings"] if c["direction"] == "on"]
    places.sort(key=lambda place: -(place["area_m2"] or 0.0))
    most = _MOST["run-on"]
    stops = [
        Stop(
            f"Run-on {one['id']}",
            f"{_CROSSINGS.shown(one, 'elevation_m', content.units)}; "
            f"{_CROSSINGS.shown(one, 'area_m2', content.units)}",
            x=_number(one.get("x")),
            y=_number(one.get("y")),
        )
        for one in _high_to_low(places[:most], "elevation_m")
    ]
    return Stage(
        "Run-on over the lot line, from high to low",
        "Fence, bed edging, shed, fill or debris in the flow line? Washed-out soil, flattened "
        "grass?",
        stops,
        max(len(places) - most, 0),
    )


def _house(content: FieldSheetContent) -> Stage:
    """Ring round the house: openings, then the sides that fail, then those undecided."""
    return Stage(
        "Ring round the house",
        "Settled ground at steps, decks, trenches and walks; beds that dam water; soil less than "
        f"{Say(content.units).either('150 mm', '6 in')} below siding; vents and window wells.",
        [*_opening_levels(content), *_side_levels(content)],
    )


def _spots(content: FieldSheetContent) -> Stage:
    """Low spots on the lot outside buildings: the most urgent, from high to low."""
    rmse = content.summary["accuracy"].get("rmse_m")
    spots = [dict(spot) for spot in to_be_levelled(content.summary["low_spots"], rmse)]
    most = _MOST["spots"]
    return Stage(
        "Low spots, from high to low",
        "Probe. Moss, bare crust, smell, fans of sediment? One auger hole "
        f"{Say(content.units).either('300 mm', '12 in')} deep at the worst: topsoil, clay, "
        "grey mottles, water rising in it.",
        [_spot_levels(spot, content) for spot in _high_to_low(spots[:most], "bed_elevation_m")],
        max(len(spots) - most, 0),
    )


def _spot_levels(spot: Row, content: FieldSheetContent) -> Stop:
    """Deepest point and spill point of a low spot."""
    depth = _SPOTS.shown(spot, "depth_m", content.units)
    depth = f"at least {depth}" if spot.get("not_closed") else depth
    return Stop(
        f"Low spot {spot['id']}",
        f"{depth} deep?"
        + (f" {spot['inlets']}" if spot["inlets"] else "")
        + (f" may be none: {spot['artefact']}" if spot["artefact"] else ""),
        _level("deepest", spot["bed_elevation_m"], content, spot.get("level_from"),
               at=(spot.get("x"), spot.get("y"))),
        _level("spill", spot["spill_elevation_m"], content, spot.get("level_from"),
               at=(spot.get("spill_x"), spot.get("spill_y"))),
    )  # fmt: skip


def _inlets(content: FieldSheetContent) -> Stage:
    """Inlets that are there, with the levels of their rims and inverts."""
    known = {row["name"]: row for row in _nodes_today(content, "inlet")}
    places = _drawn_at(content, "inlets")
    leave: dict[Any, list[str]] = {}
    for line in there_today(rows_of(content.site, "drain_lines")):
        leave.setdefault(line["from_node"], []).append(str(line["name"]))
    stops = []
    for one in there_today(rows_of(content.site, "inlets")):
        node = known.get(one["name"], {})
        rim = node.get("rim_m") if one["rim_m"] is None else one["rim_m"]
        at, lines = places.get(one["name"], _NOWHERE), leave.get(one["name"], [])
        invert = _level("invert", node.get("invert_m"), content, at=at)
        if len(lines) == 1:
            invert = replace(invert, surface_kind="invert", subject=f"{lines[0]} upper end")
        else:  # of which line, a row of the notes must tell
            invert = replace(invert, surface_kind="invert", only_compared=True)
        stops.append(
            Stop(
                _joined(one["name"], one["kind"]),
                _above_ground(one, content) or "the low point?",
                invert,
                replace(_level("rim", rim, content, node.get("level_from"), at=at),
                        surface_kind="rim", subject=str(one["name"])),
                name=str(one["name"]),
            )
        )  # fmt: skip
    return _stage(
        "Inlets",
        "Is the grate the low point, or is ground beside it lower? Size and open share of the "
        "grate, depth of the sump below the outlet, sediment, pipes that come in.",
        stops,
        _MOST["inlets"],
    )


def _above_ground(inlet: Row, content: FieldSheetContent) -> str:
    """What was drawn of the height of a rim."""
    if not inlet["rim_above_ground_m"]:
        return ""
    height = SITE_LAYERS["inlets"].shown(inlet, "rim_above_ground", content.units)
    return f"{height} above the ground"


def _nodes_today(content: FieldSheetContent, kind: str) -> list[Row]:
    """Nodes of the drains of today; bends and junctions cannot be reached with a rod."""
    return [row for row in rows_of(content.layers, "nodes")
            if row["scenario"] == "today" and row["kind"] == kind]  # fmt: skip


def _lines(content: FieldSheetContent) -> Stage:
    """Lines that are there: each has its own rows in the table of existing drains."""
    names = [str(line["name"]) for line in there_today(rows_of(content.site, "drain_lines"))]
    listed = f" Both ends of {', '.join(names)}: see existing drains." if names else ""
    return Stage(
        "Drain lines",
        f"Follow each from its top. Sunk ground, wet streaks or lush grass above it?{listed}",
        has_room=False,
    )


def _outlets(content: FieldSheetContent) -> Stage:
    """Outlets that are there, from high to low."""
    known = {row["name"]: row for row in _nodes_today(content, "outlet")}
    outlets = there_today(rows_of(content.site, "outlets"))
    places = _drawn_at(content, "outlets")
    stops = []
    for one in _high_to_low(outlets, "invert_m"):
        node, at = known.get(one["name"], {}), places.get(one["name"], _NOWHERE)
        invert = _level("invert", one["invert_m"], content, node.get("level_from"), at=at)
        stops.append(
            Stop(
                _joined(one["name"], one["kind"]), "fall of the whole line",
                replace(invert, surface_kind="invert", subject=str(one["name"])),
                _level("ground", node.get("rim_m"), content, at=at),
                name=str(one["name"]),
            )
        )  # fmt: skip
    return _stage(
        "Outlets",
        "Open, and running when the hose runs? Curb, daylight, emitter, dry well, public inlet, "
        "sanitary sewer (not allowed). Not found is a result: write it down.",
        stops,
        _MOST["outlets"],
    )


def _joined(name: Any, more: Any) -> str:
    """A name with what else is known of it."""
    return f"{name}, {more}" if more else str(name)


#: Most rows of each kind, so that the list is walked to its end.
_MOST_ENDS: Final = 6
_MOST_SIDES: Final = 6
_MOST_OPENINGS: Final = 10
#: Places that the crew chooses: of these its notes give x and y.
_OWN_CHOICE: Final = ("Benchmark", "Tie point 1", "Tie point 2", "Tie point 3")

#: Verdicts on the ground beside a building that a level can change.
_UNDECIDED: Final = ("too flat", "cannot tell")


def _ties() -> Iterator[Stop]:
    """Benchmark, and what ties the levels to the elevation data."""
    stays = "close on it"
    yield Stop("Benchmark", stays, ToLevel("start"), ToLevel("closing"))
    for name in _OWN_CHOICE[1:]:
        yield Stop(name, "even paving", ToLevel("x, y"), ToLevel("shot"))


def _opening_levels(content: FieldSheetContent) -> Iterator[Stop]:
    """Sills and the ground beside them."""
    openings = content.summary.get("openings", [])
    places = _drawn_at(content, "openings")
    for one in openings[:_MOST_OPENINGS]:
        at = places.get(one["name"], _NOWHERE)
        sill = _level("sill", one["sill_m"], content, one.get("level_from"), at=at)
        yield Stop(
            str(one["name"] or one["kind"] or "Opening"),
            _why_opening(one, content),
            _level("ground", one["ground_m"], content, at=at),
            replace(sill, surface_kind="sill", subject=str(one["name"] or "")),
        )
    if not openings:
        level = ToLevel("level", surface_kind="sill", only_compared=True)
        ground, rim = ToLevel("ground"), replace(level, of="rim")
        yield Stop("Lowest door sill", "water enters there first", ground, level)
        yield Stop("Lowest window well, vent", "likewise", ground, rim)


def _why_opening(one: Mapping[str, Any], content: FieldSheetContent) -> str:
    """Why an opening is levelled."""
    freeboard = one["freeboard_m"]
    if freeboard is None:
        return "height of the step"
    height = RESULT_LAYERS["openings"].column("freeboard_m").shown(abs(freeboard), content.units)
    side = "above" if freeboard >= 0 else "below"
    height = f"at most {height}" if one.get("not_closed") and freeboard >= 0 else height
    return f"{height} {side} spill {one['low_spot']}"


def _new_ends(content: FieldSheetContent) -> Iterator[Stop]:
    """Where proposed lines are to end: a curb is often not in the data."""
    places = _drawn_at(content, "outlets")
    for outlet in proposed(rows_of(content.site, "outlets"))[:_MOST_ENDS]:
        at = places.get(outlet["name"], _NOWHERE)
        x, y = at
        invert, name = _level("invert", outlet["invert_m"], content), str(outlet["name"])
        if outlet["kind"] == "curb":
            # its flow line is what a pipe must stay above; few rasters show it
            gutter = ToLevel("gutter", x=x, y=y, surface_kind="gutter")
            walk_ = ToLevel("walk", x=x, y=y, surface_kind="hard", only_compared=True)
            yield Stop(name, f"a curb; {invert}", gutter, walk_)
        else:
            reason = f"is there fall to it? {invert}"
            yield Stop(name, reason, None, ToLevel("ground", x=x, y=y))


def _side_levels(content: FieldSheetContent) -> Iterator[Stop]:
    """Sides of buildings of which the data cannot tell whether the ground falls away."""
    for side in _undecided_sides(content.summary)[:_MOST_SIDES]:
        reason = _fall(side) if side["verdict"] == "too flat" else "the data cannot tell"
        reason += ", levelled" if side.get("level_from") == "levelled" else ""
        foot, out = _ends_of(side, content)
        yield Stop(side["name"], reason, out, foot)


def _ends_of(side: Row, content: FieldSheetContent) -> tuple[ToLevel, ToLevel]:
    """Levels at the foot of a wall and out from it."""
    foot = ToLevel("at wall", x=_number(side["foot_x"]), y=_number(side["foot_y"]))
    away = f"at {_out(side, content)}"
    return foot, ToLevel(away, x=_number(side["out_x"]), y=_number(side["out_y"]))


def _out(side: Row, content: FieldSheetContent) -> str:
    """How far from a wall the lower level is taken."""
    return _SIDES.shown(side, "out_m", content.units)


def _fall(side: Row) -> str:
    """Tell which way the ground falls at a wall."""
    slope = _SIDES.column("slope").shown(abs(side["slope"]), "us")
    return f"{slope} {'away from' if side['slope'] >= 0 else 'towards'} the wall"


def _undecided_sides(summary: Mapping[str, Any]) -> list[Row]:
    """Give the sides of buildings to be levelled, those that fail by the data first."""
    sides = [side for side in summary.get("facades", []) if side["verdict"] in _UNDECIDED]
    return sorted(sides, key=lambda side: _UNDECIDED.index(side["verdict"]))


def _level(
    of: str, level_m: float | None, content: FieldSheetContent, source: str | None = None,
    at: tuple[Any, Any] = _NOWHERE,
) -> ToLevel:  # fmt: skip
    """Ask for a level, with what the data has for it; what was levelled already says so."""
    x, y = _number(at[0]), _number(at[1])
    if level_m is None:
        return ToLevel(of, x=x, y=y)
    mark = ", levelled" if source == "levelled" else ""
    return ToLevel(of, f" {shown(level_m, 'elevation', content.units)}{mark}", x, y)


def _number(value: float | None) -> float:
    """A missing number as NaN."""
    return math.nan if value is None else float(value)


def _drawn_at(content: FieldSheetContent, layer: str) -> dict[Any, tuple[float, float]]:
    """Where each thing of a layer of the site is drawn, by its name."""
    frame = content.site.get(layer)
    if frame is None or "geometry" not in frame:
        return {}
    points = [shape.representative_point() for shape in frame["geometry"]]
    return {name: (point.x, point.y) for name, point in zip(frame["name"], points, strict=True)}
