"""The result in plain words: the short table of the terminal and of `summary.txt`."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any, Final

from lotflow.findings import TODAY, label
from lotflow.units import UnitSystem, shown

WIDTH: Final = 100

#: Most rows shown of each table; the layers hold all of them.
_MOST: Final = {
    "low_spots": 8,
    "inlets": 12,
    "crossings": 3,
    "lines": 8,
    "findings": 8,
    "outlet_options": 6,
}
_MOST_STORMS: Final = 3

_ONE_INCH_PER_10_MM: Final = 2.54

#: Printed with every result.
CAUTIONS: Final = (
    "Call before you dig (811 in the US), and have private lines located too.",
    "Buried pipes, most curbs and low walls, and whatever was built since are not in the "
    "elevation data. Check levels on site.",
    "Lead no more, faster or more concentrated water onto a neighbour, and none into a sanitary "
    "sewer.",
    "Keep trenches and water clear of foundations, and of septic tanks and fields.",
    "This is a screening: not a survey, not engineering design, not legal advice. Local code and "
    "licensed practice decide.",
)


def summary_text(content: Mapping[str, Any], units: UnitSystem) -> str:
    """
    Tell a result in short: what stands where, what each inlet takes, what was found.

    Parameters
    ----------
    content
        As `summary_content` gives it.
    units
        "us" or "metric", of the text.

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
    today = [one for one in content["findings"] if one["message"].startswith(TODAY)]
    main = [one for one in content["findings"] if not one["message"].startswith(TODAY)]
    parts = [
        [*_wrapped(_title(content, units), ""), *_without_outlet(content["findings"])],
        ["Where water can stand", *_low_spots(content, units)],
        _headed("What the inlets take", _inlets(content, units)),
        _headed(
            "Where gravity can lead it (whether it may go there is not judged)",
            _outlet_options(content.get("outlet_options", []), units),
        ),
        _headed("Where water stands after storms", _standing(content["ponds"], units)),
        _headed("What the drain lines carry", _lines(content["lines"], units)),
        _headed("Over the lot line", _crossings(content, units)),
        _headed("Findings", _findings(main)),
        _headed("Findings that are so today and no longer as proposed", _findings(today)),
        ["Accuracy and cautions", *_accuracy(content["accuracy"], units)],
    ]
    return "\n\n".join("\n".join(part) for part in parts if part)


def _headed(heading: str, lines: list[str]) -> list[str]:
    """Put a heading over lines; nothing over nothing."""
    return [heading, *lines] if lines else []


def _title(content: Mapping[str, Any], units: UnitSystem) -> str:
    """Name and area of the lot."""
    lot = content["lot"]
    return f"{lot['name'] or 'The lot'}: {shown(lot['area_m2'], 'area', units)}"


def _without_outlet(findings: Sequence[Mapping[str, Any]]) -> list[str]:
    """The headline that no gravity outlet was found, and for what."""
    names = [str(one["subject"]) for one in findings if one["rule"] == "no-gravity-outlet"]
    return _wrapped(f"No gravity outlet was found for {', '.join(names)}.", "") if names else []


def _low_spots(content: Mapping[str, Any], units: UnitSystem) -> list[str]:
    """The low spots, those that are believed first, each kind deepest first."""
    spots = content["low_spots"]
    if not spots:
        limit = content["accuracy"].get("low_spot_limit_m")
        named = "" if limit is None else f"{shown(limit, 'depth', units)}, "
        return [f"  nowhere deeper than {named}the limit"]
    sure = any(spot["probability"] is not None for spot in spots)
    listed = sorted(spots, key=lambda spot: (bool(spot["artefact"]), spot["on_lot_m2"] == 0))
    rows = [
        (
            str(spot["id"]),
            shown(spot["depth_m"], "depth", units),
            shown(spot["area_m2"], "area", units),
            shown(spot["volume_m3"], "volume", units),
            shown(spot["contributing_area_m2"], "area", units),
            shown(_thousandth(spot["runoff_to_fill_mm"]), "rain_depth", units),
            *([_share(spot["probability"])] if sure else []),
            _notes(
                "at least" if spot["cut_by_edge"] else None,
                spot["artefact"],
                "off the lot" if spot["on_lot_m2"] == 0 else None,
                f"inlets: {spot['inlets']}" if spot["inlets"] else None,
            ),
        )
        for spot in listed
    ]
    last = ("Stands in", "Note") if sure else ("Note",)
    heads = ("No.", "Depth", "Area", "Volume", "Drains to it", "To fill", *last)
    lines = _table(heads, rows, _MOST["low_spots"], text_columns=(len(heads) - 1,))
    if sure:
        lines.append("  stands in: share of the surfaces that the error of the data allows")
    return lines + _at_least(spots)


