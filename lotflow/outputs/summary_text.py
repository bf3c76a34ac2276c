"""
The result in plain words: what the terminal and `overview.txt` say.

The answer comes first: what happens, why, what to do first, what it takes, how sure, what to
measure. The tables it rests on follow, then what is found beside it, and the cautions.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any, Final

from lotflow.advice.answer_words import joined, not_gone, percent, source
from lotflow.layers import RESULT_LAYERS, Layer
from lotflow.scenarios import LIMITED, OPEN, Scenario
from lotflow.units import UnitSystem, open_range, shown

WIDTH: Final = 100
#: Width below which a column is not worth keeping to.
_LEAST_COLUMN: Final = 24

#: Most rows shown of each table; the layers hold all of them.
_MOST: Final = {
    "low_spots": 8,
    "inlets": 12,
    "crossings": 3,
    "lines": 8,
    "findings": 8,
    "outlet_options": 6,
    "observations": 8,
    "as_built": 12,
}
_MOST_STORMS: Final = 3

_ONE_INCH_PER_10_MM: Final = 2.54

_SPOTS: Final = RESULT_LAYERS["low_spots"]
_INLETS: Final = RESULT_LAYERS["inlets"]
_PONDS: Final = RESULT_LAYERS["ponds"]
_OBSERVATIONS: Final = RESULT_LAYERS["observations"]
_RUNOFF: Final = RESULT_LAYERS["runoff"]
_OPTIONS: Final = RESULT_LAYERS["outlet_options"]
_DRAINS: Final = RESULT_LAYERS["drain_lines"]
_AS_BUILT: Final = RESULT_LAYERS["as_built"]

#: Printed with every result.
CAUTIONS: Final = (
    "Call before you dig: the utility locate service (811 in the US). Have private lines located "
    "too.",
    "Buried pipes, most curbs and low walls, and whatever was built since are not in the "
    "elevation data. Check levels on site.",
    "Lead no more, faster or more concentrated water onto a neighbour, and none into a sanitary "
    "sewer.",
    "Keep trenches and water clear of foundations, and of septic tanks and fields.",
    "This is a screening: not a survey, not engineering design, not legal advice. Local code and "
    "licensed practice decide.",
)

_TRENCH: Final = (
    "Trenches: from {ladder} deep a ladder within {reach}, from {shoring} shoring or sloped "
    "walls unless in stable rock (US: 29 CFR 1926.651, .652); a stricter local rule governs. "
    "Spoil {back} back."
)
_TRENCH_FIGURES: Final[dict[UnitSystem, dict[str, str]]] = {
    "us": {"ladder": "4 ft", "reach": "25 ft", "shoring": "5 ft", "back": "2 ft"},
    "metric": {"ladder": "1.2 m", "reach": "7.6 m", "shoring": "1.5 m", "back": "0.6 m"},
}


def trench_caution(units: UnitSystem) -> str:
    """
    Say what holds for trenches.

    Parameters
    ----------
    units
        "us" or "metric".

    References
    ----------
    29 CFR 1926.651(c)(2), 1926.651(j)(2) and 1926.652(a).
    """
    return _TRENCH.format(**_TRENCH_FIGURES[units])


def summary_text(
    content: Mapping[str, Any], units: UnitSystem, *, is_screening: bool = False,
    opens: Sequence[str] = (),
) -> str:  # fmt: skip
    """
    Tell a result in short: the answer, then the tables behind it.

    Parameters
    ----------
    units
        "us" or "metric", of the text.
    is_screening
        Whether nothing but a screening was asked for: it stays short, and says what is next.
    opens
        Files of the result that a reader opens, where they are written.

    Returns
    -------
    text
        Aligned columns, at most `WIDTH` characters wide where names are of ordinary length; no
        line break at its end.

    Examples
    --------
    >>> from lotflow.outputs.summary import summary_content
    >>> content = summary_content({}, balance={}, provenance={}, accuracy={
    ...     "rmse_m": 0.1, "low_spot_limit_m": 0.1})
    >>> print(summary_text(content, "metric").splitlines()[2:4])
    ['Where water can stand', '  nowhere deeper than 0.10 m, the limit']
    """
    items = content.get("answer", [])
    tables = [
        ["Where water can stand", *_low_spots(content, units)],
        _headed("What the inlets take", _inlets(content, units)),
        _headed(
            "Where gravity can lead it in a small pipe (whether it may go there is not judged)",
            _outlet_options(content.get("outlet_options", []), units),
        ),
    ]
    if not is_screening:
        tables += [
            _headed("Where water stands after storms", _standing(content, units)),
            _headed("What was seen", _seen(content.get("observations", []), units)),
            _headed(
                "The finished work against the proposal",
                _as_built(content.get("as_built", []), units),
            ),
            _headed("What the drain lines carry", _lines(content["lines"], units)),
            _headed("Over the lot line", _crossings(content, units)),
        ]
    parts = [
        [
            *wrapped(_title(content, units), ""),
            *([] if items else _without_outlet(content["findings"])),
        ],
        *_items(items, is_screening=is_screening),
        *tables,
        _headed("Found beside that", _beside(content, counted=not is_screening)),
        _headed("Rain", _rain_used(content["findings"])),
        ["Accuracy and cautions", *_accuracy(content["accuracy"], units)],
        _headed("What next", _next(opens) if is_screening else []),
    ]
    return "\n\n".join("\n".join(part) for part in parts if part)


def _headed(heading: str, lines: list[str]) -> list[str]:
    """Put a heading over lines; nothing over nothing."""
    return [heading, *lines] if lines else []


#: Causes told of an item in short.
_MOST_CAUSES: Final = 4
_INDENT: Final = "    "
#: Theme of the item on water that comes onto the lot.
RUN_ON: Final = "run-on"


def _items(items: Sequence[Mapping[str, Any]], *, is_screening: bool) -> list[list[str]]:
    """The items of the answer, each thing that is asked of one on lines of its own."""
    checks: set[str] = set()
    parts = []
    for one in items:
        first, *then = one["steps"] or [""]
        check = "" if one["check"] in checks else one["check"]
        checks.add(check)
        told = [
            # where water comes on is what its item tells of
            ("Why? ", "" if one["theme"] == RUN_ON else causes_in_short(one["causes"])),
            ("Do first: ", first),
            # of a screening the next steps wait for the levels
            ("Then: ", "" if is_screening else " ".join(then)),
            ("Takes: ", one["takes"]),
            ("How sure? ", f"{one['grade_means'].capitalize()}. {check}"),
            ("", one["left"]),
        ]
        lines = wrapped(one["harm"], f"{one['rank']:>2}  ")
        for name, text in told:
            lines += wrapped(f"{name}{text}", _INDENT, more="  ") if text else []
        parts.append(lines)
    return parts


def causes_in_short(causes: Sequence[Mapping[str, Any]]) -> str:
    """
    Name the causes of an item with their shares.

    Examples
    --------
    >>> causes_in_short([{"source": "roof", "share": 0.6, "subject": "DS1"},
    ...                  {"source": "own yard", "share": 0.4, "subject": ""}])
    '60 % roof (DS1), 40 % your own yard'
    """
    told = [
        f"{percent(one['share'])} {source(one['source'])}"
        + (f" ({one['subject']})" if one["subject"] else "")
        for one in causes[:_MOST_CAUSES]
    ]
    rest = sum(one["share"] for one in causes[_MOST_CAUSES:])
    return ", ".join([*told, f"{percent(rest)} others"] if round(rest, 2) > 0 else told)


def _beside(content: Mapping[str, Any], *, counted: bool) -> list[str]:
    """What is found and belongs to no item: failures and warnings told, the rest counted."""
    inside = {_key(one) for item in content.get("answer", []) for one in item["findings"]}
    reasons = {_key(one): one["reason"] for one in content.get("evidence_only", [])}
    lines: list[str] = []
    notes, folded = 0, 0
    told: list[Mapping[str, Any]] = []
    for one in content["findings"]:
        key = (one["rule"], one["subject"], "today" if one["today"] else "")
        if key in inside:
            folded += 1
        elif one["severity"] == "note" or ("evidence_only" in content and key not in reasons):
            notes += 1
        else:
            told.append(one)
    for one in told[: _MOST["findings"]]:
        lines += wrapped(f"{one['subject']}: {one['message']}", f"  {one['severity']:<5}")
    lines += _rest(len(told) - _MOST["findings"])
    if not content["findings"] or not counted:
        return lines
    counts = [f"{folded} findings stand behind the items above"] if folded else []
    counts += [f"{notes} note{'s' if notes > 1 else ''} on data and assumptions"] if notes else []
    where = "all with their figures and sources: layer findings of result.gpkg"
    return [*lines, *wrapped("; ".join([*counts, where]).capitalize() + ".", "  ")]


def _key(one: Mapping[str, Any]) -> tuple[str, str, str]:
    """What names a finding within a result."""
    return one["rule"], one["subject"], one["scenario"]


def _next(opens: Sequence[str]) -> list[str]:
    """What to open, and what to do once the place has been seen."""
    uses = {
        "plan.html": "plan.html in any browser, also on a phone without a network: tap to follow "
        "the water",
        "field_sheet.pdf": "field_sheet.pdf, one page to print and take along",
        "result.gpkg": "result.gpkg in a GIS viewer: every layer, styled",
    }
    told = [f"Open {text}." for name, text in uses.items() if name in opens]
    told.append(
        "To size drains, or judge old ones: lotflow start FOLDER --elevation FILE --lot FILE makes "
        "a folder to draw in; then lotflow run FOLDER."
    )
    return [line for text in told for line in wrapped(text, "  ")]


def _title(content: Mapping[str, Any], units: UnitSystem) -> str:
    """Name and area of the lot."""
    lot = content["lot"]
    return f"{lot['name'] or 'The lot'}: {RESULT_LAYERS['lot'].shown(lot, 'area_m2', units)}"


def _without_outlet(findings: Sequence[Mapping[str, Any]]) -> list[str]:
    """The headline that no gravity outlet was found, and for what."""
    names = [str(one["subject"]) for one in findings if one["rule"] == "no-gravity-outlet"]
    return wrapped(f"No gravity outlet was found for {', '.join(names)}.", "") if names else []


def _low_spots(content: Mapping[str, Any], units: UnitSystem) -> list[str]:
    """The low spots, those on the lot and those that are believed first, deepest first."""
    spots = content["low_spots"]
    if not spots:
        limit = content["accuracy"].get("low_spot_limit_m")
        named = "" if limit is None else f"{shown(limit, 'depth', units)}, "
        return [f"  nowhere deeper than {named}the limit"]
    real = [spot for spot in spots if not spot["artefact"]]
    if not real:
        return ["  nowhere that is surely water", *_artefacts(spots)]
    sure = any(spot["probability"] is not None for spot in real)
    listed = sorted(real, key=lambda spot: spot["on_lot_m2"] == 0)
    columns = ["id", "depth_m", "area_m2", "volume_m3", "contributing_area_m2",
               "runoff_to_fill_mm", *(["probability"] if sure else [])]  # fmt: skip
    rows = [
        (
            *_cells(_SPOTS, spot, columns, units),
            _notes(
                _closed(spot),
                spot.get("level_from") if spot.get("level_from") == "levelled" else None,
                "off the lot" if spot["on_lot_m2"] == 0 else None,
                f"inlets: {spot['inlets']}" if spot["inlets"] else None,
            ),
        )
        for spot in listed
    ]
    heads = (*_SPOTS.labels(*columns), "Note")
    lines = _table(heads, rows, _MOST["low_spots"], text_columns=(len(heads) - 1,))
    if sure:
        lines.append(
            "  chance: that it is there, by the surfaces that the error of the data allows"
        )
    return lines + _at_least(real) + _artefacts(spots)


def _artefacts(spots: Sequence[Mapping[str, Any]]) -> list[str]:
    """The low spots that may be no water, in one sentence, with the reason."""
    by_reason: dict[str, list[str]] = {}
    for spot in spots:
        if spot["artefact"]:
            by_reason.setdefault(spot["artefact"], []).append(str(spot["id"]))
    told = [f"no. {joined(ids)} ({why})" for why, ids in by_reason.items()]
    return wrapped(f"may be no water: {'; '.join(told)}", "  ") if told else []


def _cells(
    layer: Layer, row: Mapping[str, Any], columns: Sequence[str], units: UnitSystem
) -> list[str]:
    """Cells of a row, as the layer shows its columns."""
    return [layer.shown(row, column, units) for column in columns]


def _notes(*notes: str | None) -> str:
    """What a reader must know of a row, in one cell."""
    return "; ".join(filter(None, notes))


def _closed(entry: Mapping[str, Any]) -> str | None:
    """What is only known not to be less, of a low spot or inlet."""
    if entry.get("not_closed"):
        return "not closed: at least"
    return "at least" if entry["cut_by_edge"] else None


def _at_least(entries: Sequence[Mapping[str, Any]]) -> list[str]:
    """Explain "at least" where a row says it."""
    cut = any(entry["cut_by_edge"] for entry in entries)
    lines = ["  at least: more may drain to it from beyond the elevation data"] if cut else []
    if any(entry.get("not_closed") for entry in entries):
        lines.append(
            "  not closed: its basin goes on beyond the data; water may rise higher than given"
        )
    return lines


def _standing(content: Mapping[str, Any], units: UnitSystem) -> list[str]:
    """Water in each low spot after the largest storm: no inlet blocked, and the worst case."""
    ponds = content["ponds"]
    # what is likely no water and lies beyond the lot is told of once, with the low spots
    left_out = {
        spot["id"] for spot in content["low_spots"] if spot["artefact"] and not spot["on_lot_m2"]
    }
    largest = max((pond["return_period_yr"] or 0 for pond in ponds), default=0)
    by_spot: dict[int, list[Mapping[str, Any]]] = {}
    for pond in ponds:
        if pond["return_period_yr"] == largest and pond["low_spot"] not in {None, *left_out}:
            by_spot.setdefault(pond["low_spot"], []).append(pond)
    rows = [
        _standing_row(spot, here, units, _longest(ponds, spot))
        for spot, here in sorted(by_spot.items())
        if any(pond["depth_m"] for pond in here) and any(pond["case"] == OPEN for pond in here)
    ]
    spot, gone, when, below = _PONDS.labels("low_spot", "soaks_away_h", "scenario", "freeboard_m")
    heads = (spot, f"{largest:g} yr, none blocked", gone, "Deepest", when, below, "Note")
    return _table(heads, rows, _MOST["low_spots"], text_columns=(4, 6))


def _seen(rows: Sequence[Mapping[str, Any]], units: UnitSystem) -> list[str]:
    """What was seen of standing water beside what is predicted, what disagrees first."""
    columns = ("name", "seen_on", "depth_m", "stood_h", "rain_mm", "predicted_m", "predicted_h",
               "verdict")  # fmt: skip
    first = sorted(rows, key=lambda row: row["verdict"] in ("agrees", "cannot tell"))
    cells = [
        _cells(_OBSERVATIONS, {**row, "seen_on": row["date"]}, columns, units) for row in first
    ]
    heads = _OBSERVATIONS.labels(*columns)
    return _table(heads, cells, _MOST["observations"], text_columns=(0, 1, len(heads) - 1))


def _longest(ponds: Sequence[Mapping[str, Any]], spot: int) -> float:
    """
    Longest time that a low spot holds water after any storm, no inlet blocked [h].

    More water is not gone sooner: after the largest storm it stands so long at least.
    """
    here = [pond for pond in ponds if pond["low_spot"] == spot]
    free = [p for p in here if p["case"] == LIMITED] or [p for p in here if p["case"] == OPEN]
    return max((pond["soaks_away_h"] or 0.0 for pond in free), default=0.0)


def _as_built(rows: Sequence[Mapping[str, Any]], units: UnitSystem) -> list[str]:
    """Each fall and level of the finished work, what does not hold first."""
    kept = ("as proposed", "holds")
    first = sorted(rows, key=lambda row: (row["verdict"] in kept, row["part"] != "fall"))
    cells = []
    for row in first:
        ends = ("slope", "slope") if row["part"] == "fall" else ("m", "m")
        cells.append((
            *_cells(_AS_BUILT, row, ("name", "part"), units),
            *_cells(_AS_BUILT, row, [f"expected_{ends[0]}", f"measured_{ends[1]}"], units),
            *_cells(_AS_BUILT, row,
                    ["least_slope" if row["part"] == "fall" else "tolerance_m", "verdict"], units),
        ))  # fmt: skip
    heads = _AS_BUILT.labels("name", "part", "expected_m", "measured_m", "tolerance_m", "verdict")
    return _table(heads, cells, _MOST["as_built"], text_columns=(0, 1, 5))


def _standing_row(
    spot: int, ponds: Sequence[Mapping[str, Any]], units: UnitSystem, longest_h: float
) -> tuple[str, ...]:
    """One low spot: its water with no inlet blocked, and in the case in which it stands deepest."""
    # where it is known what inlets take they take no more than that
    free = [p for p in ponds if p["case"] == LIMITED]
    free = free or [p for p in ponds if p["case"] == OPEN]
    usual = max(free, key=lambda p: p["depth_m"])
    # where several cases are as bad, the first of them: one inlet rather than all
    worst = max(ponds, key=lambda p: round(p["depth_m"], 3))
    hours = usual["soaks_away_h"]
    sooner = hours is not None and longest_h > hours
    gone = _PONDS.shown(
        {**usual, "soaks_away_h": max(hours or 0.0, longest_h)}, "soaks_away_h", units
    )
    gone = f"at least {gone}" if sooner else gone
    least = "at least " if worst.get("not_closed") else ""
    most = "at most " if worst.get("not_closed") and worst["freeboard_m"] is not None else ""
    return (
        str(spot),
        least + (_PONDS.shown(usual, "depth_m", units) if usual["depth_m"] else "dry"),
        (not_gone(hours, usual.get("stays_m")) or gone) if usual["depth_m"] else "-",
        least + _PONDS.shown(worst, "depth_m", units),
        Scenario(worst["case"]).short,
        most + _PONDS.shown(worst, "freeboard_m", units),
        _notes(
            "not closed" if worst.get("not_closed") else None,
            "at the sill" if worst["reaches_building"] else _at_the_wall(worst, units),
            "leaves the lot" if worst["spills_onto"] == "beyond the lot" else None,
            usual["artefact"] or None,
        ),
    )


def _at_the_wall(pond: Mapping[str, Any], units: UnitSystem) -> str | None:
    """How deep it stands at a wall of which no sill or threshold is given."""
    if pond["threshold_basis"] or not pond["wall_depth_m"]:
        return None
    return f"{_PONDS.shown(pond, 'wall_depth_m', units)} deep at the wall, sill not given"


def _inlets(content: Mapping[str, Any], units: UnitSystem) -> list[str]:
    """The inlets with catchment and flow."""
    storms, flows = _flows(content, units)
    # ranges are broad: flows have a table of their own then
    apart = bool(storms) and any(" to " in cell for row in flows for cell in row)
    columns = ["off_lot_m2", "roof_connected_m2"]
    rows = [
        (
            str(inlet["name"]),
            _INLETS.shown_open(inlet, "catchment_m2", units),
            *_cells(_INLETS, inlet, columns, units),
            *(() if apart else flows[position]),
            _notes(_closed(inlet), _left_standing(inlet, units)),
        )
        for position, inlet in enumerate(content["inlets"])
    ]
    name, *first = _INLETS.labels("name", "catchment_m2", *columns)
    heads = (name, *first, *(() if apart else storms), "Note")
    lines = _table(heads, rows, _MOST["inlets"], text_columns=(0, len(heads) - 1))
    if apart:
        names = [str(inlet["name"]) for inlet in content["inlets"]]
        cells = [(inlet, *row) for inlet, row in zip(names, flows, strict=True)]
        lines += _table((name, *storms), cells, _MOST["inlets"], text_columns=(0,))
    return lines + _at_least(content["inlets"]) + _all_inlets(content, units)


def _all_inlets(content: Mapping[str, Any], units: UnitSystem) -> list[str]:
    """Explain ranges, and say what all inlets take together."""
    ranged = any(
        open_range(one["catchment_m2"], one["catchment_m2_p05"], one["catchment_m2_p95"])
        for one in content["inlets"]
    )
    if not ranged:
        return []
    told = "a range: the error of the data leaves it open; 9 of 10 likely surfaces lie in it"
    whole = sum(one["catchment_m2"] or 0.0 for one in content["inlets"])
    found: Mapping[str, Any] = next(iter(content["confidence"]), {})
    key = "inlets_catchment_m2"
    if len(content["inlets"]) > 1 and found.get(f"{key}_p95") is not None:
        bounds = {f"catchment_m2_{share}": found[f"{key}_{share}"] for share in ("p05", "p95")}
        area = _INLETS.shown_open({"catchment_m2": whole, **bounds}, "catchment_m2", units)
        told += f". All inlets together take {area}: ranges are not added, they share water"
    return wrapped(told, "  ")


def _left_standing(inlet: Mapping[str, Any], units: UnitSystem) -> str | None:
    """What an inlet leaves standing because its rim is above the low point."""
    depth = _INLETS.shown(inlet, "residual_depth_m", units)
    return f"leaves {depth} standing" if inlet["residual_depth_m"] else None


def _flows(
    content: Mapping[str, Any], units: UnitSystem
) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Heads and cells of the flow columns: per storm, for the intensity stated, or per unit."""
    inlets, runoff = content["inlets"], content["runoff"]
    storms = sorted({r["return_period_yr"] for r in runoff if r["return_period_yr"] is not None})
    peak, none = _peaks(runoff), {"flow_m3s": None}
    (head,) = _RUNOFF.labels("flow_m3s")

    def cell(entry: Mapping[str, Any]) -> str:
        return _RUNOFF.shown_open(entry, "flow_m3s", units)

    if storms:
        chosen = storms[-_MOST_STORMS:]
        cells = [tuple(cell(peak.get((i["name"], one), none)) for one in chosen) for i in inlets]
        return tuple(f"{head} {storm:g} yr" for storm in chosen), cells
    if any(inlet["flow_m3s"] is not None for inlet in inlets):
        rains = {r["intensity_mm_h"] for r in runoff if r["intensity_mm_h"] is not None}
        stated = {"intensity_mm_h": rains.pop()} if len(rains) == 1 else {}
        rain = f" at {_RUNOFF.shown(stated, 'intensity_mm_h', units)}" if stated else ""
        found = [{**peak.get((i["name"], None), {}), "flow_m3s": i["flow_m3s"]} for i in inlets]
        return (f"{head}{rain}",), [(cell(one),) for one in found]
    if any(inlet["flow_per_10mm_h_m3s"] is not None for inlet in inlets):
        factor = _ONE_INCH_PER_10_MM if units == "us" else 1.0
        cells = [(cell(_unit_flow(inlet, factor)),) for inlet in inlets]
        return (f"{head} per 1 in/h" if units == "us" else f"{head} per 10 mm/h",), cells
    return (), [()] * len(inlets)


