"""Sixty strings that break what takes text for something else."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Final

from lotflow.layers import DRAWN_TABLES
from lotflow.text import clean_text

_RAN: Final = "document.title='PW'+'NED'"

#: As bytes, since some are no valid UTF-8. `URL` stands for a server that counts requests.
STRINGS: Final[tuple[bytes, ...]] = tuple(
    text if isinstance(text, bytes) else text.encode("utf-8") for text in (
        # markup of pages
        f"<script>{_RAN}</script>", f"</script><script>{_RAN}</script>",
        f"<img src=x onerror={_RAN}>", f"<svg onload={_RAN}>", f"\"><script>{_RAN}</script>",
        f"' onmouseover='{_RAN}", f"\" autofocus onfocus=\"{_RAN}", "<b>bold</b>", "<!--", "-->",
        "<![CDATA[", "]]>", "&lt;&amp;&#60;&unknown;", "<iframe src=URL></iframe>",
        "<img src=URL/pixel.png>", "<link rel=stylesheet href=URL/a.css>",
        "<meta http-equiv=refresh content='0;url=URL'>", f"<a href=\"javascript:{_RAN}\">x</a>",
        "<style>@import 'URL/a.css';</style>", "url(URL/x.png)", "<base href=URL>",
        f"<template><script>{_RAN}</script></template>", f"<math><mtext><script>{_RAN}</script>",
        "</title></head>", "</text></svg>", f"`${{{_RAN}}}`", "${7*7} {{7*7}} <%= 7*7 %> #{7*7}",
        # markup of documents
        "<para><font color=\"[1].__class__\">x</font></para>", "<img src=\"/etc/passwd\"/>",
        "<img src=\"file:///etc/passwd\"/>", "<!DOCTYPE x [<!ENTITY e SYSTEM 'file:///etc/passwd'>]>",
        "&e;", "<?xml version='1.0'?>", "(\\)Tj ET /JavaScript (app.alert\\(1\\))",
        "$\\frac{1}{0}$ $x",
        # spreadsheets, shells, databases, paths
        "=1+1", "=HYPERLINK(\"URL\",\"x\")", "+cmd|' /C calc'!A0", "-2+3", "@SUM(1)", "\t=1+1",
        "a\",\"b", "a,b;c\r\nd,e", "'; DROP TABLE lot; --", "\" OR \"\"=\"", "`id`", "$(id)",
        "../../etc/passwd", "C:\\Windows\\x", "name.tif", "%s%n%x {0} {name!r}",
        # characters that are none, or turn what a reader sees
        b"a\x00b", "\x1b[31mred\x1b[0m\x1b]0;title\x07", "\x0b\x0c\x01\x7f",
        b"\xed\xa0\x80\xed\xb0\x80",
        b"\xff\xfe\xc3", "abc\u202egnp.exe", "a\u2028b\u2029c", "\ufeff\u200b\u2066x\u2069",
        "Z\u0351\u036b\u0343" * 20, "x" * 100_000,
    )
)  # fmt: skip


def strings(url: str) -> list[bytes]:
    """The strings, with the address of the server that counts."""
    return [text.replace(b"URL", url.encode()) for text in STRINGS]


#: How many of them are markup, which does what it does wherever in a text it stands.
_MARKUP: Final = 34


def in_fewer_names(texts: Sequence[bytes]) -> list[bytes]:
    """Join markup in pairs, so that one job has room for all the strings that are text."""
    half = _MARKUP // 2
    pairs = zip(texts[:half], texts[half:_MARKUP], strict=True)
    return [*(b" ".join(pair) for pair in pairs), *texts[_MARKUP:]]


def shown(text: bytes) -> str:
    """A string as text, however broken."""
    return text.decode("utf-8", "replace")


#: Files of the sample's job, by the names that the job calls them.
_FILES: Final = ("dem.tif", "site.gpkg", "rainfall.csv")


def toml_text(text: bytes) -> str:
    """A string as it stands in a job file."""
    return json.dumps(shown(text), ensure_ascii=False).replace("\x7f", "\\u007f")


def file_names(names: Sequence[bytes]) -> dict[str, str]:
    """Hostile names for the files of the sample, as far as they can be names of local files."""
    texts = [shown(text) for text in names if len(text) < 200 and is_utf8(text)]
    # a path with characters that do not show is refused
    fit = [text for text in texts if text == clean_text(text) and not set(text) & set("/\n\t")]
    return {name: f"{(fit or ['plain'])[number % max(len(fit), 1)]} {number}{Path(name).suffix}"
            for number, name in enumerate(_FILES)}  # fmt: skip


def is_utf8(text: bytes) -> bool:
    """Tell whether a string is text at all."""
    return text.decode("utf-8", "replace").encode() == text


def hostile_job(
    sample: Path, job: Path, title: bytes, names: Sequence[bytes]
) -> tuple[dict[str, set[bytes]], list[str]]:
    """
    Copy the sample with hostile text wherever a job may have text.

    That is in its title, the names of its files, the sources of its rainfall and setbacks, and
    every column of free text.

    Parameters
    ----------
    sample
        The job that is copied.
    job
        Where to.
    title
        Name of the job.
    names
        Used in turn for the names of things; what refers to a name follows.

    Returns
    -------
    things, files
        The names that are in each layer now, and those of the files.
    """
    shutil.copytree(sample, job)
    files = file_names(names)
    toml = (job / "job.toml").read_text().replace('"14 Alder Court"', toml_text(title))
    for old, new in files.items():
        toml = toml.replace(f'"{old}"', toml_text(new.encode()))
    toml += f"[setbacks]\nlot_line_m = 0.5\nsource = {toml_text(title)}\n"
    (job / "job.toml").write_text(toml, encoding="utf-8")
    rain = (job / "rainfall.csv").read_bytes()
    line = title.replace(b"\r", b" ").replace(b"\n", b" ")
    (job / "rainfall.csv").write_bytes(rain.replace(b"Pulaski, Virginia, USA", line))
    renamed: dict[str, bytes] = {}
    things: dict[str, set[bytes]] = {}
    with closing(sqlite3.connect(job / "site.gpkg")) as database, database:
        for function in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
            database.create_function(function, 1, lambda _: 0)
        for layer, column in free_text(database):
            rows = database.execute(f'SELECT fid, "{column}" FROM "{layer}"').fetchall()
            for fid, old in rows:
                if old is None or (column != "name" and old not in renamed):
                    continue  # a word of the schema, such as "surface"
                if old not in renamed:
                    name = names[len(renamed) % len(names)]
                    renamed[old] = name + f" {len(renamed)}".encode()
                things.setdefault(DRAWN_TABLES[layer].layer.name, set()).add(renamed[old])
                database.execute(f'UPDATE "{layer}" SET "{column}" = CAST(? AS TEXT) WHERE fid = ?',
                                 (renamed[old], fid))  # fmt: skip
    for old, new in files.items():
        (job / old).rename(job / new)
    return things, list(files.values())


def free_text(database: sqlite3.Connection) -> list[tuple[str, str]]:
    """Columns of the file that hold text which is no choice; names before what refers to them."""
    found = []
    for table in DRAWN_TABLES.values():
        there = {row[1] for row in database.execute(f'PRAGMA table_info("{table.name}")')}
        found += [
            (table.name, column.name)
            for column in table.layer.columns
            if column.kind == "text" and not column.choices and column.name in there
        ]
    return sorted(found, key=lambda place: place[1] != "name")
