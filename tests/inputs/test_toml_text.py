"""TOML is read guarded, and every key knows its line."""

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lotflow.errors import InputError
from lotflow.inputs.toml_text import KEY_PARTS, parse_toml


def fault_of(data):
    with pytest.raises(InputError) as caught:
        parse_toml(data if isinstance(data, bytes) else data.encode(), "job.toml")
    (fault,) = caught.value.faults
    return fault


def outcome(data):
    """Give the message of the error, or nothing where the file was read."""
    try:
        parse_toml(data, "job.toml")
    except InputError as error:
        return str(error)
    return ""


def test_keys_and_tables_know_their_line():
    """Quoted and dotted keys, tables in brackets, arrays over several lines, CRLF."""
    text = """# comment
[job]
name = "A"   # [not] a = table
"units" = 'us'

[ rainfall . "coefficients" ]
a = [
  1.0,
  2.0,
]
b.c = { d = 1 }
"""
    for newline in ("\n", "\r\n"):
        toml = parse_toml(text.replace("\n", newline).encode(), "job.toml")
        assert toml.line(("job",)) == 2
        assert toml.line(("job", "name")) == 3
        assert toml.line(("job", "units")) == 4
        assert toml.line(("rainfall", "coefficients")) == 6
        assert toml.line(("rainfall", "coefficients", "a", 1)) == 7
        assert toml.line(("rainfall", "coefficients", "b", "c", "d")) == 11
        assert toml.line(("nothing",)) is None


def test_text_of_several_lines_holds_no_keys():
    text = '[job]\nname = """\nunits = 1\n[x]\n"""\nunits = "us"\n'
    assert parse_toml(text.encode(), "job.toml").line(("job", "units")) == 6


def test_a_byte_order_mark_is_no_part_of_the_text():
    assert parse_toml(b"\xef\xbb\xbfa = 1", "job.toml").values == {"a": 1}


@pytest.mark.parametrize(
    ("text", "line", "message"),
    [
        ("[job]\nname = 14 Alder", 2, "this is not TOML at column 11"),
        ("[job]\nname = 'A'\nname = 'B'", 3, "cannot overwrite a value"),
        ("[job", 1, "this is not TOML: expected ']' at the end"),
        ("a = 'x", 1, "this is not TOML"),
        ("\n\na = ", 3, "this is not TOML"),
        ("a = 1\nb = \x00", 2, "this is not TOML"),
        ("a = " + "9" * 5000, None, "this is not TOML: exceeds the limit"),
        (b"a = 1\nb = '\xff'", 2, "the file is not UTF-8 text. Save it as UTF-8."),
        ("a = 1".encode("utf-16"), 1, "the file is not UTF-8 text"),
        ("a = " + "[" * 20_000, None, "brackets are nested too deeply"),
        ("a = " + "{a=" * 20_000, None, "brackets are nested too deeply"),
        ("b = 1\n" + ".".join("a" * 17) + " = 1", 2, "a key may have 16 parts joined by dots"),
        ("[" + " . ".join("a" * 17) + "]", 1, "a key may have 16 parts joined by dots"),
        ("x = {" + ".".join(["'a'", '"b\\""'] * 9) + " = 1}", 1, "a key may have 16 parts"),
    ],
)
def test_what_is_not_toml_is_one_fault_with_its_line(text, line, message):
    fault = fault_of(text)
    assert fault.line == line
    assert str(fault).startswith("job.toml")
    assert message in str(fault)


def test_a_key_of_as_many_parts_as_allowed_is_read():
    parsed = parse_toml((".".join("a" * KEY_PARTS) + " = 1").encode(), "job.toml").values
    for _ in range(KEY_PARTS):
        parsed = parsed["a"]
    assert parsed == 1


@pytest.mark.parametrize(
    "text",
    [
        ".".join(["a"] * 20_000) + " = 1",
        ".".join(["a"] * 16) + " = 1\n" + "a" * 250_000,
        '"\\"' * 80_000,
        '"""\\' * 60_000,
        "'a'." * 60_000,
        "a " * 125_000,
        ("a" * 30 + ".") * 8_000,
        "a\t" + " " * 250_000 + ".",
        "[" * 250_000,
        "#" * 250_000,
        "".join(f"k{i}.a.b.c.d.e.f.g.h = 1\n" for i in range(9_000)),
    ],
    ids=lambda text: text[:12],
)
def test_a_hostile_file_is_done_with_in_no_time(text):
    """256 kB is the limit of the file; a plain parser took 3.6 s and 1.6 GB for the first."""
    began = time.process_time()
    assert len(outcome(text.encode())) < 1000
    assert time.process_time() - began < 2.0


@given(st.text(max_size=60) | st.binary(max_size=60))
def test_any_text_is_read_or_refused(text):
    """Nothing but an InputError comes out."""
    data = text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass")
    assert outcome(data) == "" or outcome(data).startswith("job.toml")