def _unit_flow(inlet: Mapping[str, Any], factor: float) -> dict[str, float | None]:
    """Flow per unit of intensity; its bounds, where no roof is led in, from those of the ground."""
    flow, area = inlet["flow_per_10mm_h_m3s"], inlet["catchment_m2"]
    if flow is None or not area or inlet["roof_connected_m2"]:
        return {"flow_m3s": None if flow is None else flow * factor}
    told: dict[str, float | None] = {"flow_m3s": flow * factor}
    for share in ("p05", "p95"):
        ground, own = inlet[f"ground_flow_per_10mm_h_m3s_{share}"], inlet[f"catchment_m2_{share}"]
        # without covers the flow is in proportion to the area
        bound = flow * own / area if ground is None and own is not None else ground
        told[f"flow_m3s_{share}"] = None if bound is None else bound * factor
    return told


def _peaks(
    runoff: Sequence[Mapping[str, Any]],
) -> dict[tuple[str, float | None], Mapping[str, Any]]:
    """Entry per inlet and storm; where both methods were used, that of the rational one."""
    # a downspout may be called as an inlet is
    own = [row for row in runoff if row.get("kind") in (None, "inlet")]
    ranked = sorted(own, key=lambda row: row["method"] == "rational")
    return {(row["subject"], row["return_period_yr"]): row for row in ranked}


