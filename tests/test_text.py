"""Text from a user is cleaned once, and misspelt words are recognised."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lotflow.errors import InputError
from lotflow.text import LONGEST_TEXT, clean_text, closest, did_you_mean, one_of

ANY_TEXT = st.text(st.characters(), max_size=LONGEST_TEXT // 4)


@pytest.mark.parametrize(
    ("raw", "clean"),
    [
        ("CB1", "CB1"),
        ("  CB 1 \n", "CB 1"),
        ("a\tb\nc", "a\tb\nc"),
        ("a\r\nb", "a\nb"),
        ("a\x00\x07\x1b[31mb", "a[31mb"),
        ("a\x7f\x85b", "ab"),
        ("a\ud800b", "ab"),
        ("a\u202eb\u2066c\u200ed", "abcd"),
        ("a\ufffe\uffff\ufdd0b", "ab"),
        ("Cafe\u0301", "Caf\u00e9"),
        ("e\u202a\u0301", "\u00e9"),
        ("<b>&'\"=1+1</b>", "<b>&'\"=1+1</b>"),
        ("\x00 ", ""),
    ],
)
def test_controls_go_and_everything_else_stays(raw, clean):
    """Markup is not touched: it is escaped where it is written."""
    assert clean_text(raw) == clean


@given(ANY_TEXT)
def test_clean_text_is_clean(text):
    """Cleaning twice changes nothing; the result is NFC, UTF-8 and free of controls."""
    clean = clean_text(text)
    assert clean_text(clean) == clean
    assert unicodedata.is_normalized("NFC", clean)
    assert clean.encode().decode() == clean
    assert not [c for c in clean if unicodedata.category(c) in ("Cc", "Cs") and c not in "\t\n"]
    assert not [c for c in clean if unicodedata.bidirectional(c) in ("RLO", "LRO", "RLI", "PDF")]


def test_text_longer_than_the_limit_is_refused():
    """The limit counts what is left after cleaning."""
    assert clean_text("\x00" * 50 + "a" * LONGEST_TEXT) == "a" * LONGEST_TEXT
    with pytest.raises(InputError, match="200 characters long, this is 201"):
        clean_text("a" * 201)
    with pytest.raises(InputError, match="5 characters long, this is 6"):
        clean_text("abcdef", longest=5)


@pytest.mark.parametrize(
    ("word", "near"),
    [("lawm", "lawn"), ("LAWN", "lawn"), ("rof", "roof"), ("sand", None), ("", None)],
)
def test_closest_word(word, near):
    """Case does not count, and a word like none stays without a guess."""
    assert closest(word, ["lawn", "roof"]) == near


def test_likeness_can_be_demanded():
    """A stricter likeness leaves fewer guesses."""
    assert closest("lawm", ["lawn"], likeness=0.8) is None


def test_remedy_for_a_misspelt_word():
    """A near word is offered; otherwise all there are."""
    assert did_you_mean("rooof", ["lawn", "roof"]) == "Did you mean 'roof'?"
    assert did_you_mean("x", ["lawn", "roof"]) == "It may be 'lawn' or 'roof'"
    many = did_you_mean("x", [f"basin {i}" for i in range(400)])
    assert many.endswith("'basin 29' or one of 370 others")
    assert one_of(["a", "b", "c"]) == "'a', 'b' or 'c'"
