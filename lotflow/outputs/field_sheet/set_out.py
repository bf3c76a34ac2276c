"""What is set out and dug: stakes with their distances, earthworks, and each of them cut open."""

from __future__ import annotations

import math
from string import ascii_uppercase
from typing import TYPE_CHECKING, Any, Final

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.field_sheet.content import FieldSheetContent, Row, rows_of
from lotflow.outputs.field_sheet.drawn import SectionDrawing, StakePlan
from lotflow.outputs.field_sheet.typesetting import BLANK, Cell, Lettering, Titled, Typesetter
from lotflow.outputs.sections import earthwork_cuts

if TYPE_CHECKING:
    from collections.abc import Sequence

_STAKES: Final = RESULT_LAYERS["stakes"]
_LINES: Final = RESULT_LAYERS["earthwork_lines"]
_AREAS: Final = RESULT_LAYERS["earthwork_areas"]
#: Most stakes, and earthworks, on the sheet.
_MOST_STAKES: Final = 80
_MOST_WORKS: Final = 12
#: Levels that somebody gave.
_GIVEN: Final = ("given", "below rim", "from line")
_MARK: Final = "*"
_NOT_GIVEN: Final = (
    f"{_MARK} Nobody gave this level: it follows from the elevation data. Level it before anything "
    "is dug."
)


def set_out_parts(
    setter: Typesetter, content: FieldSheetContent, lettering: Lettering, width: float
) -> list[Any]:
    """Set the earthworks with their sections, and the stakes; nothing where nothing is proposed."""
    return [
        *_earthworks(setter, content, lettering, width),
        *_stakes(setter, content, lettering, width),
    ]


def _proposed(content: FieldSheetContent, layer: str) -> list[Row]:
    """Earthworks to be dug."""
    rows = rows_of(content.layers, layer)
    return [row for row in rows if row["status"] in (None, "", "proposed")][:_MOST_WORKS]


def _earthworks(
    setter: Typesetter, content: FieldSheetContent, lettering: Lettering, width: float
) -> list[Any]:
    """Set what is dug and filled."""
    lines, areas = (_proposed(content, f"earthwork_{what}") for what in ("lines", "areas"))
    if not (lines or areas):
        return []
    cuts, staked = earthwork_cuts(content.layers), rows_of(content.layers, "stakes")
    parts = setter.heading(
        "Earthworks to dig",
        "Have utilities marked before the first cut, and dig by hand over pipes and cables. Strip "
        "the turf, keep the topsoil for the last layer, seed or cover the same day.",
        room=300.0,
    )
    for line in lines:
        own = [one for one in staked if one["subject"] == line["name"]]
        told = [setter.table((), [_facts(line, content)], _FACT_WIDTHS), setter.gap()]
        cut = cuts.get(str(line["name"]))
        if cut is not None:
            marks = [(one["distance_m"], str(one["id"])) for one in own
                     if one["distance_m"] is not None]  # fmt: skip
            told.append(SectionDrawing(cut, marks, lettering, width, content.units))
        parts.append(setter.together(told))
        if own:
            parts += [setter.table(*_bed_levels(own, content), height=15), setter.gap()]
    if areas:
        parts += [setter.table(*_area_table(areas, content), height=16), setter.gap()]
    return parts


_FACT_WIDTHS: Final = (20, 24, 22, 18)


def _facts(line: Row, content: FieldSheetContent) -> list[Cell]:
    """What is known of a swale or berm as a whole, in a row of cells."""

    def shown(name: str) -> str:
        return _LINES.shown(line, name, content.units)

    is_swale = line["kind"] == "swale"
    to = line["leads_to"] or "not told: where is its water to go?"
    if line["leads_to"] == "surface":
        to = "runs out on the ground"
    goes = f"its water goes to: {line['goes_to']}" if line["goes_to"] else ""
    side = f"sides {line['side_slope']:g} to 1"
    section = f"bed {shown('width_m')} wide" if is_swale else f"top {shown('width_m')} wide"
    depth = f"least depth {shown('depth_m')}, fall {shown('fall')}" if is_swale else ""
    moved = f"cut {shown('cut_m3')}" if is_swale else f"fill {shown('fill_m3')}"
    over = f"by hand over: {line['crosses']}" if line["crosses"] else "over no drawn pipe or cable"
    return [
        Titled(str(line["name"]), f"{line['kind']}, {shown('length_m')}", (
            ("", str(line["verdict"] or "")),)),
        Titled(_LINES.column("leads_to").label, to, (("", goes),)),
        Titled("Section", f"{section}, {side}", (("", depth), ("", str(line["lining"] or "")))),
        Titled("Earth", moved, (("", over),)),
    ]  # fmt: skip


def _bed_levels(
    own: Sequence[Row], content: FieldSheetContent
) -> tuple[tuple[str, ...], list[list[Cell]], tuple[float, ...]]:
    """Levels of a bed or top at its stakes."""
    heads = (*_STAKES.labels("id", "part", "distance_m"), "Ground today", str(
        own[0]["level_of"]).capitalize(),
        *(_STAKES.labels("cut_m") if own[0]["level_of"] == "bed" else ("Fill",)),
        "Ground, shot", "Done, shot")  # fmt: skip
    rows: list[list[Cell]] = []
    for one in own:
        moved = dict(one, cut_m=None if one["cut_m"] is None else abs(one["cut_m"]))
        rows.append([
            str(one["id"]), one["part"],
            *(_STAKES.shown(moved, name, content.units)
              for name in ("distance_m", "ground_m", "level_m", "cut_m")),
            BLANK, BLANK,
        ])  # fmt: skip
    return heads, rows, (7, 14, 12, 14, 14, 12, 13, 13)