def _outlet_options(options: Sequence[Mapping[str, Any]], units: UnitSystem) -> list[str]:
    """The best way to a lower place from each low spot and inlet."""
    columns = ["run_m", "fall_m", "left_m", "verdict"]
    rows = [
        (
            str(one["subject"]),
            f"{one['kind']}, {one['place']}",
            *_cells(_OPTIONS, one, columns[:-1], units),
            _notes(one["verdict"], "levelled" if one.get("level_from") == "levelled" else None),
        )
        for one in options
        if one["rank"] == 1
    ]
    heads = _OPTIONS.labels("subject", "kind", *columns)
    return _table(heads, rows, _MOST["outlet_options"], text_columns=(0, 1, 5))


def _lines(lines: Sequence[Mapping[str, Any]], units: UnitSystem) -> list[str]:
    """The drain lines in the storm they are sized for, and what the rarest one needs beside it."""
    # a line that stays is the same in both cases, but not what it carries
    of_line: dict[tuple[bool, str], list[Mapping[str, Any]]] = {}
    for line in sorted(lines, key=lambda one: one["return_period_yr"] or 0):
        of_line.setdefault((line.get("case") == "today", line["name"]), []).append(line)
    both = len({today for today, _ in of_line}) > 1
    storms = [line["return_period_yr"] or 0 for line in lines]
    rarest = max(storms, default=0)
    judged = next(
        (line["design_storm_yr"] for line in lines if line.get("design_storm_yr")), rarest
    )
    storm, columns = RESULT_LAYERS["line_storms"], ("capacity_m3s", "slope_m_per_m", "diameter_m")
    rows = []
    for (_, name), found in sorted(of_line.items()):
        line = next((one for one in found if one["return_period_yr"] == judged), found[-1])
        rows.append((
            str(name),
            *([str(line["case"])] if both else []),
            storm.shown_open(line, "flow_m3s", units),
            *_cells(_DRAINS, line, columns, units),
            line.get("required_size") or storm.shown(line, "required_diameter_m", units),
            *([line.get("rarest_storm_size")
               or storm.shown(found[-1], "required_diameter_m", units)]
              if rarest > judged else []),
        ))  # fmt: skip
    name, system, *middle, needed = _DRAINS.labels("name", "scenario", *columns, "required_size")
    # of a stated rain there is no such name
    flow, sized = (f"{head} {judged:g} yr" if judged else head
                   for head in (*storm.labels("flow_m3s"), needed))  # fmt: skip
    heads = (name, *((system,) if both else ()), flow, *middle, sized,
             *((f"For {rarest:g} yr",) if rarest > judged else ()))  # fmt: skip
    return _table(heads, rows, _MOST["lines"], text_columns=(0, 1) if both else (0,))


