"""The sheet: its parts in order, and what is printed on every one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from lotflow.advice.first_levels import question_words
from lotflow.layers import RESULT_LAYERS, SITE_LAYERS
from lotflow.outputs.field_sheet.content import (
    FieldSheetContent,
    Row,
    lines_by_state,
    rows_of,
    there_today,
)
from lotflow.outputs.field_sheet.hose import hose_part
from lotflow.outputs.field_sheet.paper import print_sheet, text_size
from lotflow.outputs.field_sheet.set_out import set_out_parts
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
from lotflow.outputs.field_sheet.vector_map import VectorMap
from lotflow.outputs.field_sheet.walk import Stop, level_place_name, walk
from lotflow.outputs.summary_text import CAUTIONS, RUN_ON, causes_in_short, trench_caution
from lotflow.units import METRES_PER_FOOT

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping


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
    trench = trench_caution(content.units) + _deepest(content)
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


#: Lines for which there is room where none is drawn.
_SPARE_LINES: Final = 1
#: Height of the map on the first page, and least and greatest where it takes what is left [point].
_MAP_HEIGHT: Final = 372.0
_MAP_BETWEEN: Final = (225.0, 420.0)
_LINES: Final = SITE_LAYERS["drain_lines"]
_END_HEADS: Final = (
    "Line, as drawn", "End", *_LINES.labels("diameter"), "Material, joint",
    *_LINES.labels("sediment", "standing_water"), "Invert below rim", "Falls to (clock)",
    "Other pipes in",
)  # fmt: skip


def _visit(setter: Typesetter, content: FieldSheetContent) -> list[Any]:
    """Set the head of the sheet: what it was made from, and who was there when."""
    table = setter.table(_VISIT, [[BLANK] * len(_VISIT)], [1] * len(_VISIT), height=18)
    return [setter.note(f"{content.note}."), table]


def _answer(setter: Typesetter, content: FieldSheetContent, *, short: bool = False) -> list[Any]:
    """
    Set the answer, item by item, each with room for what is seen on site.

    `short`: without what the map shows too.
    """
    checks: set[str] = set()
    rows: list[list[Cell]] = []
    for one in content.summary.get("answer", []):
        check = "" if one["check"] in checks else one["check"]
        checks.add(check)
        rows.append([str(one["rank"]), _card(one, check, short=short), BLANK])
    heads = ("", "What happens, and what to do first", "Seen on site")
    return [setter.table(heads, rows, (3, 69, 14))] if rows else []


def _card(one: Mapping[str, Any], check: str, *, short: bool) -> Titled:
    """An item as it stands in its cell."""
    first = one["steps"][0] if one["steps"] else ""
    causes = "" if short or one["theme"] == RUN_ON else causes_in_short(one["causes"])
    lines = (
        ("Why?", causes),
        ("Do first:", first),
        ("How sure?", f"{one['grade_means'].capitalize()}. {check}"),
    )
    return Titled(one["harm"], "", tuple(line for line in lines if line[1]))


def questions(setter: Typesetter) -> list[Any]:
    """Set the questions for the owner, with room for answers."""
    rows: list[list[Cell]] = [[str(n), text, BLANK] for n, text in enumerate(_QUESTIONS, start=1)]
    heading = setter.heading("Ask the owner")
    return [*heading, setter.table((), rows, (2.6, 54, 30), height=18)]


def first_levels_part(setter: Typesetter, content: FieldSheetContent) -> list[Any]:
    """Set the levels to take first, with the question each settles; nothing where none is known."""
    rows = first_level_rows(content)
    if not rows:
        return []
    heading = setter.heading(
        "First levels, in the order of what they settle",
        "Short of time, take these; two that belong together tell little alone. One benchmark of "
        "your own is enough for all. The rest follows in walking order.",
        room=150.0,
    )
    labels = RESULT_LAYERS["levels_to_take"].labels
    heads = (*labels("rank", "place", "question", "settles", "level_m"), "Shot")
    return [*heading, setter.table(heads, rows, (5, 36, 39, 10, 11, 9), height=16)]


def first_level_rows(content: FieldSheetContent) -> list[list[Cell]]:
    """Cells of the levels to take first, in their order."""
    layer = RESULT_LAYERS["levels_to_take"]
    rows: list[list[Cell]] = []
    for one in rows_of(content.layers, "levels_to_take"):
        with_ = "" if one["together_with"] is None else f" (with {one['together_with']:.0f})"
        rows.append([
            str(one["rank"]), f"{level_place_name(one, content.units)}{with_}", question_words(one),
            layer.shown(one, "settles", content.units),
            layer.shown(one, "level_m", content.units), BLANK,
        ])  # fmt: skip
    return rows


def _walk_part(setter: Typesetter, content: FieldSheetContent) -> list[Any]:
    """Set what to look at and to measure, in the order in which it is walked."""
    rows: list[list[Cell]] = []
    spans: list[Span] = []
    for number, stage in enumerate(walk(content), start=1):
        spans.append((len(rows), 0, len(rows), 5))
        more = f" ({stage.left_out} more in result.gpkg)" if stage.left_out else ""
        rows.append([Titled(f"{number}  {stage.title}", stage.look_for + more), *[""] * 5])
        for stop in stage.stops or (None,) * stage.has_room:
            if stop is None or not (stop.upper or stop.lower):
                # nothing to level: one blank to write in
                spans.append((len(rows), 2, len(rows), 5))
            rows.append(_stop_row(stop))
    heads = ("Place", "What the data says", "Level by data", "Shot", "Level by data", "Shot")
    heading = setter.heading(
        "What to measure, in walking order",
        "Levels with an instrument, not by eye. A pipe at 1 % is decided by the level, never by "
        "the elevation data. In the notes a level is called as it is printed here, with its place: "
        "Low spot 1 spill.",
        room=220.0,
    )
    widths = (30, 27, 17.5, 9, 18.5, 9)
    return [*heading, setter.table(heads, rows, widths, height=16, spans=spans)]


def _stop_row(stop: Stop | None) -> list[Cell]:
    """Cells of a place; where nothing was drawn, blanks."""
    if stop is None:
        return [BLANK] * 6
    if not (stop.upper or stop.lower):
        return [stop.place, stop.reason, *[BLANK] * 4]
    cells = [(str(one), BLANK) if one else ("", "") for one in (stop.upper, stop.lower)]
    return [stop.place, stop.reason, *cells[0], *cells[1]]


def _existing_drains(setter: Typesetter, content: FieldSheetContent) -> list[Any]:
    """Set the checks at both ends of every line that is there."""
    lines = there_today(rows_of(content.site, "drain_lines"))
    rows: list[list[Cell]] = []
    spans: list[Span] = []
    listed: list[Row | None] = [*lines] or [None] * _SPARE_LINES
    for line in listed:
        upper = len(rows)
        spans += [(upper, 0, upper + 2, 0), (upper + 2, 1, upper + 2, 8)]
        rows += _line_rows(line, content)
    heading = setter.heading(
        "Existing drains: look at both ends",
        "Two ends that differ hide a joint between them. Directions by the clock, 12 is north.",
        room=150.0,
    )
    widths = (20, 18, 12.5, 12, 12, 11.5, 9.5, 9, 8)
    return [*heading, setter.table(_END_HEADS, rows, widths, height=16, spans=spans)]


def _line_rows(line: Row | None, content: FieldSheetContent) -> list[list[Cell]]:
    """Rows of a line: upper end, lower end, verdict."""
    blanks: list[Cell] = [BLANK] * 7
    verdict = (
        f"{BOX} keep  {BOX} clean, keep  {BOX} repair at ________  {BOX} relay  {BOX} abandon  |  "
        f"{BOX} measured"
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


def _cautions_part(setter: Typesetter, content: FieldSheetContent) -> list[Any]:
    """Set the cautions."""
    return [*setter.heading("Cautions"), *setter.bullets(cautions(content))]


def field_sheet_pdf(content: FieldSheetContent) -> bytes:
    """Set and print a field sheet."""
    lettering = Lettering(register_fonts())
    width, height = text_size(content.units)
    setter = Typesetter(lettering, width)

    def story() -> list[Any]:
        if content.is_screening:
            return _one_page(setter, content, lettering, (width, height))
        parts = [
            *_visit(setter, content),
            *_map(content, lettering, width, _MAP_HEIGHT),
            *_answer(setter, content),
            *first_levels_part(setter, content),
            *_walk_part(setter, content),
            *set_out_parts(setter, content, lettering, width),
            *questions(setter),
            *_existing_drains(setter, content),
            *hose_part(setter, content),
            *_cautions_part(setter, content),
        ]
        return [*parts, *_lacking(setter, lettering)]

    title = lettering.plain(content.title)
    return print_sheet(story, title=title, units=content.units)


def _one_page(
    setter: Typesetter, content: FieldSheetContent, lettering: Lettering, size: tuple[float, float]
) -> list[Any]:
    """Set a screening: the map takes what the answer and the cautions leave of the page."""
    above, least = _visit(setter, content), _MAP_BETWEEN[0]
    for short in (False, True):
        below = [
            *_answer(setter, content, short=short), setter.note(" ".join(CAUTIONS)),
            *_lacking(setter, lettering),
        ]  # fmt: skip
        left = size[1] - sum(_height(part, size) for part in (*above, *below)) - 1.0
        if left >= least:
            break
    return [*above, *_map(content, lettering, size[0], min(max(left, least), _MAP_BETWEEN[1])),
            *below]  # fmt: skip


def _height(part: Any, size: tuple[float, float]) -> float:
    """Height that a part takes, with the room before and after it [point]."""
    _, high = part.wrap(*size)
    return float(high + part.getSpaceBefore() + part.getSpaceAfter())


def _map(
    content: FieldSheetContent, lettering: Lettering, width: float, height: float
) -> list[Any]:
    """Set the map, with the low spots of the lot on it by number."""
    if content.map is None:
        return []
    listed = [one["id"] for one in content.summary["low_spots"] if one["on_lot_m2"]]
    return [VectorMap(content.map, lettering, width, height, listed)]


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
