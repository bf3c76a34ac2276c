"""
The page of a comparison: both maps, and the table of what differs, in one file that asks nobody.

The maps are drawn as shapes, not as pictures: two pictures of a map would not fit into a page of
less than 2 MB. Without scripts they stand side by side above the table.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

import pandas as pd
import shapely

from lotflow.advice.compared_figures import DRAWN
from lotflow.advice.differences import records
from lotflow.outputs import palette
from lotflow.outputs.html_page import escaped, own_text, page_head
from lotflow.scenarios import main_state
from lotflow.units import METRES_PER_FOOT

if TYPE_CHECKING:
    from lotflow.advice.differences import Differences
    from lotflow.inputs.results import StoredResult

#: Greatest width and height of a map in pixels of a phone, or of a desktop with two side by side;
#: shapes are drawn to a fraction of one.
_WIDEST: Final = 400.0
_HIGHEST: Final = 580.0
#: So many places are marked on the maps, and so many groups of differences told.
_MOST_MARKED: Final = 60
_MOST_TOLD: Final = 400
#: More things that were drawn differently are folded.
_MOST_DRAWN: Final = 8
#: A map that would be larger is drawn without contours, then without flow paths [bytes].
_LARGEST_MAP: Final = 600_000
_MARGIN: Final = 0.06
_COLUMNS: Final = ("Before", "After", "Difference")
_WORDS: Final = {True: "beyond", False: "within", None: ""}


def compare_page(
    found: Differences,
    names: tuple[str, str],
    levels: str = "",
    settled: Sequence[tuple[str, Sequence[str]]] = (),
) -> str:
    """
    Write the page of a comparison: the same differences give the same text.

    Parameters
    ----------
    found
        What differs.
    names
        Short names of the two results.
    levels
        Names the levels that only the later result has.
    settled
        What they settled: headings, each with its sentences.

    Returns
    -------
    page
        HTML that works from a file, without a network, under its own strict content policy.
    """
    style, script = own_text("compare_page.css"), own_text("compare_page.js")
    title = f"{found.after.name or 'Lot'}: what differs"
    numbers = _numbers(found.table)
    parts = [
        *page_head(title, style, script),
        f"<header><h1>{escaped(title)}</h1>",
        f"<p>Before: <b>{escaped(names[0])}</b>. After: <b>{escaped(names[1])}</b>.</p></header>",
        "<main>",
        *_maps(found, names, numbers),
        '<div class="told">',
        *_settled(levels, settled),
        *_told(found, numbers),
        *_notes(found),
        "</div>",
        "</main>",
        f"<script>{script}</script>",
        "</body>",
        "</html>",
    ]
    return "\n".join(parts) + "\n"


def _numbers(table: pd.DataFrame) -> dict[str, int]:
    """Number the places that are marked on the maps, in the order of the page."""
    numbers: dict[str, int] = {}
    leads = table[table["leads"]]
    on_page = pd.concat([leads[leads["topic"] == DRAWN], leads[leads["topic"] != DRAWN]])
    for row in records(on_page):
        known = not (math.isnan(row["x_before"]) and math.isnan(row["x_after"]))
        if known and row["place"] not in numbers and len(numbers) < _MOST_MARKED:
            numbers[row["place"]] = len(numbers) + 1
    return numbers


def _told(found: Differences, numbers: Mapping[str, int]) -> Iterator[str]:
    """Tell what was drawn differently, and what differs."""
    table = found.table
    if not len(table):
        yield '<p class="none">No difference.</p>'
        return
    groups: dict[int, list[dict[str, Any]]] = {}
    for row in records(table):
        groups.setdefault(row["group"], []).append(row)
    drawn = [rows for rows in groups.values() if rows[0]["topic"] == DRAWN]
    others = [rows for rows in groups.values() if rows[0]["topic"] != DRAWN]
    if drawn:
        yield '<section aria-labelledby="drawn"><h2 id="drawn">Drawn or given differently</h2>'
        # many would keep what matters from the first sight
        folded = len(drawn) > _MOST_DRAWN
        yield f"<details><summary>{len(drawn)} of them</summary>" if folded else ""
        yield from _table("What was drawn or given differently", drawn, numbers)
        yield "</details></section>" if folded else "</section>"
    yield '<section aria-labelledby="differs"><h2 id="differs">What differs</h2>'
    if others:
        yield from _table("What differs, what matters most first", others, numbers)
    else:
        yield "<p>Nothing beyond rounding.</p>"
    yield "</section>"


def _table(
    caption: str, groups: Sequence[list[dict[str, Any]]], numbers: Mapping[str, int]
) -> Iterator[str]:
    """Write a table of groups, the row that leads a group open, the others folded in it."""
    yield f'<table role="table"><caption class="unseen">{caption}</caption>'
    yield (
        '<thead role="rowgroup"><tr role="row">'
        + "".join(
            f'<th role="columnheader" scope="col"{number}>{word}</th>'
            for word, number in (
                ("On map", ""),
                ("Place", ""),
                *((side, ' class="number"') for side in _COLUMNS),
            )
        )
        + "</tr></thead>"
    )
    topic = ""
    for rows in groups[:_MOST_TOLD]:
        lead = rows[0]
        if lead["topic"] != topic:
            yield "</tbody>" if topic else ""
            topic = lead["topic"]
            yield '<tbody role="rowgroup">'
            if topic != DRAWN:
                heading = escaped(topic[:1].upper() + topic[1:])
                yield (
                    '<tr role="row" class="topic"><th role="rowheader" scope="rowgroup" '
                    f'colspan="5">{heading}</th></tr>'
                )
        yield from _group(rows, numbers)
    yield "</tbody></table>"
    if len(groups) > _MOST_TOLD:
        yield f"<p>And {len(groups) - _MOST_TOLD} more in compare.csv.</p>"


def _group(rows: Sequence[dict[str, Any]], numbers: Mapping[str, int]) -> Iterator[str]:
    """Write one group as a row."""
    lead = rows[0]
    number = numbers.get(lead["place"])
    told = f"mark {lead['place']} on the maps"
    mark = (
        f'<button type="button" class="mark" data-place="{number}" aria-pressed="false" '
        f'aria-label="{number}: {escaped(told)}">{number}</button>'
        if number
        else ""
    )
    was = lead["place_before"]
    name = escaped(lead["place"])
    if was and was != lead["place"]:
        name += f' <span class="was">(before: {escaped(was)})</span>'
    scenario = f'<span class="case">{escaped(lead["scenario"])}</span>' if lead["scenario"] else ""
    kind = f' class="{lead["change"]}"'
    row = f' data-row="{number}"' if number else ""
    values = (_value(lead, "before"), _value(lead, "after"), _difference(lead))
    cells = "".join(
        f'<td role="cell" class="number" data-label="{word}">{value}</td>'
        for word, value in zip(_COLUMNS, values, strict=True)
    )
    yield (
        f'<tr role="row"{kind}{row}><td role="cell">{mark}</td><td role="cell"><b>{name}</b><br>'
        f"{escaped(_what(lead))} {scenario}{_folded(rows)}</td>{cells}</tr>"
    )


def _what(row: Mapping[str, Any]) -> str:
    """Say what differs, of a finding also what has become of it."""
    if row["kind"] in ("finding", "harm") and row["change"] != "changed":
        return f"{row['what']}: {row['change']}"
    return str(row["what"])


def _value(row: Mapping[str, Any], side: str) -> str:
    """Show what it was or is."""
    text = row[f"{side}_text"]
    if row["change"] == "moved":
        return ""
    if row["change"] in ("new", "gone") and row["basis"] == "as drawn":
        return ""  # that it is new or gone has been said
    return escaped(_unbroken(text))


def _difference(row: Mapping[str, Any]) -> str:
    """Show a difference, and whether it is beyond what the data leave open."""
    word = _WORDS[row["beyond"]] if row["basis"] not in ("as given", "as drawn") else ""
    sure = f'<br><span class="{word}">{word} the error</span>' if word else ""
    return f"{escaped(_unbroken(row['difference_text']))}{sure}"


def _unbroken(text: str) -> str:
    """Keep a number and its unit on one line."""
    return re.sub(r"(?<=\d) (?=[^\d\s]{1,6}$)", "\u00a0", text)


def _folded(rows: Sequence[dict[str, Any]]) -> str:
    """Fold what else belongs to a group, and what a check says."""
    items = []
    if rows[0]["note"]:
        items.append(escaped(rows[0]["note"]))
    for row in rows[1:]:
        place = f"{row['place']}: " if row["place"] != rows[0]["place"] else ""
        case = f" ({row['scenario']})" if row["scenario"] else ""
        values = f"{row['before_text']}, now {row['after_text']}"
        items.append(escaped(f"{place}{_what(row)}{case}: {values}"))
    if not items:
        return ""
    count = len(rows) - 1
    more = "of the same cause" if rows[0]["kind"] == "finding" else "of it"
    summary = f"{count} more {more}" if count else "what the check says"
    inner = "".join(f"<li>{item}</li>" for item in items)
    return f"<details><summary>{summary}</summary><ul>{inner}</ul></details>"


def _settled(levels: str, settled: Sequence[tuple[str, Sequence[str]]]) -> Iterator[str]:
    """Tell what levels taken on site settled."""
    if not settled:
        return
    yield '<section aria-labelledby="settled"><h2 id="settled">What the levels settled</h2>'
    yield f"<p>{escaped(levels)}</p>"
    for heading, sentences in settled:
        yield f"<h3>{escaped(heading)}</h3><ul>"
        yield from (f"<li>{escaped(sentence)}</li>" for sentence in sentences)
        yield "</ul>"
    yield "</section>"


def _notes(found: Differences) -> Iterator[str]:
    """Say how the page is read."""
    error = found.after.accuracy.get("rmse_m")
    data = f" (standard error {error:g} m)" if error is not None else ""
    sentences = [
        "A difference smaller than what reports show is none. Places are matched by name, overlap "
        "and position, not by number.",
        "“Beyond the error”: each value lies outside what the other result leaves open, by the "
        "intervals of the results, and where they have none by the error of the elevation data"
        f"{data}. “Within the error”: it does not. Neither word: no bounds are known, a check has "
        "weighed it, or it is as given.",
        "Only the later result has the levels: what changes may be the ground as it is now known."
        if len(found.settled)
        else "Both results share one ground and its error: what changes within the error may still "
        "be a change for the better or the worse; its size is what the data cannot tell.",
        *(
            [
                "Standing water, catchments and what the ground does are told of the proposed "
                "drains alone: compare two results to see how they change."
            ]
            if found.before.label == "today"
            else []
        ),
        "Screening from public elevation data is no survey and no engineering design.",
    ]
    yield '<section aria-labelledby="reading"><h2 id="reading">How to read it</h2><ul>'
    yield from (f"<li>{sentence}</li>" for sentence in sentences)
    yield "</ul></section>"


# --- maps


def _maps(found: Differences, names: tuple[str, str], numbers: Mapping[str, int]) -> Iterator[str]:
    """Write both maps, and what the script switches."""
    view = _view(found)
    yield '<section class="maps" aria-label="Maps">'
    yield '<div class="switch" role="group" aria-label="How the maps are shown" hidden>'
    yield '<button type="button" id="beside" aria-pressed="false">Two maps</button>'
    yield '<button type="button" id="over" aria-pressed="false">One map</button>'
    yield (
        '<label id="slide" hidden><span>Before</span><input type="range" min="0" max="100" '
        'value="50" step="1" aria-label="How much of the map before is seen">'
        "<span>After</span></label>"
    )
    yield "</div>"
    yield '<div class="pair">'
    for side, result, name in (
        ("before", found.before, names[0]),
        ("after", found.after, names[1]),
    ):
        yield f'<figure class="{side}">'
        yield f"<figcaption>{side.capitalize()}: {escaped(name)}</figcaption>"
        yield _svg(found, result, side, view, numbers)
        yield "</figure>"
    yield '<div class="edge" hidden></div></div>'
    yield from _key()
    yield "</section>"


def _view(found: Differences) -> tuple[float, float, float, float]:
    """Give the ground both maps show: the lot, its drains, and what is marked near it."""
    shapes = [
        shape
        for result in (found.before, found.after)
        for layer in ("lot", "inlets", "drain_lines", "nodes")
        if layer in result.layers
        for shape in result.layers[layer].geometry
    ]
    west, south, east, north = shapely.total_bounds(shapes).tolist()
    pad = _MARGIN * max(east - west, north - south, 1.0)
    return west - pad, south - pad, east + pad, north + pad


class _Drawing:
    """Writes shapes in the pixels of a view; y runs down."""

    def __init__(self, view: tuple[float, float, float, float]) -> None:
        self.west, self.south, self.east, self.north = view
        wide, high = self.east - self.west, self.north - self.south
        self.scale = min(_WIDEST / wide, _HIGHEST / high)
        self.width, self.height = wide * self.scale, high * self.scale
        self.box = shapely.box(*view)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Give the pixel of a place."""
        return round((x - self.west) * self.scale, 1), round((self.north - y) * self.scale, 1)

    def paths(self, shapes: Iterable[Any], style: str) -> str:
        """Write shapes with one style, cut to the view."""
        drawn = [self._path(shape) for shape in shapes]
        inside = "".join(f'<path d="{path}"/>' for path in drawn if path)
        return f"<g {style}>{inside}</g>" if inside else ""

    def _path(self, shape: Any) -> str:
        """Give the path of a line or polygon; empty where it lies outside."""
        cut = shapely.intersection(shapely.make_valid(shape), self.box)
        cut = shapely.simplify(cut, 0.3 / self.scale)
        rings: list[tuple[Any, str]] = []
        for part in shapely.get_parts(cut):
            if part.geom_type == "Polygon":
                rings += [(ring, "Z") for ring in (part.exterior, *part.interiors)]
            elif part.geom_type == "LineString":
                rings.append((part, ""))
        return "".join(
            "M" + "L".join(f"{x:g} {y:g}" for x, y in map(self.at, *ring.coords.xy)) + end
            for ring, end in rings
            if not ring.is_empty
        )

    def marks(self, shapes: Iterable[Any], form: str, style: str) -> str:
        """Write one small mark at a point of each shape."""
        points = [shapely.centroid(shape) for shape in shapes]
        placed = [self.at(point.x, point.y) for point in points if self.box.covers(point)]
        inside = "".join(
            f'<path transform="translate({x:g} {y:g})" d="{form}"/>' for x, y in placed
        )
        return f"<g {style}>{inside}</g>" if inside else ""


