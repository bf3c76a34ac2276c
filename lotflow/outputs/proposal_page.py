"""
The page of a proposal: its options side by side, in one file that asks nobody.

It says what `proposal.json` holds, beside small plans of what would be drawn. Nothing runs in it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import shapely

from lotflow.advice.proposal_words import ask_words, harm_row, quantity_of, verdict_words
from lotflow.drains.stakes import house_corners, tied
from lotflow.layers import DRAWN_TABLES, RESULT_LAYERS
from lotflow.outputs.html_page import escaped, own_text, page_head
from lotflow.outputs.map.content import round_length
from lotflow.outputs.summary_text import CAUTIONS, trench_caution
from lotflow.units import CARRIED, METRES_PER_FOOT, shown, to_si

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from lotflow.layers.drawn import Drawn
    from lotflow.units import UnitSystem

_QUANTITIES: Final = RESULT_LAYERS["quantities"]
_DRAINS: Final = RESULT_LAYERS["drain_lines"]
_WORKS: Final = RESULT_LAYERS["earthwork_lines"]
#: The page, in the folder of a proposed job.
PROPOSAL_PAGE: Final = "proposal.html"
#: Width and greatest height of a small plan, in its own units.
_WIDE: Final = 320.0
_HIGH: Final = 240.0
#: Ground shown round what changes, as a share of its size, and at least [m].
_ROUND: Final = 0.06
_LEAST_ROUND_M: Final = 3.0
#: A lot so many times larger than house and change together is not shown whole.
_LARGE_LOT: Final = 2.5
#: Layers of a site whose rows a plan draws, the lowest first, with the table a row is added to.
_ROWS: Final = ("earthworks", "drain_lines", "downspouts", "inlets", "outlets")
#: Whose row it is that lotflow has added.
_OURS: Final = "lotflow"
#: Most reasons that are not folded.
_FEW: Final = 8
#: Places this near to each other are one [unit of the CRS].
_SAME: Final = 0.01


@dataclass(frozen=True, eq=False)
class ProposalView:
    """
    What a page of a proposal shows beside the content of `proposal.json`.

    Parameters
    ----------
    title
        Name of the lot.
    units
        "us" or "metric".
    metres_per_unit
        Of the coordinates.
    site
        With the rows of the proposal.
    quantities
        Layer of that name, of a run with all that is proposed; may be empty.
    findings
        Of that run: rule, severity, subject, message.
    """

    title: str
    units: UnitSystem
    metres_per_unit: float
    site: Drawn
    quantities: pd.DataFrame = field(default_factory=pd.DataFrame)
    findings: Sequence[Mapping[str, Any]] = ()


@dataclass(frozen=True, eq=False)
class _Row:
    """A drawn row."""

    layer: str
    name: str
    kind: str
    shape: Any
    is_new: bool


@dataclass(frozen=True, eq=False)
class _Card:
    """One option, whatever it is: what `proposal.json` has of it, and the rows it is drawn by."""

    number: int
    told: Mapping[str, Any]
    rows: tuple[_Row, ...]

    @property
    def name(self) -> str:
        return str(self.told["name"])


def proposal_page(content: Mapping[str, Any], view: ProposalView) -> str:
    """
    Write the page: the same proposal gives the same text.

    Parameters
    ----------
    content
        Of `proposal.json`; keys that it lacks are left out, verdicts and rows of harm without
        words of their own are told as they are called.
    view
        What is drawn, and what it takes.

    Returns
    -------
    page
        HTML that works from a file, without a network or a script, under its own strict content
        policy.
    """
    drawn = list(_drawn_rows(view.site))
    cards = list(_cards(content, drawn, view.site))
    title = f"{view.title}: what could be built"
    return "\n".join([
        *page_head(title, own_text("proposal_page.css"), ""),
        f"<header><h1>{escaped(title)}</h1>",
        "<p>A first draft from elevation data: no survey, no design. Move, change or delete its "
        "rows in site.gpkg, then run the folder again.</p></header>",
        "<main>",
        *_outcome(content, cards),
        *(
            ('<div class="cards">', *(part for card in cards for part in _card(card, drawn, content,
             view)), "</div>", _KEY) if cards else ()
        ),
        *_order(view),
        *_other_levels(content, cards, view),
        *_not_offered(content, view.units),
        '<section><h2>Before anybody digs</h2><ul>',
        *(f"<li>{escaped(text)}</li>" for text in (
            CAUTIONS[0], trench_caution(view.units), *CAUTIONS[1:])),
        "</ul></section>",
        "</main>",
        "</body>",
        "</html>",
        "",
    ])  # fmt: skip


def _drawn_rows(site: Drawn) -> Iterator[_Row]:
    """Rows of a site that a plan draws; what is gone or refused is none."""
    for layer in _ROWS:
        for row in getattr(site, layer).to_dict("records"):
            status, shape = row.get("status"), row["geometry"]
            if status in ("abandoned", "replaced", "rejected") or shape is None:
                continue
            is_new = row.get("origin") == _OURS and status == "proposed"
            yield _Row(layer, str(row["name"]), str(row.get("kind") or ""), shape, is_new)


def _cards(content: Mapping[str, Any], drawn: Sequence[_Row], site: Drawn) -> Iterator[_Card]:
    """Options in the order of practice: the surface, then inlets with lines."""
    ranked = {one["name"]: one for one in content.get("ranking", {}).get("options", ())}
    options = [*content.get("surface", ()), *content.get("options", ())]
    for number, one in enumerate(options, start=1):
        of_place = {key: value for key, value in one.items() if value is not None}
        rank = ranked.get(one["name"], {})
        told = {**rank, **of_place, "ranked": rank.get("verdict")}
        yield _Card(number, told, tuple(_rows_of(one, drawn, site)))


def _rows_of(option: Mapping[str, Any], drawn: Sequence[_Row], site: Drawn) -> Iterator[_Row]:
    """Rows by which an option is drawn: those it names, or its inlet and the lines from there."""
    if "rows" in option:
        named = {(_layer_of(str(one["table"])), str(one["name"])) for one in option["rows"]}
        yield from (row for row in drawn if row.is_new and (row.layer, row.name) in named)
        return
    place = shapely.Point(option["x"], option["y"])
    inlets = [row for row in drawn
              if row.layer == "inlets" and row.shape.distance(place) <= _SAME]  # fmt: skip
    yield from inlets[:1]
    names, lines = {row.name for row in inlets[:1]}, site.drain_lines
    reached = True
    while reached:  # down the lines, as far as they are new
        starts = lines["from_node"].isin(names) & ~lines["to_node"].isin(names)
        reached = bool(starts.any())
        names |= set(lines["to_node"][starts])
    ours = set(lines["name"][lines["from_node"].isin(names)])
    for row in drawn:
        if row.is_new and (
            (row.layer == "drain_lines" and row.name in ours)
            or (row.layer == "outlets" and row.name in names)
        ):
            yield row


def _layer_of(table: str) -> str:
    """
    Name the layer that the rows of a table to draw in are read as.

    Examples
    --------
    >>> _layer_of("earthwork_lines"), _layer_of("inlets"), _layer_of("a table of later")
    ('earthworks', 'inlets', 'a table of later')
    """
    return DRAWN_TABLES[table].layer.name if table in DRAWN_TABLES else table


def _outcome(content: Mapping[str, Any], cards: Sequence[_Card]) -> Iterator[str]:
    """What comes of all of it together, and what to begin with."""
    yield '<section class="outcome"><h2>All together</h2>'
    if not cards:
        yield (
            "<p><strong>Nothing can be offered.</strong> What was considered, and why it is not "
            "offered, stands below.</p>"
        )
    yield from _first(content.get("ranking", {}), cards)
    harm = content.get("harm", {})
    if not content.get("rain", True):
        yield "<p>No rain is given: low spots count as full, and no size was checked.</p>"
    yield '<dl class="together">'
    for key, label in (("mended", "Mended"), ("left", "Left as it is"), ("new", "New harm")):
        if harm.get(key):
            told = "".join(f"<li>{escaped(_first_up(one))}</li>" for one in harm[key])
            yield f'<div class="{key}"><dt>{label}</dt><dd><ul>{told}</ul></dd></div>'
    yield "</dl></section>"


def _first(ranking: Mapping[str, Any], cards: Sequence[_Card]) -> Iterator[str]:
    """What helps most, and what goes best together, as far as the levels can tell."""
    names = {card.name: card.number for card in cards}

    def listed(some: Iterable[str]) -> str:
        told = "; ".join(f"{names[one]} {one}" if one in names else one for one in some)
        return f"<strong>{escaped(told)}</strong>"

    if ranking.get("best"):
        yield f"<p>Helps most: {listed([ranking['best']])}.</p>"
    if ranking.get("alike"):
        yield f"<p>These help most, and alike: {listed(ranking['alike'])}.</p>"
    if ranking.get("cannot_tell"):
        yield (
            "<p>Which of these helps most, the levels cannot tell: "
            f"{listed(ranking['cannot_tell'])}. The levels below decide.</p>"
        )
    if len(ranking.get("sequence", ())) > 1:
        yield f"<p>Best together, in this order: {listed(ranking['sequence'])}.</p>"


def _first_up(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


#: Below the cards, once for all plans.
_KEY: Final = (
    '<p class="key">On the plans: black square, an inlet; violet line and ring, its pipe and end; '
    "green, a swale; brown, ground that is raised; triangle, a downspout; grey, what is there; red "
    "dashes, the lot. North is up. Before and after: on top of the options with smaller numbers."
    "</p>"
)


def _card(
    card: _Card, drawn: Sequence[_Row], content: Mapping[str, Any], view: ProposalView
) -> Iterator[str]:
    """One option; parts of all cards stand in one row each."""
    told, title = card.told, f"option-{card.number}"
    yield f'<article class="card" aria-labelledby="{title}">'
    kind = told.get("kind") or ("inlet with line" if "line" in told else "")
    place = f": {escaped(told['place'])}" if told.get("place") else ""
    yield (
        f'<div><h2 id="{title}"><span class="no">{card.number}</span> {escaped(card.name)}</h2>'
        f'<p class="kind">{escaped(_first_up(str(kind)))}{place}</p></div>'
    )
    yield "".join(_picture(card, drawn, view))
    yield from _part("What it mends", _mends(told, view.units, rain=content.get("rain", True)),
                     "No row of harm changes.")  # fmt: skip
    yield from _part("What it takes", _takes(told, view.units))
    yield from _part("How sure", _how_sure(told))
    yield from _part(
        "Level first", _levels(card.name, content, view), "No level is known to decide it."
    )
    yield from _part("What it needs", _needs(card, view), "Nobody to ask that is known of.")
    yield "</article>"


def _part(title: str, lines: Iterable[str], none: str = "") -> Iterator[str]:
    """One part of a card; `none` is said where there is nothing."""
    yield f"<section><h3>{title}</h3>{''.join(lines) or f'<p>{none}</p>'}</section>"


def _shown(name: str, value: Any, units: UnitSystem) -> str:
    """A value of a row of harm, in the units of the report; a dash where there is none."""
    if not isinstance(value, int | float):
        return "-"
    quantity = harm_row(name, units)[1]
    return shown(to_si(float(value), CARRIED[quantity]), quantity, units)


#: Rows of harm that are told as shares where no rain is given.
_NO_VOLUME: Final = ("run_on_m3",)


def _share(value: Any, whole: float) -> str:
    """A value as a share of another."""
    if not isinstance(value, int | float):
        return "-"
    return f"{100 * value / whole:.0f} %" if whole else "some" if value else "none"


def _mends(told: Mapping[str, Any], units: UnitSystem, *, rain: bool) -> Iterator[str]:
    """
    Rows of harm before and after, of those that there are; what is made worse is marked.

    `rain`: whether any is given; else what runs is told as a share, for nobody knows how much.
    """
    # on top of those before it, where that is told apart from the ground without any of them
    before, after = told.get("on_top_of") or told.get("before") or {}, told.get("after") or {}
    ends = [told.get(f"mended_{share}") or told.get(share) or {} for share in ("p05", "p95")]
    rows = []
    for name in before:
        if rain or name not in _NO_VOLUME:
            tell = partial(_shown, name, units=units)
        else:
            tell = partial(_share, whole=float(before[name] or 0.0))
        old, new = (tell(one.get(name)) for one in (before, after))
        if old == new or name not in after:
            continue
        spread = [one.get(name) for one in ends]
        between = ""
        if None not in spread:
            low, high = map(tell, spread)
            between = (
                f'<br><span class="soft">alone it mends {low} to {high} (5 and 95 % of surfaces)'
                "</span>"
            )
        worse = ' class="worse"' if after[name] > before[name] else ""
        rows.append(
            f'<tr{worse}><th scope="row">{escaped(harm_row(name, units)[0])}{between}</th>'
            f"<td>{escaped(old)}</td><td>{escaped(new)}</td></tr>"
        )
    if rows:
        yield (
            '<table><thead><tr><th scope="col">Harm</th><th scope="col">Before</th>'
            f'<th scope="col">After</th></tr></thead><tbody>{"".join(rows)}</tbody></table>'
        )


#: Lengths that a change of the surface takes.
_LENGTHS: Final = (
    ("gutter_m", "Gutter"), ("length_m", _WORKS.column("length_m").label),
    ("under_paving_m", "Under paving"),
)  # fmt: skip

#: Of earthworks what the order list has.
_ORDERED: Final = ("cut_m3", "fill_m3", "area_m2")


def _takes(told: Mapping[str, Any], units: UnitSystem) -> Iterator[str]:
    """Pipe, grate, earth, and cost where it is known."""
    facts: list[tuple[str, str]] = []
    kind = told.get("kind")
    line, grate, dug = (told.get(key) or {} for key in ("line", "grate", "dug"))
    if line:
        facts += _line_facts(line, told.get("end") or {}, units)
    if grate.get("side_m"):
        side = shown(grate["side_m"], "diameter", units)
        enough = "" if grate.get("is_enough", True) else ", too small for the design storm alone"
        facts.append(("Its grate", f"{side} square, half clogged{enough}"))
    # what is to be ordered of it is told by the order list alone
    ordered = told.get("quantities") or ()
    for key, label in _LENGTHS:
        is_led = key == "length_m" and kind in ("gutter", "downspout")
        if told.get(key) and not (ordered and (is_led or key == "gutter_m")):
            facts.append(("Led off" if is_led else label, shown(told[key], "length", units)))
    if told.get("downspouts") and not ordered:
        facts.append(("Downspouts", f"{told['downspouts']:g}"))
    for key in ("cut_m3", "fill_m3", "area_m2", "deepest_m", "fall"):
        if dug.get(key) and not (ordered and key in _ORDERED):
            facts.append((_WORKS.column(key).label, _WORKS.column(key).shown(dug[key], units)))
    for one in ordered:
        item = str(one["item"])
        wanted = f"{one['quantity']:,g} {one.get('unit') or ''}".strip()
        facts.append((item[:1].upper() + item[1:], wanted))
    cost = told.get("cost")
    priced = "not all of it has a price" if cost is None else f"{cost:,.2f}"
    facts.append((_QUANTITIES.column("cost").label, priced))
    yield _list(facts)


def _line_facts(
    line: Mapping[str, Any], end: Mapping[str, Any], units: UnitSystem
) -> list[tuple[str, str]]:
    """A line in trade terms."""

    def told(key: str, quantity: str) -> str:
        return shown(line[key], quantity, units)

    where = f"to {end['name']}" if end.get("name") else "to an end that is not named"
    where = f"into the line of {line['joins']}" if line.get("joins") else where
    bends = f"{line['bends']} fitting{'' if line['bends'] == 1 else 's'} at bends"
    up, down = told("invert_up_m", "elevation"), told("invert_down_m", "elevation")
    facts = [
        ("Pipe", f"{told('length_m', 'length')} of {line['size']} {line['material']}"),
        ("Leads", where),
        ("Falls", f"{told('fall', 'slope')}, invert {up} to {down}"),
        ("Trench", f"{told('deepest_m', 'elevation')} deep at most, {bends}"),
    ]
    if line.get("shallow_m"):
        cover = f"over {told('shallow_m', 'length')}: a pipe that bears it"
        facts.append(("Little cover", cover))
    if line.get("flow_m3s") and line.get("capacity_m3s"):
        comes = "carried_m3s" if line.get("carried_m3s") else "flow_m3s"
        carries = f"{told('capacity_m3s', 'flow')}; {told(comes, 'flow')} come in the design storm"
        facts.append((_DRAINS.column("capacity_m3s").label, carries))
    return facts


def _list(facts: Iterable[tuple[str, str]]) -> str:
    told = "".join(
        f"<div><dt>{escaped(name)}</dt><dd>{escaped(text)}</dd></div>" for name, text in facts
    )
    return f"<dl>{told}</dl>"


#: Shares of surfaces that may be true, and what they are of.
_SHARES: Final = (
    ("share_helps", "it helps"), ("share_harms", "it makes something worse"),
    ("same_low_spot_share", "the best place lies in this low spot"),
    ("worth_kept", "of what the best place mends, this one mends"),
)  # fmt: skip


def _how_sure(told: Mapping[str, Any]) -> Iterator[str]:
    """Verdict, and shares of the surfaces that may be true, with bars."""
    verdicts = [one for one in (told.get("verdict"), told.get("ranked")) if one]
    for verdict in dict.fromkeys(verdicts):
        name = escaped(_first_up(str(verdict)))
        yield f'<p><span class="verdict">{name}</span> {escaped(verdict_words(verdict))}</p>'
    if not verdicts:
        yield f"<p>{escaped(verdict_words(None))}</p>"
    rows = []
    for key, what in _SHARES:
        share = told.get(key)
        if share is not None:
            part = 100 * min(max(float(share), 0.0), 1.0)
            rows.append(
                f'<li><svg viewBox="0 0 100 8" width="60" height="8" aria-hidden="true">'
                f'<path d="M0 4H100" class="all"/><path d="M0 4H{part:.0f}"/></svg> '
                f"<b>{100 * float(share):.0f} %</b> {what}</li>"
            )
    if rows:
        asked = f" (of {told['surfaces']} surfaces that may be true)" if "surfaces" in told else ""
        yield f'<ul class="shares">{"".join(rows)}</ul>'
        yield f'<p class="soft">Shares{asked}: other ground that the same data allow.</p>'
    end = told.get("end") or {}
    if end.get("verdict"):
        name = escaped(end.get("name") or "the end")
        yield f"<p>Gravity to {name}: {escaped(end['verdict'])}.</p>"


def _levels(name: str, content: Mapping[str, Any], view: ProposalView) -> Iterator[str]:
    """Levels that decide, each found from corners of the house."""
    own = [one for one in content.get("shots", ()) if one.get("option") == name]
    yield from _level_list(own, view)


def _level_list(shots: Sequence[Mapping[str, Any]], view: ProposalView) -> Iterator[str]:
    """Places to level."""
    if not shots:
        return
    corners = house_corners(view.site, view.metres_per_unit)
    inside = shapely.buffer(view.site.buildings.geometry.to_numpy(), -0.05 / view.metres_per_unit)
    yield "<ul>"
    for one in shots:
        tie = tied((one["x"], one["y"]), corners, inside, view.metres_per_unit)
        where = "" if tie is None else (
            f": {shown(tie.first_m, 'taped', view.units)} from the {tie.first.name} and "
            f"{shown(tie.second_m, 'taped', view.units)} from the {tie.second.name}, {tie.side} of "
            "the line between them"
        )  # fmt: skip
        what = escaped(_first_up(str(one["what"])))
        yield f'<li>{what}<span class="soft">{escaped(where)}</span></li>'
    yield "</ul>"


def _needs(card: _Card, view: ProposalView) -> Iterator[str]:
    """Whom to ask, and what a run with it asks or warns of."""
    asks = [ask_words(card.told.get("end"))]
    asks += [str(one).replace("-", " ") for one in card.told.get("needs") or ()
             if not any(found["rule"] == one for found in view.findings)]  # fmt: skip
    names = {row.name for row in card.rows if row.is_new}
    warned = [
        f"{one['subject']}: {one['message']}" for one in view.findings
        if one["subject"] in names and one["severity"] in ("fail", "warn")
    ]  # fmt: skip
    asks = [one for one in asks if one]
    if asks:
        yield f"<ul>{''.join(f'<li>{escaped(_first_up(one))}</li>' for one in asks)}</ul>"
    if warned:
        yield f"<details><summary>What a run finds of it ({len(warned)})</summary><ul>"
        yield "".join(f"<li>{escaped(one)}</li>" for one in dict.fromkeys(warned))
        yield "</ul></details>"


def _order(view: ProposalView) -> Iterator[str]:
    """What all of it takes, with the prices that were given."""
    order = view.quantities
    if not len(order):
        return
    priced = bool(order["cost"].notna().any())
    names = ("item", "quantity", "unit", "detail", *(("price", "cost") if priced else ()))
    heads = "".join(f'<th scope="col">{escaped(one)}</th>' for one in _QUANTITIES.labels(*names))
    yield (
        "<section><h2>Order list of all that is proposed</h2>"
        '<div class="scroll" role="region" aria-label="Order list" tabindex="0"><table>'
        f"<thead><tr>{heads}</tr></thead><tbody>"
    )
    for row in order.to_dict("records"):
        cells = []
        for name in names:
            value = row[name]
            is_none = value is None or value != value  # noqa: PLR0124 - a missing number
            if name == "quantity":
                text = f"{value:,g}"
            elif name in ("price", "cost"):
                text = "-" if is_none else f"{value:,.2f}"
            else:
                text = "" if is_none else str(value)
            number = ' class="number"' if name in ("quantity", "price", "cost") else ""
            cells.append(f"<td{number}>{escaped(text)}</td>")
        yield f"<tr>{''.join(cells)}</tr>"
    yield "</tbody></table></div>"
    if priced:
        missing = int(order["cost"].isna().sum())
        rest = f"; {missing} without a price" if missing else ""
        yield f"<p>Sum of what has a price: <strong>{order['cost'].sum():,.2f}</strong>{rest}.</p>"
    else:
        yield "<p>No price list is given: [prices] in job.toml.</p>"
    yield "</section>"


def _other_levels(
    content: Mapping[str, Any], cards: Sequence[_Card], view: ProposalView
) -> Iterator[str]:
    """Levels that decide something else than one of the options."""
    names = {card.name for card in cards}
    other = [one for one in content.get("shots", ()) if one.get("option") not in names]
    if other:
        yield "<section><h2>Other levels that decide</h2>"
        yield from _level_list(other, view)
        yield "</section>"


def _not_offered(content: Mapping[str, Any], units: UnitSystem) -> Iterator[str]:
    """What was considered and is not offered, alike ones together."""
    grouped: dict[tuple[str, ...], list[float]] = {}
    for one in content.get("not_offered", ()):
        unit, limit = str(one.get("unit") or ""), one.get("limit")
        told = "" if limit is None else _measure(limit, unit, units)
        key = (one["place"], one["remedy"], one["rule"], unit, told, one.get("source") or "")
        grouped.setdefault(key, [])
        if one.get("measured") is not None:
            grouped[key].append(float(one["measured"]))
    if not grouped:
        return
    found = RESULT_LAYERS["findings"].labels("measured", "limit_value")
    heads = ("Place", "Remedy", "Why not", *found, "Who says so")
    opened = " open" if len(grouped) <= _FEW else ""
    yield (
        f"<section><h2>Considered, and not offered</h2><details{opened}>"
        f"<summary>{len(grouped)} with their reasons</summary>"
        '<div class="scroll" role="region" aria-label="Not offered" tabindex="0"><table><thead><tr>'
        + "".join(f'<th scope="col">{head}</th>' for head in heads)
        + "</tr></thead><tbody>"
    )
    for (place, remedy, rule, unit, limit, source), measured in grouped.items():
        # of several tries the one that came nearest
        told = _measure(max(measured), unit, units) if measured else ""
        cells = (place, remedy, rule, told, limit, source)
        yield "<tr>" + "".join(f"<td>{escaped(_first_up(cell))}</td>" for cell in cells) + "</tr>"
    yield "</tbody></table></div></details></section>"


def _measure(value: float, unit: str, units: UnitSystem) -> str:
    """A measured value or its limit."""
    quantity = quantity_of(unit)
    if not quantity:
        return f"{value:,g} {unit}".strip()
    return shown(to_si(float(value), CARRIED[quantity]), quantity, units)


def _picture(card: _Card, drawn: Sequence[_Row], view: ProposalView) -> Iterator[str]:
    """A small plan of what an option changes."""
    site, unit = view.site, view.metres_per_unit
    own = [row.shape for row in card.rows] or [shapely.Point(card.told["x"], card.told["y"])]
    lot = site.lot.geometry.union_all()
    houses = [one for one in site.buildings.geometry if one.intersects(lot)]
    west, south, east, north = shapely.total_bounds(np.array([*own, *houses], dtype=object))
    whole = shapely.total_bounds(np.array([*own, *houses, lot], dtype=object))
    if max(whole[2:] - whole[:2]) <= _LARGE_LOT * max(east - west, north - south):
        west, south, east, north = whole
    grown = max(_ROUND * max(east - west, north - south), _LEAST_ROUND_M / unit)
    west, south, east, north = west - grown, south - grown, east + grown, north + grown
    scale = min(_WIDE / (east - west), _HIGH / (north - south))
    # the picture is as wide as the card: what is left shows more ground
    spare = (_WIDE / scale - (east - west)) / 2
    west, east = west - spare, east + spare
    high = (north - south) * scale
    frame = shapely.box(west, south, east, north)
    origin, factor = np.array([west, north]), np.array([scale, -scale])

    def placed(shape: Any) -> Any:
        return shapely.transform(shape.intersection(frame), lambda at: (at - origin) * factor)

    names = ", ".join(sorted({row.name for row in card.rows})) or card.name
    label = escaped(f"Plan of the lot with {names}")
    yield f'<svg class="plan" viewBox="0 0 {_WIDE:g} {high:.1f}" role="img" aria-label="{label}">'
    for kind, shape in zip(site.constraints["kind"], site.constraints.geometry, strict=True):
        if kind in ("street", "sidewalk", "tree") and shape.area:
            yield _path(placed(shape), str(kind))
    for shape in site.buildings.geometry:
        yield _path(placed(shape), "house")
    yield _path(placed(lot.boundary), "lot")
    mine = {id(row) for row in card.rows}
    for row in sorted(drawn, key=lambda one: id(one) in mine):
        look = "" if id(row) in mine else "other " if row.is_new else "there "
        yield _symbol(row, placed(row.shape), look)
    length = round_length(0.3 * _WIDE / scale * unit / _foot(view.units))
    bar = length * _foot(view.units) / unit * scale
    sign = "ft" if view.units == "us" else "m"
    yield (
        f'<path class="bar" d="M8 {high - 8:.1f}v-4v4h{bar:.1f}v-4"/>'
        f'<text x="8" y="{high - 15:.1f}">{length:g} {sign}</text></svg>'
    )


def _foot(units: UnitSystem) -> float:
    """Metres of the unit of lengths."""
    return METRES_PER_FOOT if units == "us" else 1.0


def _path(shape: Any, name: str) -> str:
    """Lines and outlines as one path."""
    parts = []
    for part in shapely.get_parts(shape):
        if part.geom_type == "Polygon":
            rings = (part.exterior, *part.interiors)
        else:
            rings = (part,) if part.geom_type in ("LineString", "LinearRing") else ()
        for ring in (one for one in rings if not one.is_empty):
            steps = "L".join(f"{x:.1f} {y:.1f}" for x, y in shapely.get_coordinates(ring))
            parts.append(f"M{steps}{'Z' if part.geom_type == 'Polygon' else ''}")
    return f'<path class="{name}" d="{"".join(parts)}"/>' if parts else ""


def _symbol(row: _Row, shape: Any, look: str) -> str:
    """A row as it is drawn: a mark for a point, else its lines."""
    if shape.is_empty:
        return ""
    if shape.geom_type != "Point":
        return _path(shape, f"{look}{row.layer} {row.kind.replace(' ', '-')}".strip())
    x, y = shape.x, shape.y
    mark = {
        "inlets": f"M{x - 5:.1f} {y - 5:.1f}h10v10h-10Z",
        "downspouts": f"M{x:.1f} {y - 6:.1f}l6 10h-12Z",
    }.get(row.layer)
    if mark is None:
        return f'<circle class="{look}{row.layer}" cx="{x:.1f}" cy="{y:.1f}" r="5"/>'
    return f'<path class="{look}{row.layer}" d="{mark}"/>'
