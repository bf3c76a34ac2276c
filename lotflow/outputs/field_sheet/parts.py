"""The sheet: its parts in order, and what is printed on every one."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any, Final

from lotflow.advice.say import Say
from lotflow.findings import label, standing_alone
from lotflow.layers import RESULT_LAYERS, SITE_LAYERS
from lotflow.outputs.field_sheet.content import (
    FieldSheetContent,
    Row,
    lines_by_state,
    rows_of,
    there_today,
)
from lotflow.outputs.field_sheet.hose import hose_part
from lotflow.outputs.field_sheet.paper import print_sheet, text_width
from lotflow.outputs.field_sheet.priorities import (
    confidence,
    different_subjects,
    findings_to_check,
    first_to_check,
    were_realised,
)
from lotflow.outputs.field_sheet.typesetting import (
    BLANK,
    BOX,
    MISSING,
    Cell,
    Lettering,
    Span,
    Titled,
    Typesetter,
    register_fonts,
)
from lotflow.outputs.field_sheet.walk import Stage, shots, walk
from lotflow.outputs.summary_text import CAUTIONS
from lotflow.units import METRES_PER_FOOT, UnitSystem

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence


# What is printed on every sheet is common practice, no published source, unless one is named.
_VISIT: Final = ("Date, time", "By", "Weather now", "Rain, last 24 h", "Level, rod no.")

#: The first follow the questions of Charlotte-Mecklenburg Storm Water Services.
_QUESTIONS: Final = (
    "In every rain, or only in a heavy one? Since when, and what changed then: fence, patio, "
    "shed, pool, addition, a neighbour's work?",
    "Where exactly, how deep, for how many hours? Dates, photos, high-water marks?",
    "Did water come in? Through wall, floor, window well, door, floor drain?",
    "Wet in dry weather too? Irrigation, supply leak, spring, septic?",
    "Who cleans gutters, grates and pipes, and how often? Is anything blocked, here or next door?",
    "Where do sump, footing drain, AC, pool and water softener discharge?",
    "Private lines: irrigation, lighting, pool, gas to a grill, pet fence, septic. Where?",
    "Papers: plat with easements, grading plan, septic record, earlier drainage invoices, rules "
    "of the association?",
)

#: Depths from which US rules ask for a way out of a trench, and for protection of its walls
#: [m]: 29 CFR 1926.651(c)(2) and 1926.652(a).
_LADDER_DEPTH_M: Final = 4.0 * METRES_PER_FOOT
_SHORING_DEPTH_M: Final = 5.0 * METRES_PER_FOOT

_TRENCH: Final = (
    "Trenches: from {ladder} deep a ladder within {reach}, from {shoring} shoring or sloped "
    "walls unless in stable rock (US: 29 CFR 1926.651, .652); a stricter local rule governs. "
    "Spoil {back} back."
)
_TRENCH_FIGURES: Final[dict[UnitSystem, dict[str, str]]] = {
    "us": {"ladder": "4 ft", "reach": "25 ft", "shoring": "5 ft", "back": "2 ft"},
    "metric": {"ladder": "1.2 m", "reach": "7.6 m", "shoring": "1.5 m", "back": "0.6 m"},
}
_ON_SITE: Final = (
    "Near footings: no trench below a line that falls at 45 degrees from the footing, without an "
    "engineer. Cracks, leaning walls, steep slopes: an engineer first.",
    "Smell of sewage, grey water, paper: stop, gloves, tell the owner and the health department. "
    "Water near electricity: stay out until the power is off.",
    "Nobody alone in a trench, nobody into a pit or basin. Lift no grate while water runs into it, "
    "and put it back.",
)


def cautions(content: FieldSheetContent) -> list[str]:
    """List the cautions of a sheet, with what the data adds to them."""
    trench = _TRENCH.format(**_TRENCH_FIGURES[content.units]) + _deepest(content)
    return [*CAUTIONS[:1], trench, *_ON_SITE, *_drawn(content), *CAUTIONS[1:]]


def _deepest(content: FieldSheetContent) -> str:
    """Tell where a proposed trench is deepest, by the data."""
    _, planned = lines_by_state(content)
    known = [line for line in planned if line["deepest_trench_m"] is not None]
    if not known:
        return ""
    line = max(known, key=lambda line: (line["deepest_trench_m"], line["name"]))
    deepest = line["deepest_trench_m"]
    needs = ""
    if deepest >= _SHORING_DEPTH_M:
        needs = ": ladder, and shoring or sloped walls"
    elif deepest >= _LADDER_DEPTH_M:
        needs = ": ladder"
    depth = RESULT_LAYERS["drain_lines"].shown(line, "deepest_trench_m", content.units)
    return f" Deepest proposed invert: {depth} below ground ({line['name']}){needs}."


def _drawn(content: FieldSheetContent) -> Iterator[str]:
    """Name what was drawn that work must keep clear of."""
    rows = rows_of(content.site, "constraints")
    if rows:
        yield f"Drawn here, keep clear of: {'; '.join(_named(row) for row in rows)}."


def _named(row: dict[str, Any]) -> str:
    """Name one of them, with its kind."""
    return f"{row['name']} ({row['kind']})" if row["name"] else str(row["kind"])


_MOST_SPOTS: Final = 10
_MOST_FINDINGS: Final = 8
#: Rows left for what is found and is not in the data.
_SPARE_SPOTS: Final = 1
_SPARE_LINES: Final = 1
_SPOTS: Final = RESULT_LAYERS["low_spots"]
_LINES: Final = SITE_LAYERS["drain_lines"]
_END_HEADS: Final = (
    "Line, as drawn", "End", *_LINES.labels("diameter"), "Material, joint",
    *_LINES.labels("sediment", "standing_water"), "Invert below rim", "Falls to (clock)",
    "Other pipes in",
)  # fmt: skip


def _visit(setter: Typesetter, content: FieldSheetContent) -> list[Any]:
    """Set the head of the sheet: what it was made from, and who was there when."""
    doubt = "A dip or a fall smaller than the accuracy may be an error of the survey."
    table = setter.table(_VISIT, [[BLANK] * len(_VISIT)], [1] * len(_VISIT), height=22)
    return [setter.note(f"{content.note}. {doubt}"), table]


def _first_things(setter: Typesetter, content: FieldSheetContent) -> list[Any]:
    """Set what to check first: low spots in order, then what the checks found."""
    rmse = content.summary["accuracy"].get("rmse_m")
    ranked = first_to_check(content.summary["low_spots"], rmse)
    realised = were_realised(ranked)
    rows = [_spot_row(spot, _sureness(spot, rmse, realised), content)
            for spot in ranked[:_MOST_SPOTS]]  # fmt: skip
    rows += [["new"] + [BLANK] * 8 for _ in range(_SPARE_SPOTS)]
    (stands_in,) = _SPOTS.labels("probability")
    heads = (*_SPOTS.labels("id", "depth_m", "area_m2", "building_distance_m"),
             stands_in if realised else "Above error", "Note", "Bed level", "Water depth",
             "Photo no.")  # fmt: skip
    heading = setter.heading(
        "What to check first", _order_of(ranked, content.units, realised=realised)
    )
    table = setter.table(heads, rows, (4.5, 7, 8, 8.5, 7, 21, 10, 10, 9))
    more = _left_out(len(ranked) - _MOST_SPOTS, "low_spots.csv")
    return [
        *heading,
        table,
        *(setter.note(text) for text in more),
        *_findings(setter, content),
    ]


def _sureness(spot: Mapping[str, Any], rmse: float | None, realised: bool) -> str:
    """One thing in all rows: what the realisations say, or what the depth says."""
    known = spot["probability"] is not None if realised else bool(rmse)
    return f"{confidence(spot, rmse):.0%}" if known else "-"


def _order_of(ranked: Sequence[Mapping[str, Any]], units: UnitSystem, *, realised: bool) -> str:
    """Explain the order, and what is said of how sure a low spot is."""
    if not ranked:
        return "The data shows no low spot deeper than its limit. Look all the same."
    means = (
        "Stands in: share of the surfaces that the error of the data allows"
        if realised
        else "Above error: chance that the depth is more than the error of the data"
    )
    return (
        "Low spots by depth × that share × nearness to a building (half at "
        f"{Say(units).either('3 m', '10 ft')}); on the lot first, there and beyond it "
        f"what may be none last. {means}. Numbers as on the map."
    )


def _spot_row(spot: Mapping[str, Any], sureness: str, content: FieldSheetContent) -> list[Cell]:
    """Cells of a low spot."""
    notes = (
        "not closed: at least" if spot.get("not_closed") else "",
        f"may be none: {spot['artefact']}" if spot["artefact"] else "",
        "off the lot" if spot["on_lot_m2"] == 0 else "",
        f"inlets: {spot['inlets']}" if spot["inlets"] else "",
    )
    columns = ("id", "depth_m", "area_m2", "building_distance_m")
    known = [_SPOTS.shown(spot, column, content.units) for column in columns]
    return [*known, sureness, "; ".join(filter(None, notes)), BLANK, BLANK, BLANK]


def _left_out(count: int, where: str) -> list[str]:
    """Say how many are not listed."""
    return [f"and {count} more: see {where}"] if count > 0 else []


def _findings(setter: Typesetter, content: FieldSheetContent) -> list[Any]:
    """Set the findings that a look on site can settle, the house first."""
    found = findings_to_check(content.summary["findings"])
    if not found:
        return []
    first = different_subjects(found, _MOST_FINDINGS)
    alike = Counter((one["today"], one.get("part_of")) for one in content.summary["findings"])
    texts = []
    for one in first:
        count = alike[one["today"], label(one["rule"], one["subject"])]
        more_of_it = f" ({count} more of the same cause.)" if count else ""
        told = standing_alone(one["message"], today=one["today"])
        texts.append(f"{one['subject']}: {told}{more_of_it}")
    more = _left_out(len(found) - len(first), "plan.html")
    heading = setter.heading("Found by the checks: is it so?")
    return [*heading, *setter.bullets(texts, sign=BOX), *(setter.note(text) for text in more)]


def questions(setter: Typesetter) -> list[Any]:
    """Set the questions for the owner, with room for answers."""
    rows: list[list[Cell]] = [[str(n), text, BLANK] for n, text in enumerate(_QUESTIONS, start=1)]
    heading = setter.heading("Ask the owner")
    return [*heading, setter.table((), rows, (2.6, 42, 42), height=26)]


def _walk_part(setter: Typesetter, content: FieldSheetContent) -> list[Any]:
    """Set the walk from the top down."""
    rows: list[list[Cell]] = []
    spans: list[Span] = []
    for number, stage in enumerate(walk(content), start=1):
        spans.append((len(rows), 0, len(rows), 3))
        more = f" ({stage.left_out} more in result.gpkg)" if stage.left_out else ""
        title = Titled(f"{number}  {stage.title}", stage.look_for + more)
        rows += [[title, "", "", ""], *_stops(stage)]
    table = setter.table((), rows, (2.6, 26, 31, 26), height=20, spans=spans)
    return [*setter.heading("The walk, from the top down"), table]


def _stops(stage: Stage) -> list[list[Cell]]:
    """Stops of a stage; where nothing was drawn there is one to write in."""
    stops: list[list[Cell]] = [[BOX, place, data, BLANK] for place, data in stage.stops]
    return stops or [[BOX, BLANK, BLANK, BLANK]]


def _existing_drains(setter: Typesetter, content: FieldSheetContent) -> list[Any]:
    """Set the checks at both ends of every line that is there."""
    lines = there_today(rows_of(content.site, "drain_lines"))
    rows: list[list[Cell]] = []
    spans: list[Span] = []
    for line in [*lines, *[None] * (_SPARE_LINES if lines else 2 * _SPARE_LINES)]:
        upper = len(rows)
        spans += [(upper, 0, upper + 2, 0), (upper + 2, 1, upper + 2, 8)]
        rows += _line_rows(line, content)
    heading = setter.heading(
        "Existing drains: look at both ends",
        "Two ends that differ hide a joint between them. Directions by the clock, 12 is north.",
        room=220.0,
    )
    widths = (20, 19, 9, 13, 11, 11, 11, 9, 10)
    return [*heading, setter.table(_END_HEADS, rows, widths, spans=spans)]


def _line_rows(line: Row | None, content: FieldSheetContent) -> list[list[Cell]]:
    """Rows of a line: upper end, lower end, verdict."""
    blanks: list[Cell] = [BLANK] * 7
    verdict = (
        f"{BOX} keep  {BOX} clean, keep  {BOX} repair at ________  {BOX} abandon  |  "
        f"{BOX} measured  {BOX} assumed"
    )
    last: list[Cell] = [BLANK, verdict, *blanks]
    if line is None:
        return [[BLANK, "upper:", *blanks], [BLANK, "lower:", *blanks], last]
    return [
        [
            Titled(line["name"], _as_drawn(line, content)),
            f"upper: {line['from_node'] or '?'}",
            *blanks,
        ],
        [BLANK, f"lower: {line['to_node'] or '?'}", *blanks],
        last,
    ]


def _as_drawn(line: Row, content: FieldSheetContent) -> str:
    """What was drawn of a line: size, material, and whether it was measured."""
    sizes = [
        _LINES.shown(line, key, content.units)
        for key in ("diameter", "diameter_down")
        if line[f"{key}_m"] is not None
    ]
    if not sizes and line["size_m"] is not None:
        sizes = [_LINES.shown(line, "size", content.units)]
    parts = (" to ".join(sizes), line["material"], line["evidence"])
    return ", ".join(filter(None, parts))


def _levels_part(setter: Typesetter, content: FieldSheetContent) -> list[Any]:
    """Set the levels to take."""
    rows: list[list[Cell]] = [
        [shot.place, shot.reason, shot.upper, BLANK, shot.lower, BLANK] for shot in shots(content)
    ]
    heads = ("Place", "Why", "Level, by the data", "Shot", "Level, by the data", "Shot")
    heading = setter.heading(
        "Levels to take",
        "With an instrument, not by eye; close on the benchmark within "
        f"{Say(content.units).either('6 mm', '0.02 ft')}. A pipe at 1 % is decided by "
        "the level, never by the elevation data.",
        room=220.0,
    )
    return [*heading, setter.table(heads, rows, (26, 31, 18, 11, 18, 11))]


def _cautions_part(setter: Typesetter, content: FieldSheetContent) -> list[Any]:
    """Set the cautions."""
    return [*setter.heading("Cautions"), *setter.bullets(cautions(content))]


def field_sheet_pdf(content: FieldSheetContent) -> bytes:
    """Set and print a field sheet."""
    lettering = Lettering(register_fonts())
    setter = Typesetter(lettering, text_width(content.units))

    def story() -> list[Any]:
        parts = [
            *_visit(setter, content),
            *_first_things(setter, content),
            *questions(setter),
            *_walk_part(setter, content),
            *_existing_drains(setter, content),
            *hose_part(setter, content),
            *_levels_part(setter, content),
            *_cautions_part(setter, content),
        ]
        return [*parts, *_lacking(setter, lettering)]

    title = lettering.plain(content.title)
    return print_sheet(story, picture=content.picture, title=title, units=content.units)


def _lacking(setter: Typesetter, lettering: Lettering) -> list[Any]:
    """Say which characters the font lacks, where it lacks some."""
    if not lettering.missing:
        return []
    codes = sorted(f"U+{ord(character):04X}" for character in lettering.missing)
    listed = ", ".join(codes[:12]) + (" and more" if len(codes) > 12 else "")
    return [
        setter.note(
            f"{MISSING} stands for characters that the font of this sheet lacks: {listed}. The "
            "names are whole in the result's other files."
        )
    ]