_SQUARE: Final = "M-4 -4H4V4H-4Z"
_CIRCLE: Final = "M0 -4A4 4 0 0 1 0 4A4 4 0 0 1 0 -4Z"


def _svg(
    found: Differences, result: StoredResult, side: str,
    view: tuple[float, float, float, float], numbers: Mapping[str, int],
) -> str:  # fmt: skip
    """Draw one map."""
    drawing = _Drawing(view)
    parts = _drawn_layers(drawing, result)
    for late in ("contours", "flow_paths"):
        if sum(map(len, parts.values())) > _LARGEST_MAP:
            parts.pop(late, None)
    count = sum(1 for row in _marked(found, side, numbers))
    told = (
        f"Map of the lot {side}: low spots, catchments, buildings and drains; {count} places marked"
    )
    return (
        f'<svg viewBox="0 0 {drawing.width:.0f} {drawing.height:.0f}" role="img" '
        f'aria-label="{escaped(told)}" font-family="system-ui, sans-serif">'
        f'<rect width="100%" height="100%" fill="#eeece6"/>'
        + "".join(parts.values())
        + _names(drawing, result)
        + _scale_bar(drawing, found)
        + "".join(_marks(drawing, found, side, numbers))
        + "</svg>"
    )


def _drawn_layers(drawing: _Drawing, result: StoredResult) -> dict[str, str]:
    """Draw the layers of a result, those below first."""
    layers = result.layers

    def shapes(name: str) -> Any:
        return layers[name].geometry if name in layers else ()

    parts = {
        "contours": drawing.paths(
            shapes("contours"), f'fill="none" stroke="{palette.CONTOUR}" stroke-width="0.5" '
            'stroke-opacity="0.5"',
        ),
        "catchments": "".join(
            drawing.paths([shape], f'fill="{colour}" fill-opacity="0.22" stroke="{colour}" '
                          'stroke-width="1.5"')
            for shape, colour in zip(
                shapes("catchments"), _repeated(palette.CATCHMENTS), strict=False
            )
        ),
        "low_spots": "",
        "flow_paths": drawing.paths(
            shapes("flow_paths"), f'fill="none" stroke="{palette.FLOW}" stroke-width="1.3"'
        ),
    }  # fmt: skip
    if "low_spots" in layers:
        spots = layers["low_spots"]
        parts["low_spots"] = "".join(
            drawing.paths([shape], f'fill="{_colour(depth)}" stroke="{palette.WATER_EDGE}" '
                          'stroke-width="0.8" fill-rule="evenodd"')
            for shape, depth in zip(spots.geometry, spots["depth_m"], strict=True)
        )  # fmt: skip
    parts["buildings"] = drawing.paths(
        shapes("buildings"), f'fill="{palette.BUILDING}" stroke="{palette.BUILDING_EDGE}" '
        'fill-rule="evenodd"',
    )  # fmt: skip
    parts["lot"] = drawing.paths(
        shapes("lot"), f'fill="none" stroke="{palette.LOT}" stroke-width="1.8"'
    )
    if "drain_lines" in layers and len(layers["drain_lines"]):
        lines, nodes = layers["drain_lines"], layers["nodes"]
        ours = lines["case"] == main_state(nodes["case"])
        pipe = f'fill="none" stroke="{palette.PIPE}"'
        parts["today"] = drawing.paths(
            lines.geometry[~ours], f'{pipe} stroke-width="1.4" stroke-dasharray="5 4"'
        )
        parts["lines"] = drawing.paths(lines.geometry[ours], f'{pipe} stroke-width="2.4"')
        outlets = nodes[(nodes["case"] == main_state(nodes["case"])) & (nodes["kind"] == "outlet")]
        white = 'stroke="#ffffff" stroke-width="1.2"'
        parts["outlets"] = drawing.marks(
            outlets.geometry, _CIRCLE, f'fill="{palette.PIPE}" {white}'
        )
        inlets = nodes[(nodes["case"] == main_state(nodes["case"])) & (nodes["kind"] == "inlet")]
        parts["node inlets"] = drawing.marks(
            inlets.geometry, _SQUARE, f'fill="{palette.INK}" {white}'
        )
    white = 'stroke="#ffffff" stroke-width="1.2"'
    parts["inlets"] = drawing.marks(shapes("inlets"), _SQUARE, f'fill="{palette.INK}" {white}')
    return parts