def _share(value: float | None) -> str:
    """Show a share in whole per cent."""
    return "-" if value is None else f"{value:.0%}"


def _thousandth(millimetres: float | None) -> float | None:
    """Millimetres as metres."""
    return None if millimetres is None else millimetres / 1000


def _notes(*notes: str | None) -> str:
    """What a reader must know of a row, in one cell."""
    return "; ".join(filter(None, notes))


def _at_least(entries: Sequence[Mapping[str, Any]]) -> list[str]:
    """Explain "at least" where a row says it."""
    cut = any(entry["cut_by_edge"] for entry in entries)
    return ["  at least: more may drain to it from beyond the elevation data"] if cut else []


def _standing(ponds: Sequence[Mapping[str, Any]], units: UnitSystem) -> list[str]:
    """Water in each low spot after the largest storm: every inlet open, and the worst case."""
    largest = max((pond["return_period_yr"] or 0 for pond in ponds), default=0)
    by_spot: dict[int, list[Mapping[str, Any]]] = {}
    for pond in ponds:
        if pond["return_period_yr"] == largest and pond["low_spot"] is not None:
            by_spot.setdefault(pond["low_spot"], []).append(pond)
    rows = [
        _standing_row(spot, here, units)
        for spot, here in sorted(by_spot.items())
        if any(pond["depth_m"] for pond in here) and any(pond["case"] == "open" for pond in here)
    ]
    heads = ("Low spot", f"{largest:g} yr, open", "Gone after", "Deepest", "when", "To building",
             "Note")  # fmt: skip
    return _table(heads, rows, _MOST["low_spots"], text_columns=(4, 6))


def _standing_row(
    spot: int, ponds: Sequence[Mapping[str, Any]], units: UnitSystem
) -> tuple[str, ...]:
    """One low spot: its water with every inlet open, and in the case in which it stands deepest."""
    usual = max((p for p in ponds if p["case"] == "open"), key=lambda p: p["depth_m"])
    # where several cases are as bad, the first of them: one inlet rather than all
    worst = max(ponds, key=lambda p: round(p["depth_m"], 3))
    hours = usual["soaks_away_h"]
    return (
        str(spot),
        shown(usual["depth_m"], "depth", units) if usual["depth_m"] else "dry",
        "-" if not usual["depth_m"] else "never" if hours is None else f"{hours:.0f} h",
        shown(worst["depth_m"], "depth", units),
        worst["case"].replace(":", " "),
        shown(worst["freeboard_m"], "depth", units),
        _notes(
            "at the sill" if worst["reaches_building"] else _at_the_wall(worst, units),
            "leaves the lot" if worst["spills_onto"] == "beyond the lot" else None,
            usual["artefact"] or None,
        ),
    )


def _at_the_wall(pond: Mapping[str, Any], units: UnitSystem) -> str | None:
    """How deep it stands at a wall of which no sill or threshold is given."""
    if pond["threshold_basis"] or not pond["wall_depth_m"]:
        return None
    return f"{shown(pond['wall_depth_m'], 'depth', units)} deep at the wall, sill not given"


