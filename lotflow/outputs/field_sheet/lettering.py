"""Letters of the sheet: the font, and how text from the data becomes text on paper."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, cast
from xml.sax.saxutils import escape

import matplotlib as mpl
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

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

    Returns
    -------
    characters
        Code points that both of them have and that can be found again by a search in the PDF.
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
    """
    Text as it can be set, and what could not be.

    Parameters
    ----------
    characters
        Code points that the font has.
    missing
        Characters that were asked for and are not there; filled while text is set.
    """

    characters: frozenset[int]
    missing: set[str] = field(default_factory=set)

    def plain(self, text: object) -> str:
        """
        Bring a text onto one line of characters the font has.

        Parameters
        ----------
        text
            As it is in the data.
        """
        line = "".join(filter(_is_drawn, " ".join(str(text).split())))
        return in_visual_order("".join(self._shown(character) for character in line))

    def markup(self, text: object) -> str:
        """
        Bring a text into a paragraph, where it stays text whatever it holds.

        Parameters
        ----------
        text
            As it is in the data.
        """
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

    Parameters
    ----------
    text
        In the order in which it is read.

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