def _repeated(colours: Sequence[str]) -> Iterator[str]:
    """Give colours without end."""
    while True:
        yield from colours


def _colour(depth: float) -> str:
    """Give the colour of a depth [m]."""
    return [colour for least, colour in palette.DEPTHS if least == 0 or depth >= least][-1]


def _names(drawing: _Drawing, result: StoredResult) -> str:
    """Write the names of inlets beside them."""
    if "inlets" not in result.layers:
        return ""
    told = []
    for name, shape in zip(
        result.layers["inlets"]["name"], result.layers["inlets"].geometry, strict=True
    ):
        point = shapely.centroid(shape)
        if drawing.box.covers(point):
            x, y = drawing.at(point.x, point.y)
            at_edge = x > 0.72 * drawing.width
            anchor = "end" if at_edge else "start"
            x += -7 if at_edge else 7
            told.append(
                f'<text x="{x:g}" y="{y + 4:g}" text-anchor="{anchor}">{escaped(name)}</text>'
            )
    style = (
        f'font-size="11" font-weight="600" fill="{palette.INK}" stroke="#ffffff" '
        'stroke-width="3" paint-order="stroke"'
    )
    return f"<g {style}>{''.join(told)}</g>"


def _scale_bar(drawing: _Drawing, found: Differences) -> str:
    """Draw a bar of a round length, and which way is north."""
    metres = found.after.metres_per_unit
    unit = METRES_PER_FOOT if found.units == "us" else 1.0
    longest = 0.28 * drawing.width / drawing.scale * metres / unit
    step = 10 ** math.floor(math.log10(longest))
    length = max(n * step for n in (1, 2, 5) if n * step <= longest)
    width = length * unit / metres * drawing.scale
    y = drawing.height - 14
    word = "ft" if found.units == "us" else "m"
    return (
        f'<g fill="{palette.INK}" font-size="11"><rect x="6" y="{y - 22:.0f}" '
        f'width="{width + 16:.0f}" height="30" fill="#ffffff" fill-opacity="0.85"/>'
        f'<path d="M14 {y - 3:.0f}v5h{width:.1f}v-5" fill="none" stroke="{palette.INK}" '
        f'stroke-width="2"/><text x="14" y="{y - 7:.0f}">{length:g} {word}</text>'
        f'<path d="M{drawing.width - 22:.0f} 30l6 -19l6 19l-6 -4Z"/>'
        f'<text x="{drawing.width - 20:.0f}" y="43">N</text></g>'
    )


