"""Headings, paragraphs and tables of the sheet, from plain text."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from reportlab.lib.colors import HexColor, white
from reportlab.lib.styles import ParagraphStyle
from reportlab.platypus import CondPageBreak, Paragraph, Spacer, Table

from lotflow.outputs.field_sheet.lettering import BOLD, REGULAR
from lotflow.outputs.palette import INK

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.outputs.field_sheet.lettering import Lettering

#: A blank: a cell to write in, left white.
BLANK: Final = None
BOX: Final = "\N{BALLOT BOX}"
#: Upper row, left column, lower row, right column.
Span = tuple[int, int, int, int]
#: Longest text of a cell [characters]: a row must fit on a page.
LONGEST: Final = 400


@dataclass(frozen=True)
class Titled:
    """
    A cell with a bold title.

    Parameters
    ----------
    title, text
        What is bold, and what follows it.
    """

    title: str
    text: str


Cell = str | Titled | None

#: Least room for a heading and some of what is under it [point].
_ROOM: Final = 95.0
_GRID: Final = HexColor("#8d8a84")
_HEAD: Final = HexColor("#dcdad5")
_PRINTED: Final = HexColor("#f1f0ed")

_TEXT: Final = ParagraphStyle(
    "text", fontName=REGULAR, fontSize=8.0, leading=9.6, textColor=HexColor(INK)
)
_SMALL: Final = ParagraphStyle("small", _TEXT, fontSize=7.4, leading=9.0)
_NOTE: Final = ParagraphStyle("note", _SMALL, spaceBefore=2, spaceAfter=3)
_HEADS: Final = ParagraphStyle("heads", _TEXT, fontName=BOLD, fontSize=7.4, leading=8.8)
_NAME: Final = ParagraphStyle("name", _TEXT, fontName=BOLD)
_HEADING: Final = ParagraphStyle(
    "heading", _TEXT, fontName=BOLD, fontSize=11.5, leading=14, spaceBefore=7, spaceAfter=2
)
_BULLET: Final = ParagraphStyle(
    "bullet", _TEXT, leftIndent=11, spaceAfter=1.5, bulletFontName=REGULAR, bulletFontSize=8.0
)


class Typesetter:
    """
    Makes what stands on a page.

    Parameters
    ----------
    lettering
        Takes all text, so that none of it is read as markup.
    width
        Of a page's text [point].
    """

    def __init__(self, lettering: Lettering, width: float) -> None:
        self._lettering = lettering
        self._width = width

    def heading(self, text: str, *under: str, room: float = _ROOM) -> list[Any]:
        """
        Begin a part.

        Parameters
        ----------
        text
            Its heading.
        under
            Sentences under it.
        room
            Room on the page without which it begins on the next one [point].
        """
        notes = [self._paragraph(note, _SMALL) for note in under]
        return [CondPageBreak(room), self._paragraph(text, _HEADING), *notes, Spacer(0, 3)]

    def bullets(self, texts: Sequence[str], *, sign: str = "•") -> list[Any]:
        """List sentences."""
        return [Paragraph(self._lettering.markup(text), _BULLET, bulletText=sign) for text in texts]

    def note(self, text: str) -> Any:
        """Say something in small letters."""
        return self._paragraph(text, _NOTE)

    def table(
        self,
        heads: Sequence[str],
        rows: Sequence[Sequence[Cell]],
        widths: Sequence[float],
        *,
        height: float = 18.0,
        spans: Sequence[Span] = (),
    ) -> Any:
        """
        Make a table; cells that are `BLANK` stay white, to be written in.

        Parameters
        ----------
        heads
            Of the columns; without any there is no row of heads.
        rows
            Cells; the first of a row is set bold.
        widths
            Of the columns, of any unit: they share the width of the page.
        height
            Of a row, at least [point].
        spans
            Cells to be joined: upper row, left column, lower row, right column; rows from 0.
            Rows that are joined stay on one page; a row joined across is a title and stays with
            the next one.
        """
        first = 1 if heads else 0
        cells = [[self._paragraph(head, _HEADS) for head in heads]] if heads else []
        cells += [[self._cell(cell, column) for column, cell in enumerate(row)] for row in rows]
        share = self._width / sum(widths)
        return Table(
            cells,
            colWidths=[share * width for width in widths],
            minRowHeights=[*[0.0] * first, *[height] * len(rows)],
            repeatRows=first,
            style=[
                *_LOOK,
                *_heads_look(first),
                *_printed(rows, first),
                *_joined(spans, first, len(widths) - 1),
            ],
        )

    def _cell(self, cell: Cell, column: int) -> Any:
        """Set a cell."""
        if cell is BLANK:
            return ""
        if isinstance(cell, Titled):
            title, text = (self._lettering.markup(_cut(t)) for t in (cell.title, cell.text))
            return Paragraph(f'<font name="{BOLD}">{title}</font> {text}', _TEXT)
        return self._paragraph(_cut(cell), _NAME if column == 0 else _TEXT)

    def _paragraph(self, text: str, style: ParagraphStyle) -> Paragraph:
        return Paragraph(self._lettering.markup(text), style)


def _cut(text: str) -> str:
    """Keep a text within what a row can hold."""
    return text if len(text) <= LONGEST else text[: LONGEST - 1].rstrip() + "…"


_LOOK: Final = (
    ("FONTNAME", (0, 0), (-1, -1), REGULAR),
    ("GRID", (0, 0), (-1, -1), 0.5, _GRID),
    ("BACKGROUND", (0, 0), (-1, -1), white),
    ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
    ("LEFTPADDING", (0, 0), (-1, -1), 3),
    ("RIGHTPADDING", (0, 0), (-1, -1), 2),
    ("TOPPADDING", (0, 0), (-1, -1), 2),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
)


def _heads_look(rows: int) -> list[Any]:
    """Give the look of the row of heads."""
    if not rows:
        return []
    return [("BACKGROUND", (0, 0), (-1, 0), _HEAD), ("VALIGN", (0, 0), (-1, 0), "BOTTOM")]


def _printed(rows: Sequence[Sequence[Cell]], first: int) -> list[Any]:
    """Shade what is printed, so that the blanks stand out."""
    return [
        ("BACKGROUND", (column, row), (column, row), _PRINTED)
        for row, cells in enumerate(rows, start=first)
        for column, cell in enumerate(cells)
        if cell is not BLANK
    ]


def _joined(spans: Sequence[Span], first: int, last_column: int) -> list[Any]:
    """Join cells, and keep their rows on one page, titles with what follows."""
    looks = []
    for upper, left, lower, right in spans:
        title = (left, right) == (0, last_column)
        looks += [
            ("SPAN", (left, upper + first), (right, lower + first)),
            ("NOSPLIT", (left, upper + first), (right, lower + first + title)),
        ]
    return looks