def _crossings(content: Mapping[str, Any], units: UnitSystem) -> list[str]:
    """Run-on and run-off: the whole of it, and the largest places."""
    balance, found = content["balance"], []
    for direction, says in (("on", "comes onto the lot"), ("off", "leaves the lot")):
        places = [c for c in content["lot_line_crossings"] if c["direction"] == direction]
        places.sort(key=lambda place: -(place["area_m2"] or 0))
        total = balance.get(f"{direction}_m2")
        whole = "" if total is None else f" from {shown(total, 'area', units)} in all"
        if not places:
            text = f"Water{whole} {says}." if total else f"Hardly any water {says}."
        else:
            largest = ", ".join(
                f"{RESULT_LAYERS['lot_line_crossings'].shown(p, 'area_m2', units)} (no. {p['id']})"
                for p in places[: _MOST["crossings"]]
            )
            many = "1 place" if len(places) == 1 else f"{len(places)} places"
            text = f"Water{whole} {says} at {many}; the largest drain {largest}."
            if total is not None and sum(p["area_m2"] or 0 for p in places) > 1.01 * total:
                text += " Some of it crosses the line more than once: the places do not add up."
        found += wrapped(text, "  ")
    return found if content["lot_line_crossings"] or "on_m2" in balance else []


def _rain_used(findings: Sequence[Mapping[str, Any]]) -> list[str]:
    """The rainfall and its 10-year hour, however many findings are worse: a unit is mistaken."""
    used = [one["message"] for one in findings if one["rule"] == "rainfall-used"]
    return [line for text in used for line in wrapped(text, "  ")]