def _marked(
    found: Differences, side: str, numbers: Mapping[str, int]
) -> Iterator[tuple[int, float, float]]:
    """Give number and place of what is marked on one map."""
    seen = set()
    for row in records(found.table):
        number = numbers.get(row["place"])
        x, y = row[f"x_{side}"], row[f"y_{side}"]
        if number and number not in seen and not math.isnan(x):
            seen.add(number)
            yield number, x, y


def _marks(
    drawing: _Drawing, found: Differences, side: str, numbers: Mapping[str, int]
) -> Iterator[str]:
    """Mark the places that differ by their numbers; each keeps clear of the others."""
    taken = list(_names_cover(drawing, found.before, found.after))
    for number, east, north in _marked(found, side, numbers):
        if not drawing.box.covers(shapely.Point(east, north)):
            continue
        x, y = drawing.at(east, north)
        u, v = _free(x, y, taken, drawing)
        taken.append((u, v))
        line = f'<path d="M{x:g} {y:g}L{u:g} {v:g}"/>' if (u, v) != (x, y) else ""
        yield (
            f'<g class="place" data-place="{number}">{line}<circle cx="{u:g}" cy="{v:g}" r="8.5"/>'
            f'<text x="{u:g}" y="{v + 4:g}" text-anchor="middle">{number}</text></g>'
        )


