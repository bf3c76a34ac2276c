"""Text from a user is cleaned once, here, before it goes anywhere."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Iterable
from typing import Final

from lotflow.errors import Fault, InputError

#: Longest text a name, label or cell may hold after cleaning [characters].
LONGEST_TEXT: Final = 200

#: Share of likeness from which one word is taken for another misspelt (ratio of difflib).
LIKENESS: Final = 0.6
#: So many names are listed where none is like the one that was given.
_MOST_NAMED: Final = 30

#: They reorder what a reader sees, so that a name can pass for another: Unicode Standard
#: Annex 9, table of explicit directional formatting characters, and the implicit marks.
_BIDI_CONTROLS: Final = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e") | frozenset(
    "\u2066\u2067\u2068\u2069"
)

#: Characters that show nothing, so that two names which differ by one look alike: those that
#: Unicode ignores by default (DerivedCoreProperties, Default_Ignorable_Code_Point), but for the
#: joiners and variation selectors, which scripts and symbols need.
_SHOW_NOTHING: Final = (
    (0x00AD, 0x00AD), (0x034F, 0x034F), (0x115F, 0x1160), (0x17B4, 0x17B5), (0x180E, 0x180E),
    (0x200B, 0x200B), (0x2060, 0x206F), (0x3164, 0x3164), (0xFEFF, 0xFEFF), (0xFFA0, 0xFFA0),
    (0xFFF0, 0xFFF8), (0x1BCA0, 0x1BCA3), (0x1D173, 0x1D17A), (0xE0000, 0xE00FF),
    (0xE01F0, 0xE0FFF),
)  # fmt: skip
#: ... and those, which stay in a text but make no other name of it.
_JOINERS: Final = ((0x180B, 0x180F), (0x200C, 0x200D), (0xFE00, 0xFE0F), (0xE0100, 0xE01EF))
#: Hyphens and a blank that look like those of a keyboard.
_LOOK_LIKE: Final = {0x2010: "-", 0x2011: "-", 0x2043: "-", 0x2212: "-", 0x2800: " "}


def clean_text(text: str, *, longest: int = LONGEST_TEXT) -> str:
    r"""
    Bring text into the one form in which it is compared, stored and shown.

    Control characters other than tab and newline, surrogates, characters that are none or show
    nothing, and controls of the writing direction are removed; what is left is stripped of white
    space at both ends and composed (Unicode normalisation form C). Cleaning twice changes nothing.

    Parameters
    ----------
    text
        As it was read.
    longest
        Most characters allowed after cleaning.

    Returns
    -------
    text
        Clean; may be empty.

    Raises
    ------
    InputError
        If the clean text is longer than `longest`.

    References
    ----------
    Unicode Standard Annex 15 (normalisation forms) and Annex 9 (bidirectional algorithm);
    XML 1.0, section 2.2 (characters allowed in a document).

    Examples
    --------
    >>> clean_text(" CB\u00001 "), clean_text("Cafe\u0301"), clean_text("a\u202e\u200bb")
    ('CB1', 'Café', 'ab')
    """
    if not (text.isascii() and text.isprintable()):
        text = unicodedata.normalize("NFC", "".join(filter(_may_stay, text)))
    text = text.strip()
    if len(text) > longest:
        raise InputError(
            Fault(
                f"text may be {longest} characters long, this is {len(text)}",
                "Shorten it",
                value=text,
            )
        )
    return text


def _may_stay(character: str) -> bool:
    """Tell whether a character survives cleaning."""
    if character in "\t\n":
        return True
    is_none = ord(character) & 0xFFFE == 0xFFFE or 0xFDD0 <= ord(character) <= 0xFDEF
    return not (
        is_none
        or character in _BIDI_CONTROLS
        or _within(character, _SHOW_NOTHING)
        or unicodedata.category(character) in ("Cc", "Cs")
    )


def _within(character: str, ranges: tuple[tuple[int, int], ...]) -> bool:
    """Tell whether a character lies in one of some ranges."""
    return any(first <= ord(character) <= last for first, last in ranges)


def as_it_looks(name: str) -> str:
    r"""
    Give what a reader sees of a name, by which two names must differ.

    Joiners and variation selectors are left out, white space of any kind and length is one
    space, and hyphens of any kind are one. Letters of other scripts stay what they are.

    Parameters
    ----------
    name
        Clean.

    Examples
    --------
    >>> as_it_looks("CB\u00a0 1\u200d") == as_it_looks("CB 1")
    True
    >>> as_it_looks("CB\u20111") == as_it_looks("CB-1")
    True
    """
    plain = name.translate(_LOOK_LIKE)
    return " ".join("".join(c for c in plain if not _within(c, _JOINERS)).split())


def closest(word: str, known: Iterable[str], *, likeness: float = LIKENESS) -> str | None:
    """
    Find the known word that a misspelt one was probably meant to be.

    Case does not count. None where no word is as like; of equals the first known.

    Parameters
    ----------
    word
        As it was written.
    known
        The words that would have been right.
    likeness
        Least likeness, 0 to 1 (the ratio of difflib's SequenceMatcher).

    Examples
    --------
    >>> closest("catch_basin", ["catch basin", "area drain"]), closest("HEIGHT", ["name"])
    ('catch basin', None)
    """
    by_folded: dict[str, str] = {}
    for candidate in known:
        by_folded.setdefault(candidate.casefold(), candidate)
    near = difflib.get_close_matches(word.casefold(), by_folded, n=1, cutoff=likeness)
    return by_folded[near[0]] if near else None


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """
    Say as a remedy what a misspelt word was probably meant to be, or what there is.

    Parameters
    ----------
    word
        As it was written.
    known
        The words that would have been right.

    Examples
    --------
    >>> did_you_mean("lawm", ["lawn", "roof"]), did_you_mean("sand", ["lawn", "roof"])
    ("Did you mean 'lawn'?", "It may be 'lawn' or 'roof'")
    """
    words = list(known)
    near = closest(word, words)
    if near:
        return f"Did you mean {near!r}?"
    more = len(words) - _MOST_NAMED
    if more <= 1:
        return f"It may be {one_of(words)}"
    return f"It may be {', '.join(map(repr, words[:_MOST_NAMED]))} or one of {more:,} others"


def one_of(words: Iterable[str]) -> str:
    """
    List words to choose from.

    Parameters
    ----------
    words
        At least one.

    Examples
    --------
    >>> one_of(["m"]), one_of(["m", "ft", "us-ft"])
    ("'m'", "'m', 'ft' or 'us-ft'")
    """
    *most, last = (repr(word) for word in words)
    return f"{', '.join(most)} or {last}" if most else last


def is_unicode(text: str) -> bool:
    r"""
    Tell whether a text can be written as UTF-8; the name of a file need not be such.

    Parameters
    ----------
    text
        As Python gives it: bytes that are no text are half letters.

    Examples
    --------
    >>> is_unicode("Größe"), is_unicode("Gr\udcf6sse")
    (True, False)
    """
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def megabytes(octets: float) -> str:
    """
    Write bytes as megabytes.

    Examples
    --------
    >>> megabytes(2_240_000)
    '2.2'
    """
    return f"{octets / 1e6:.1f}"