def _inlets(content: Mapping[str, Any], units: UnitSystem) -> list[str]:
    """The inlets with catchment and flow."""
    heads, flows = _flows(content, units)
    rows = [
        (
            str(inlet["name"]),
            shown(inlet["catchment_m2"], "area", units),
            shown(inlet["off_lot_m2"], "area", units),
            shown(inlet["roof_connected_m2"], "area", units),
            *flows[position],
            _notes("at least" if inlet["cut_by_edge"] else None, _left_standing(inlet, units)),
        )
        for position, inlet in enumerate(content["inlets"])
    ]
    heads = ("Name", "Catchment", "Off the lot", "Roofs led to it", *heads, "Note")
    lines = _table(heads, rows, _MOST["inlets"], text_columns=(0, len(heads) - 1))
    return lines + _at_least(content["inlets"])


def _left_standing(inlet: Mapping[str, Any], units: UnitSystem) -> str | None:
    """What an inlet leaves standing because its rim is above the low point."""
    depth = inlet["residual_depth_m"]
    return f"leaves {shown(depth, 'depth', units)} standing" if depth else None


def _flows(
    content: Mapping[str, Any], units: UnitSystem
) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Heads and cells of the flow columns: per storm, for the intensity stated, or per unit."""
    inlets, runoff = content["inlets"], content["runoff"]
    storms = sorted({r["return_period_yr"] for r in runoff if r["return_period_yr"] is not None})
    if storms:
        chosen = storms[-_MOST_STORMS:]
        peak = _peaks(runoff)
        cells = [
            tuple(shown(peak.get((i["name"], storm)), "flow", units) for storm in chosen)
            for i in inlets
        ]
        return tuple(f"Flow {storm:g} yr" for storm in chosen), cells
    if any(inlet["flow_m3s"] is not None for inlet in inlets):
        rains = {r["intensity_mm_h"] for r in runoff if r["intensity_mm_h"] is not None}
        rain = f" at {_rain(rains.pop(), units)}" if len(rains) == 1 else ""
        return (f"Flow{rain}",), [(shown(i["flow_m3s"], "flow", units),) for i in inlets]
    if any(inlet["flow_per_10mm_h_m3s"] is not None for inlet in inlets):
        factor = _ONE_INCH_PER_10_MM if units == "us" else 1.0
        flows = [inlet["flow_per_10mm_h_m3s"] for inlet in inlets]
        cells = [(shown(None if f is None else f * factor, "flow", units),) for f in flows]
        return ("Flow per 1 in/h" if units == "us" else "Flow per 10 mm/h",), cells
    return (), [()] * len(inlets)


def _peaks(runoff: Sequence[Mapping[str, Any]]) -> dict[tuple[str, float], float]:
    """Flow per inlet and storm; where both methods were used, the rational one."""
    # a downspout may be called as an inlet is
    own = [row for row in runoff if row.get("kind") in (None, "inlet")]
    ranked = sorted(own, key=lambda row: row["method"] == "rational")
    return {(row["subject"], row["return_period_yr"]): row["flow_m3s"] for row in ranked}


def _rain(millimetres_per_hour: float, units: UnitSystem) -> str:
    """Show an intensity."""
    return shown(millimetres_per_hour / 3.6e6, "rain", units)


def _outlet_options(options: Sequence[Mapping[str, Any]], units: UnitSystem) -> list[str]:
    """The best way to a lower place from each low spot and inlet."""
    rows = [
        (
            str(one["subject"]),
            f"{one['kind']}, {one['place']}",
            shown(one["run_m"], "distance", units),
            shown(one["fall_m"], "depth", units),
            shown(one["left_m"], "depth", units),
            str(one["verdict"]),
        )
        for one in options
        if one["rank"] == 1
    ]
    heads = ("From", "To", "Run", "Fall under cover", "Left", "By the data")
    return _table(heads, rows, _MOST["outlet_options"], text_columns=(0, 1, 5))


def _lines(lines: Sequence[Mapping[str, Any]], units: UnitSystem) -> list[str]:
    """The drain lines, for the largest storm of each."""
    # a line that stays is the same in both cases, but not what it carries
    largest = {
        (line.get("case") == "today", line["name"]): line
        for line in sorted(lines, key=lambda one: one["return_period_yr"] or 0)
    }
    both = len({today for today, _ in largest}) > 1
    storm = max((line["return_period_yr"] or 0 for line in largest.values()), default=0)
    rows = [
        (
            str(name),
            *([str(line["case"])] if both else []),
            shown(line["flow_m3s"], "flow", units),
            shown(line["capacity_m3s"], "flow", units),
            "-" if line["slope_m_per_m"] is None else f"{line['slope_m_per_m']:.2%}",
            shown(line["diameter_m"], "diameter", units),
            shown(line["required_diameter_m"], "diameter", units),
        )
        for (_, name), line in sorted(largest.items())
    ]
    flow = f"Flow {storm:g} yr" if storm else "Flow"  # of a stated rain there is no such name
    heads = ("Name", *(("System",) if both else ()), flow, "Can carry", "Slope", "Diameter",
             "Needed")  # fmt: skip
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
                f"{shown(p['area_m2'], 'area', units)} (no. {p['id']})"
                for p in places[: _MOST["crossings"]]
            )
            many = "1 place" if len(places) == 1 else f"{len(places)} places"
            text = f"Water{whole} {says} at {many}; the largest drain {largest}."
        found += _wrapped(text, "  ")
    return found if content["lot_line_crossings"] or "on_m2" in balance else []


def _findings(findings: Sequence[Mapping[str, Any]]) -> list[str]:
    """The findings in their order, under each in short what is part of it."""
    groups: list[list[Mapping[str, Any]]] = []
    for one in findings:
        head = groups[-1][0] if groups else None
        if head and one.get("part_of") == label(head["rule"], head["subject"]):
            groups[-1].append(one)
        else:
            groups.append([one])
    found: list[str] = []
    for head, *parts in groups[: _MOST["findings"]]:
        told = head["message"].removeprefix(TODAY)
        found += _wrapped(f"{head['subject']}: {told}", f"  {head['severity']:<5}")
        found += _wrapped(_in_short(parts), "       ") if parts else []
    return found + _rest(sum(map(len, groups[_MOST["findings"] :])))


def _in_short(parts: Sequence[Mapping[str, Any]]) -> str:
    """Name what has the same cause: subjects, each with its rules in words."""
    by_subject: dict[str, list[str]] = {}
    for one in parts:
        by_subject.setdefault(str(one["subject"]), []).append(one["rule"].replace("-", " "))
    listed = "; ".join(
        f"{subject}: {', '.join(dict.fromkeys(rules))}" for subject, rules in by_subject.items()
    )
    return f"Of the same cause ({len(parts)}): {listed}."


def _accuracy(accuracy: Mapping[str, Any], units: UnitSystem) -> list[str]:
    """How far the elevation data can be trusted, and what is always to be minded."""
    known: list[str] = []
    if accuracy.get("rmse_m") is not None:
        known.append(
            f"Elevations are good to about {shown(accuracy['rmse_m'], 'depth', units)} (RMSE): a "
            "shallower dip, or a smaller fall, may be an error of the survey."
        )
    return [line for text in (*known, *CAUTIONS) for line in _wrapped(text, "  - ")]


def _wrapped(text: str, lead: str) -> list[str]:
    """Break a sentence into lines, the later ones set under the first."""
    plain = " ".join(text.split())
    return textwrap.wrap(plain, WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead)) or [
        lead
    ]


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
        lines.append(_cut("  " + "  ".join(aligned)))
    return lines + _rest(len(rows) - most)


def _cut(line: str) -> str:
    """Keep a line within the width; what is left out stands in the layers."""
    line = line.rstrip()
    return line if len(line) <= WIDTH else line[: WIDTH - 3].rstrip() + "..."


def _rest(count: int) -> list[str]:
    """Say how many were left out, if any."""
    return [f"  and {count} more in result.gpkg"] if count > 0 else []
