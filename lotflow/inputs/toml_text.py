"""A TOML file to plain values, guarded, and the line on which each key stands."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from typing import Any, Final

from lotflow.errors import Fault, InputError

#: Most parts of one dotted key; the parser's memory grows with their square.
KEY_PARTS: Final = 16

_PART: Final = r"""(?:[\w-]++|"(?:\\.|[^"\\\n]){0,200}+"|'[^'\n]{0,200}+')"""
_DOTTED: Final = rf"{_PART}(?:[ \t]*+\.[ \t]*+{_PART})"
#: Looked for in comments and strings too: whether a quote opens a string is only known to a
#: parser, and text of seventeen words joined by dots is no loss.
_TOO_MANY_PARTS: Final = re.compile(rf"(?<![\w-]){_DOTTED}{{{KEY_PARTS}}}", re.ASCII)
_HEADER: Final = re.compile(rf"[ \t]*+\[{{1,2}}[ \t]*+({_DOTTED}*+)[ \t]*+\]", re.ASCII)
_KEY: Final = re.compile(rf"[ \t]*+({_DOTTED}*+)[ \t]*+=", re.ASCII)

KeyPath = tuple[str | int, ...]


@dataclass(frozen=True)
class TomlText:
    """A parsed TOML file."""

    values: dict[str, Any]
    #: Line of each key and table, counted from 1, by path.
    lines: dict[KeyPath, int]

    def line(self, path: KeyPath) -> int | None:
        """Give the line of a key, or of the nearest table round it that is written down."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path)


def parse_toml(data: bytes, file: str) -> TomlText:
    r"""
    Parse a TOML file that may be damaged or hostile.

    Refused is what is not UTF-8, not TOML (with line and column), nested too deeply, or has a key
    of more than `KEY_PARTS` parts.

    References
    ----------
    TOML 1.0.0.

    Examples
    --------
    >>> toml = parse_toml(b"[job]\nname = 'A'\n", "job.toml")
    >>> toml.values, toml.line(("job", "name"))
    ({'job': {'name': 'A'}}, 2)
    """
    text = _decoded(data, file)
    if (found := _TOO_MANY_PARTS.search(text)) is not None:
        raise InputError(
            Fault(
                f"a key may have {KEY_PARTS} parts joined by dots, this one has more",
                "Write tables in square brackets",
                file=file,
                line=text.count("\n", 0, found.start()) + 1,
            )
        )
    try:
        values = tomllib.loads(text)
    except RecursionError:
        fault = Fault("brackets are nested too deeply", "Write tables in square brackets", file)
        raise InputError(fault) from None
    except ValueError as error:
        raise InputError(_syntax_fault(error, text, file)) from None
    return TomlText(values, _key_lines(text))


def _decoded(data: bytes, file: str) -> str:
    """Decode UTF-8, naming the line of the first byte that is none."""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        fault = Fault("the file is not UTF-8 text", "Save it as UTF-8", file, line=line)
        raise InputError(fault) from None


def _syntax_fault(error: ValueError, text: str, file: str) -> Fault:
    """Say where and why a file is not TOML; before Python 3.14 the place is only in the text."""
    said = str(error)
    place = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", said)
    line = column = None
    if place is not None:
        said = said[: place.start()]
        line = int(place[1]) if place[1] else text.rstrip().count("\n") + 1
        column = int(place[2]) if place[2] else None
    where = "" if column is None else f" at column {column}"
    rule = f"this is not TOML{where}: {said[:1].lower()}{said[1:200]}"
    remedy = 'Write key = value, text in double quotes: name = "14 Alder Court"'
    return Fault(rule, remedy, file, line=line)


def _key_lines(text: str) -> dict[KeyPath, int]:
    """Find the line of each key and table; keys within braces count to the key before them."""
    lines: dict[KeyPath, int] = {}
    table: KeyPath = ()
    quote = ""
    for number, line in enumerate(text.split("\n"), 1):
        inside, quote = bool(quote), _open_quote(line, quote)
        if inside:
            continue
        if (header := _HEADER.match(line)) is not None:
            table = _parts(header[1])
            lines.setdefault(table, number)
        elif (key := _KEY.match(line)) is not None:
            lines.setdefault(table + _parts(key[1]), number)
    return lines


def _open_quote(line: str, quote: str) -> str:
    """Give the triple quote that is open at the end of a line, or nothing."""
    for mark in re.findall(r'"""|' + "'''", line):
        if not quote:
            quote = mark
        elif mark == quote:
            quote = ""
    return quote


def _parts(dotted: str) -> KeyPath:
    """Split a dotted key; the quotes of a part are dropped."""
    return tuple(part.strip("\"'") for part in re.findall(_PART, dotted))