def _accuracy(accuracy: Mapping[str, Any], units: UnitSystem) -> list[str]:
    """How far the elevation data can be trusted, and what is always to be minded."""
    known: list[str] = []
    if accuracy.get("rmse_m") is not None:
        known.append(
            f"Elevations are good to about {shown(accuracy['rmse_m'], 'depth', units)} (RMSE): a "
            "shallower dip, or a smaller fall, may be an error of the survey."
        )
    return [line for text in (*known, *CAUTIONS) for line in wrapped(text, "  - ")]


#: A number and what it counts stay on one line.
_UNIT: Final = re.compile(r"(?<=\d) (?=%|[a-zµ]{1,3}[²³]?\b)")


def wrapped(text: str, lead: str, *, more: str = "") -> list[str]:
    """
    Break a sentence into lines, the later ones set under the first, or `more` to the right.

    Examples
    --------
    >>> wrapped("It stands here.", "  - ")
    ['  - It stands here.']
    """
    plain = _UNIT.sub("\N{NO-BREAK SPACE}", " ".join(text.split()))
    lines = textwrap.wrap(
        plain, WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead) + more
    )
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines] or [lead]


def _table(
    heads: Sequence[str], rows: Sequence[Sequence[str]], most: int, *, text_columns: Sequence[int]
) -> list[str]:
    """Align cells under their heads, numbers to the right; say how many rows are left out."""
    if not rows:
        return []
    cells = [tuple(heads), *([" ".join(cell.split()) for cell in row] for row in rows[:most])]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    lines = []
    for row in cells:
        aligned = [
            cell.ljust(width) if column in text_columns else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines += _within("  " + "  ".join(aligned), 2 + sum(width + 2 for width in widths[:-1]))
    return lines + _rest(len(rows) - most)


def _within(line: str, last: int) -> list[str]:
    """Break a row that is too wide; what is left of it goes below its last column, if it can."""
    below = last if last <= WIDTH - _LEAST_COLUMN else 6
    return textwrap.wrap(line.rstrip(), WIDTH, subsequent_indent=" " * below)


def _rest(count: int) -> list[str]:
    """Say how many were left out, if any."""
    return [f"  and {count} more in result.gpkg"] if count > 0 else []
