"""Letters, paragraphs and tables of the sheet, from plain text."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, cast
from xml.sax.saxutils import escape

import matplotlib as mpl
from reportlab.lib.colors import HexColor, white
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import CondPageBreak, KeepTogether, Paragraph, Spacer, Table

from lotflow.outputs.palette import INK

if TYPE_CHECKING:
    from collections.abc import Sequence


#: Names under which the font is known to the PDF writer. It has Latin, Greek, Cyrillic,
#: Armenian, Georgian, Hebrew and Arabic letters, and comes with matplotlib.
REGULAR: Final = "lotflow-sans"
BOLD: Final = "lotflow-sans-bold"
_FILES: Final = {REGULAR: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf"}

#: Beyond it the PDF writer states a wrong character for the right shape.
_LAST_FOUND: Final = 0xFFFF

#: Shown for a character that the font lacks.
MISSING: Final = "\N{REPLACEMENT CHARACTER}"

_RIGHT_TO_LEFT: Final = frozenset(("R", "AL"))
_LEFT_TO_RIGHT: Final = frozenset(("L",))
_DIGITS: Final = frozenset(("EN", "AN"))
_MIRRORED: Final = dict(zip("()[]{}<>", ")(][}{><", strict=True))


def register_fonts() -> frozenset[int]:
    """
    Make the fonts known to the PDF writer.

    Returns code points that both of them have and that can be found again by a search in the
    PDF.
    """
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    for name, file in _FILES.items():
        if name not in pdfmetrics.getRegisteredFontNames():
            # letters are set one by one, whatever else is installed: same content, same bytes
            pdfmetrics.registerFont(TTFont(name, str(folder / file), shapable=False))
    faces = [cast("TTFont", pdfmetrics.getFont(name)).face.charToGlyph for name in _FILES]
    return frozenset(code for code in faces[0] if code in faces[1] and code <= _LAST_FOUND)


@dataclass
class Lettering:
    """Text as it can be set, and what could not be."""

    #: Code points that the font has.
    characters: frozenset[int]
    #: Characters that were asked for and are not there; filled while text is set.
    missing: set[str] = field(default_factory=set)

    def plain(self, text: object) -> str:
        """Bring a text onto one line of characters the font has."""
        line = "".join(filter(_is_drawn, " ".join(str(text).split())))
        return in_visual_order("".join(self._shown(character) for character in line))

    def markup(self, text: object) -> str:
        """Bring a text into a paragraph, where it stays text whatever it holds."""
        return escape(self.plain(text))

    def _shown(self, character: str) -> str:
        if ord(character) in self.characters:
            return character
        self.missing.add(character)
        return MISSING


def _is_drawn(character: str) -> bool:
    """Tell a character from one that only steers: joiners, direction marks, variant selectors."""
    return unicodedata.category(character) not in ("Cf", "Cc") and not (
        "\N{VARIATION SELECTOR-1}" <= character <= "\N{VARIATION SELECTOR-16}"
    )


def in_visual_order(text: str) -> str:
    r"""
    Turn what is written from right to left round, for a page that is set from left to right.

    Letters of one word only: Arabic ones are not joined, and a long name that wraps has its
    lines from the end.

    `text`: in the order in which it is read.

    References
    ----------
    Unicode Standard Annex 9 (bidirectional algorithm), for a paragraph from left to right
    without embeddings.

    Examples
    --------
    >>> in_visual_order("CB 1"), in_visual_order("\u05d0\u05d1 (12)") == "(12) \u05d1\u05d0"
    ('CB 1', True)
    """
    kinds = [unicodedata.bidirectional(character) for character in text]
    if not _RIGHT_TO_LEFT.intersection(kinds):
        return text
    shown, start = "", 0
    while start < len(text):
        end = _end_of_run(kinds, start)
        run = text[start:end]
        shown += _turned(run) if kinds[start] in _RIGHT_TO_LEFT else run
        start = end
    return shown


def _end_of_run(kinds: list[str], start: int) -> int:
    """End of what is turned together: up to the next letter from left to right, without spaces."""
    end = start + 1
    if kinds[start] not in _RIGHT_TO_LEFT:
        return end
    for place in range(end, len(kinds)):
        if kinds[place] in _LEFT_TO_RIGHT:
            break
        if kinds[place] != "WS":
            end = place + 1
    return end


def _turned(run: str) -> str:
    """Turn a run and its brackets round, but not the numbers in it."""
    parts: list[str] = []
    number = False
    for character in run:
        digit = unicodedata.bidirectional(character) in _DIGITS
        if digit and number:
            parts[-1] += character
        else:
            parts.append(_MIRRORED.get(character, character))
        number = digit
    return "".join(reversed(parts))


#: A blank: a cell to write in, left white.
BLANK: Final = None
BOX: Final = "\N{BALLOT BOX}"
#: Upper row, left column, lower row, right column.
Span = tuple[int, int, int, int]
#: Longest text of a cell [characters]: a row must fit on a page.
_LONGEST: Final = 700


@dataclass(frozen=True)
class Titled:
    """A cell with a bold title."""

    #: What is bold, and what follows it.
    title: str
    text: str
    #: Further lines: what each begins with in bold, and its text.
    lines: tuple[tuple[str, str], ...] = ()


Cell = str | Titled | None

#: Least room for a heading and some of what is under it [point].
_ROOM: Final = 95.0
_GRID: Final = HexColor("#8d8a84")
_HEAD: Final = HexColor("#dcdad5")
_PRINTED: Final = HexColor("#f1f0ed")

_TEXT: Final = ParagraphStyle(
    "text", fontName=REGULAR, fontSize=9.0, leading=10.8, textColor=HexColor(INK)
)
_SMALL: Final = ParagraphStyle("small", _TEXT, leading=10.4)
_NOTE: Final = ParagraphStyle("note", _SMALL, spaceBefore=2, spaceAfter=3)
_HEADS: Final = ParagraphStyle("heads", _TEXT, fontName=BOLD, leading=10.0)
_NAME: Final = ParagraphStyle("name", _TEXT, fontName=BOLD)
_HEADING: Final = ParagraphStyle(
    "heading", _TEXT, fontName=BOLD, fontSize=11.5, leading=14, spaceBefore=4, spaceAfter=2
)
_BULLET: Final = ParagraphStyle(
    "bullet", _TEXT, leftIndent=11, spaceAfter=0.5, bulletFontName=REGULAR, bulletFontSize=9.0
)


class Typesetter:
    """
    Makes what stands on a page.

    `lettering`: takes all text, so that none of it is read as markup; `width`: of a page's
    text [point].
    """

    def __init__(self, lettering: Lettering, width: float) -> None:
        self._lettering = lettering
        self._width = width

    def heading(self, text: str, *under: str, room: float = _ROOM) -> list[Any]:
        """
        Begin a part.

        `room`: room on the page without which it begins on the next one [point].
        """
        notes = [self._paragraph(note, _SMALL) for note in under]
        return [CondPageBreak(room), self._paragraph(text, _HEADING), *notes, Spacer(0, 3)]

    def bullets(self, texts: Sequence[str], *, sign: str = "•") -> list[Any]:
        """List sentences."""
        return [Paragraph(self._lettering.markup(text), _BULLET, bulletText=sign) for text in texts]

    def note(self, text: str) -> Any:
        """Say something in small letters."""
        return self._paragraph(text, _NOTE)

    def gap(self) -> Any:
        """Leave some room."""
        return Spacer(0, 5)

    def together(self, parts: Sequence[Any]) -> Any:
        """Keep parts on one page."""
        return KeepTogether(list(parts))

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

        `heads`: of the columns; without any there is no row of heads; `rows`: cells; the
        first of a row is set bold; `widths`: of the columns, of any unit: they share the
        width of the page; `height`: of a row, at least [point]; `spans`: cells to be
        joined: upper row, left column, lower row, right column; rows from 0. Rows that are
        joined stay on one page; a row joined across is a title and stays with the next
        one.
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
            told = [
                self._titled(*one) for one in ((cell.title, cell.text), *cell.lines) if any(one)
            ]
            return Paragraph("<br/>".join(told), _TEXT)
        return self._paragraph(_cut(cell), _NAME if column == 0 else _TEXT)

    def _titled(self, title: str, text: str) -> str:
        """Markup of a text with a bold beginning."""
        plain = self._lettering.markup(_cut(text))
        if not title:
            return plain
        return f'<font name="{BOLD}">{self._lettering.markup(_cut(title))}</font> {plain}'

    def _paragraph(self, text: str, style: ParagraphStyle) -> Paragraph:
        return Paragraph(self._lettering.markup(text), style)


def _cut(text: str) -> str:
    """Keep a text within what a row can hold."""
    return text if len(text) <= _LONGEST else text[: _LONGEST - 1].rstrip() + "…"


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
