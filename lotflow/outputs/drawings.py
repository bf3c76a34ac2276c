"""Everything of a result that is drawn with slow libraries, in one piece of work."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from lotflow.outputs.field_sheet.document import field_sheet_bytes
from lotflow.outputs.map_picture import map_bytes

if TYPE_CHECKING:
    from lotflow.outputs.field_sheet.content import FieldSheetContent
    from lotflow.outputs.map_picture import MapContent


@dataclass(frozen=True)
class Drawings:
    """
    What was drawn.

    Parameters
    ----------
    picture
        The map, a PNG.
    sheet
        The field sheet, a PDF; empty where none was asked for.
    """

    picture: bytes
    sheet: bytes


def draw(content: MapContent, sheet: FieldSheetContent | None) -> Drawings:
    """
    Draw the map, and the field sheet that carries it.

    Parameters
    ----------
    content
        What the map shows.
    sheet
        What the field sheet says; its picture is put in here.
    """
    picture = map_bytes(content)
    if sheet is None:
        return Drawings(picture, b"")
    return Drawings(picture, field_sheet_bytes(replace(sheet, picture=picture)))