def _area_table(
    areas: Sequence[Row], content: FieldSheetContent
) -> tuple[tuple[str, ...], list[list[Cell]], tuple[float, ...]]:
    """Ground that is raised, and rain gardens."""
    heads = ("Ground", "What it is to do", "Deepest or highest", *_AREAS.labels(
        "area_m2", "cut_m3", "fill_m3", "crosses"), "Done")  # fmt: skip
    rows: list[list[Cell]] = []
    for one in areas:

        def shown(name: str, one: Row = one) -> str:
            return _AREAS.shown(one, name, content.units)

        todo = {
            "regrade": f"falls away from the wall as asked over {shown('share_met')} of it",
            "fill": "no water stands on it",
            "rain garden": f"holds {shown('holds_m3')}"
            + (f", gone in {shown('empties_h')}" if one["empties_h"] is not None
               else "; soil not known: dig a test hole"),
        }[one["kind"]]  # fmt: skip
        rows.append([
            Titled(str(one["name"]), str(one["kind"])), f"{todo} ({one['verdict']})",
            shown("deepest_m"), shown("area_m2"), shown("cut_m3"), shown("fill_m3"),
            one["crosses"] or "-", BLANK,
        ])  # fmt: skip
    return heads, rows, (16, 26, 12, 10, 10, 10, 12, 8)


def _stakes(
    setter: Typesetter, content: FieldSheetContent, lettering: Lettering, width: float
) -> list[Any]:
    """Set the stakes: a plan of them, the corners, and the distances."""
    found = rows_of(content.layers, "stakes")
    if not found:
        return []
    shown = found[:_MOST_STAKES]
    letters = corner_letters(shown)
    more = f" {len(found) - len(shown)} more in result.gpkg." if len(found) > len(shown) else ""
    plan = (
        StakePlan(shown, letters, content.layers, lettering, width, content.units)
        if letters
        else None
    )
    parts = setter.heading(
        "Stakes to set out",
        "Hold the tape level. Two distances meet on both sides of the line between the corners: "
        "the last column tells the side. First tape from corner to corner: where that differs from "
        f"the drawing, the house stands otherwise than drawn, and so does every stake.{more}",
        room=150.0 if plan is None else plan.height + 130.0,
    )
    if plan is not None:
        corners = [f"{letter}: {name}" for name, letter in letters.items()]
        parts += [
            plan,
            setter.note("; ".join(corners) + "."),
            *([setter.note(bases)] if (bases := _bases(shown, letters, content)) else []),
        ]
    heads = (*_STAKES.labels("id", "subject", "ground_m", "level_of", "cut_m"), "First tape",
             "Second tape", "Lies", "Set")  # fmt: skip
    rows = [_stake_row(one, letters, content) for one in shown]
    untied = [(n, 5, n, 7) for n, one in enumerate(shown) if one["corner_a"] is None]
    widths = (8.5, 27, 12, 18, 12, 12.5, 12.5, 16, 6.5)
    parts.append(setter.table(heads, rows, widths, height=15, spans=untied))
    if any(_is_marked(one) for one in shown):
        parts.append(setter.note(_NOT_GIVEN))
    return parts


def corner_letters(staked: Sequence[Row]) -> dict[str, str]:
    """Give each corner that is taped from a letter, in the order in which they are needed."""
    names = [one[key] for one in staked for key in ("corner_a", "corner_b")]
    known = list(dict.fromkeys(name for name in names if name is not None))
    return {name: _letter(number) for number, name in enumerate(known)}


def _letter(number: int) -> str:
    """
    Letter of a corner; after Z two of them.

    Examples
    --------
    >>> _letter(0), _letter(25), _letter(26)
    ('A', 'Z', 'AA')
    """
    size = len(ascii_uppercase)
    return ("" if number < size else _letter(number // size - 1)) + ascii_uppercase[number % size]


def _bases(staked: Sequence[Row], letters: dict[str, str], content: FieldSheetContent) -> str:
    """Distances between corners, to be taped first."""
    told: dict[tuple[str, ...], str] = {}
    for one in staked:
        if one["between_m"] is not None:
            pair = tuple(sorted((letters[one["corner_a"]], letters[one["corner_b"]])))
            told[pair] = _STAKES.shown(one, "between_m", content.units)
    parts = [f"{first} to {second} {length} (taped ______)"
             for (first, second), length in sorted(told.items())]  # fmt: skip
    return f"As drawn: {'; '.join(parts)}." if parts else ""


def _is_marked(one: Row) -> bool:
    return one["level_m"] is not None and one["level_basis"] not in _GIVEN


def _stake_row(one: Row, letters: dict[str, str], content: FieldSheetContent) -> list[Cell]:
    """Cells of a stake."""

    def shown(name: str) -> str:
        return _STAKES.shown(one, name, content.units)

    level, cut = "-", "-"
    if one["level_m"] is not None:
        level = f"{one['level_of']} {shown('level_m')}{_MARK if _is_marked(one) else ''}"
    if one["cut_m"] is not None and not math.isclose(one["cut_m"], 0.0, abs_tol=5e-4):
        moved = _STAKES.column("cut_m").shown(abs(one["cut_m"]), content.units)
        cut = moved if one["cut_m"] > 0 else f"fill {moved}"
    tapes = ["no two corners in sight: by its place on the map", "", ""]
    if one["corner_a"] is not None:
        first, second = letters[one["corner_a"]], letters[one["corner_b"]]
        tapes = [f"{first} {shown('tie_a_m')}", f"{second} {shown('tie_b_m')}",
                 f"{one['side']} of {first}-{second}"]  # fmt: skip
    return [str(one["id"]), Titled("", f"{one['subject']}, {one['part']}"), shown("ground_m"),
            level, cut, *tapes, BLANK]  # fmt: skip
