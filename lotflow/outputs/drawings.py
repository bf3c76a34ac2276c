"""What of a result is drawn with slow libraries: the map, and the field sheet that bears it."""

from __future__ import annotations

import logging
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from lotflow.outputs.field_sheet.content import FieldSheetContent
    from lotflow.outputs.map.content import MapContent


class Drawings(NamedTuple):
    """The map, a PNG, and the field sheet, a PDF; no bytes where none was asked for."""

    picture: bytes
    sheet: bytes


def draw(content: MapContent, sheet: FieldSheetContent | None) -> Drawings:
    """
    Draw the map, and the field sheet that carries it.

    Parameters
    ----------
    sheet
        What the field sheet says; the map is put in here.
    """
    picture = map_bytes(content)
    if sheet is None:
        return Drawings(picture, b"")
    return Drawings(picture, field_sheet_bytes(replace(sheet, map=content)))


def map_bytes(content: MapContent) -> bytes:
    """
    Draw a map as PNG: one sheet of Letter or A4 paper across, true to its scale if printed so.

    The same content gives the same bytes.
    """
    _without_advice()
    from lotflow.outputs.map.sheet import draw_sheet  # noqa: PLC0415 - matplotlib is slow to import

    return draw_sheet(content)


def field_sheet_bytes(content: FieldSheetContent) -> bytes:
    """
    Print a field sheet as PDF; the same content gives the same bytes.

    On Letter or A4 paper, upright: the map, true to its scale, with the answer; then what to
    measure, ask and mind. A screening has one page.
    """
    _without_advice()
    from lotflow.outputs.field_sheet.parts import (  # noqa: PLC0415 - the PDF writer is slow to import
        field_sheet_pdf,
    )

    return field_sheet_pdf(content)


def _without_advice() -> None:
    """Where there is no home, the library would advise on stderr about a folder of its own."""
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
