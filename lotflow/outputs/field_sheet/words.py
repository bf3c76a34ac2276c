"""
What is printed on every field sheet: questions for the owner, cautions.

Common practice, no published source, unless one is named beside it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.field_sheet.content import FieldSheetContent, lines_by_state, rows_of
from lotflow.outputs.summary_text import CAUTIONS
from lotflow.units import METRES_PER_FOOT

if TYPE_CHECKING:
    from collections.abc import Iterator

VISIT: Final = ("Date, time", "By", "Weather now", "Rain, last 24 h", "Level, rod no.")

#: The first follow the questions of Charlotte-Mecklenburg Storm Water Services.
QUESTIONS: Final = (
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
LADDER_DEPTH_M: Final = 4.0 * METRES_PER_FOOT
SHORING_DEPTH_M: Final = 5.0 * METRES_PER_FOOT

_TRENCH: Final = (
    "Trenches: from 4 ft (1.2 m) deep a ladder within 25 ft, from 5 ft (1.5 m) shoring or sloped "
    "walls unless in stable rock (US: 29 CFR 1926.651, .652); a stricter local rule governs. "
    "Spoil 2 ft (0.6 m) back."
)
_ON_SITE: Final = (
    "Near footings: no trench below a line that falls at 45 degrees from the footing, without an "
    "engineer. Cracks, leaning walls, steep slopes: an engineer first.",
    "Smell of sewage, grey water, paper: stop, gloves, tell the owner and the health department. "
    "Water near electricity: stay out until the power is off.",
    "Nobody alone in a trench, nobody into a pit or basin. Lift no grate while water runs into it, "
    "and put it back.",
)


def cautions(content: FieldSheetContent) -> list[str]:
    """
    List the cautions of a sheet, with what the data adds to them.

    Parameters
    ----------
    content
        Of the sheet.
    """
    trench = f"{_TRENCH}{_deepest(content)}"
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
    if deepest >= SHORING_DEPTH_M:
        needs = ": ladder, and shoring or sloped walls"
    elif deepest >= LADDER_DEPTH_M:
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