def _names_cover(drawing: _Drawing, *results: StoredResult) -> Iterator[tuple[float, float]]:
    """Give places along the names of inlets and on their signs, which no mark may cover."""
    for result in results:
        if "inlets" not in result.layers:
            continue
        inlets = result.layers["inlets"]
        for name, shape in zip(inlets["name"], inlets.geometry, strict=True):
            point = shapely.centroid(shape)
            x, y = drawing.at(point.x, point.y)
            way = -1 if x > 0.72 * drawing.width else 1
            yield from ((x + way * along, y) for along in range(0, 10 + 6 * len(name), 8))


def _free(
    x: float, y: float, taken: Sequence[tuple[float, float]], drawing: _Drawing
) -> tuple[float, float]:
    """Find the nearest spot for a mark that covers no other and not its own place."""
    for reach in (17.0, 27.0, 38.0, 50.0, 64.0, 80.0):
        for eighth in range(8):
            angle = math.pi * (eighth / 4 - 0.25)
            u, v = x + reach * math.cos(angle), y + reach * math.sin(angle)
            inside = 12 <= u <= drawing.width - 12 and 12 <= v <= drawing.height - 12
            if inside and all(math.hypot(u - a, v - b) >= 18.5 for a, b in taken):
                return round(u, 1), round(v, 1)
    return x, y


