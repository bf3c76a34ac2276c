"""The sheet as a whole: the order of its parts, and the PDF of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from lotflow.outputs.field_sheet.hose_part import hose_part
from lotflow.outputs.field_sheet.lettering import MISSING, Lettering, register_fonts
from lotflow.outputs.field_sheet.paper import print_sheet, text_width
from lotflow.outputs.field_sheet.parts import (
    cautions_part,
    existing_drains,
    first_things,
    levels_part,
    questions,
    visit,
    walk_part,
)
from lotflow.outputs.field_sheet.typesetting import Typesetter

if TYPE_CHECKING:
    from lotflow.outputs.field_sheet.content import FieldSheetContent


def field_sheet_pdf(content: FieldSheetContent) -> bytes:
    """
    Set and print a field sheet.

    Parameters
    ----------
    content
        Of the sheet.

    Returns
    -------
    document
        PDF.
    """
    lettering = Lettering(register_fonts())
    setter = Typesetter(lettering, text_width(content.units))

    def story() -> list[Any]:
        parts = [
            *visit(setter, content),
            *first_things(setter, content),
            *questions(setter),
            *walk_part(setter, content),
            *existing_drains(setter, content),
            *hose_part(setter, content),
            *levels_part(setter, content),
            *cautions_part(setter, content),
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