def _key() -> Iterator[str]:
    """Say what the signs mean."""
    signs = [
        (f'<path d="M1 9H17" stroke="{palette.LOT}" stroke-width="2.5"/>', "lot"),
        (f'<path d="M2 4H16V14H2Z" fill="{palette.BUILDING}" stroke="{palette.BUILDING_EDGE}"/>',
         "building"),
        (f'<path d="M2 4H16V14H2Z" fill="{palette.DEPTHS[2][1]}" stroke="{palette.WATER_EDGE}"/>',
         "low spot, darker deeper"),
        (f'<path d="M2 4H16V14H2Z" fill="{palette.CATCHMENTS[0]}" fill-opacity="0.3" '
         f'stroke="{palette.CATCHMENTS[0]}"/>', "catchment of an inlet"),
        (f'<path d="M1 9H17" stroke="{palette.FLOW}" stroke-width="1.5"/>', "water runs here"),
        (f'<path d="M1 9H17" stroke="{palette.PIPE}" stroke-width="3"/>', "drain"),
        (f'<path d="M1 9H17" stroke="{palette.PIPE}" stroke-width="1.5" stroke-dasharray="4 3"/>',
         "drain that goes"),
        (f'<path transform="translate(9 9)" d="{_SQUARE}" fill="{palette.INK}"/>', "inlet"),
        (f'<path transform="translate(9 9)" d="{_CIRCLE}" fill="{palette.PIPE}"/>', "outlet"),
    ]  # fmt: skip
    yield '<ul class="key">'
    for sign, word in signs:
        yield (
            f'<li><svg viewBox="0 0 18 18" width="18" height="18" aria-hidden="true">{sign}'
            f"</svg>{word}</li>"
        )
    yield "</ul>"
