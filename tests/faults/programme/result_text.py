"""Whether the files of a result are well-formed and take no text of the data for anything else."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import sqlite3
import subprocess
import unicodedata
import xml.etree.ElementTree as ET
import zlib
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from html.parser import HTMLParser
from pathlib import Path
from typing import Any, Final

import rasterio
from PIL import Image

_RISKY: Final = ("=", "+", "-", "@", "\t", "\r")
_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")

#: What a file holds besides text: elements, layers, keys; the same whatever the text is.
Form = Any


def form_of(path: Path) -> Form:
    """
    Check one file of a result and give its form.

    Raises
    ------
    AssertionError
        If it is not well-formed, or text of the data could be taken for something else.
    KeyError
        If nothing is known of files of this kind.
    """
    return _FORMS[path.suffix](path)


def assert_clean(text: str, *, allowed: str = "\t\n") -> None:
    """Require that no character steers a terminal, or is none at all."""
    bad = {c for c in text if c not in allowed and unicodedata.category(c) in ("Cc", "Cs")}
    bad |= set(text) & set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
    assert not bad, bad


def _json(path: Path) -> Form:
    def no_number(text: str) -> None:
        raise AssertionError(f"{text} is no JSON")

    content = json.loads(path.read_bytes().decode("utf-8"), parse_constant=no_number)
    for text in _texts(content):
        assert_clean(text)
    return sorted(content) if isinstance(content, dict) else None


def _texts(value: Any) -> list[str]:
    """All text in a JSON document."""
    if isinstance(value, str):
        return [value]
    parts = value if isinstance(value, list) else []
    if isinstance(value, dict):
        parts = [*value, *value.values()]
    return [text for part in parts for text in _texts(part)]


def texts_of_json(path: Path) -> set[str]:
    """All text in a JSON file."""
    return set(_texts(json.loads(path.read_bytes())))


def texts_of_geopackage(path: Path) -> set[str]:
    """All text in the layers and tables of a GeoPackage."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)) as database:
        names = [row[0] for row in database.execute("SELECT table_name FROM gpkg_contents")]
        return {cell for name in names for row in database.execute(f'SELECT * FROM "{name}"')
                for cell in row if isinstance(cell, str)}  # fmt: skip


def _csv(path: Path) -> Form:
    rows = list(csv.reader(io.StringIO(path.read_bytes().decode("utf-8"), newline="")))
    assert len({len(row) for row in rows}) == 1
    for row in rows:
        for cell in row:
            assert_clean(cell, allowed="\n")
            assert not cell.startswith(_RISKY) or _NUMBER.fullmatch(cell), cell
    return len(rows), rows[0]


def _text(path: Path) -> Form:
    assert_clean(path.read_bytes().decode("utf-8"), allowed="\n")


def _xml(path: Path) -> Form:
    data = path.read_bytes()
    assert b"<!DOCTYPE" not in data
    assert b"<!ENTITY" not in data
    tree = ET.fromstring(data)
    for element in tree.iter():
        for text in (element.text, element.tail, *element.attrib.values()):
            assert_clean(text or "")
    return sorted(Counter(element.tag for element in tree.iter()).items())


class _Page(HTMLParser):
    """Counts elements with the names of their attributes; keeps what could act."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: Counter[tuple[str, tuple[str, ...]]] = Counter()
        self.addresses: list[str] = []
        self.policy = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Count one."""
        given = dict(attrs)
        self.elements[tag, tuple(sorted(given))] += 1
        assert not [name for name in given if name.startswith("on")], attrs
        for name in ("src", "href", "action", "data", "xlink:href", "srcset", "poster"):
            if value := given.get(name):
                self.addresses.append(value)
        if (given.get("http-equiv") or "").lower() == "content-security-policy":
            self.policy = given.get("content") or ""


def _html(path: Path) -> Form:
    text = path.read_bytes().decode("utf-8")
    page = _Page()
    page.feed(text)
    page.close()
    for address in page.addresses:
        assert address.startswith(("data:image/", "#")), address
    assert "default-src 'none'" in page.policy
    assert "unsafe" not in page.policy
    return sorted(tag for tag in {element[0] for element in page.elements}), [
        item for item in sorted(page.elements.items()) if item[0][0] in ("script", "style", "link",
        "meta", "iframe", "object", "embed", "form", "base", "img")
    ]  # fmt: skip


def _pdf(path: Path) -> Form:
    data = path.read_bytes()
    assert data.startswith(b"%PDF-")
    assert data.rstrip().endswith(b"%%EOF")
    names = data
    for stream in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", data, re.DOTALL):
        if b"/ObjStm" in data:
            try:
                names += zlib.decompress(stream)
            except zlib.error:
                continue
    outside = re.sub(rb"stream\r?\n.*?endstream", b"", names, flags=re.DOTALL)
    outside = re.sub(rb"\((\\.|[^\\()])*\)", b"()", outside)  # text is no name
    for word in (b"/JavaScript", b"/JS", b"/Launch", b"/OpenAction", b"/AA", b"/EmbeddedFile",
                 b"/RichMedia", b"/GoToR", b"/SubmitForm", b"/URI"):  # fmt: skip
        assert not re.search(re.escape(word) + rb"\b", outside), word
    if reader := shutil.which("pdftotext"):
        read = subprocess.run([reader, str(path), "-"], capture_output=True, check=True)
        assert read.stderr == b""
        assert len(read.stdout) > 100
    return len(re.findall(rb"/Type\s*/Page\b", names)) > 0


def _gpkg(path: Path) -> Form:
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)) as database:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        listed = database.execute("SELECT name, sql FROM sqlite_master ORDER BY name").fetchall()
        for (layer,) in database.execute("SELECT table_name FROM gpkg_contents").fetchall():
            for row in database.execute(f'SELECT * FROM "{layer}"'):
                for cell in row:
                    if isinstance(cell, str):
                        assert_clean(cell)
    return listed


def _tif(path: Path) -> Form:
    with rasterio.open(path) as dataset:
        dataset.read()
        return dataset.descriptions, sorted(dataset.tags())


def _png(path: Path) -> Form:
    with Image.open(path) as image:
        image.load()
        return sorted(image.info)


_FORMS: Final[dict[str, Callable[[Path], Form]]] = {
    ".json": _json, ".geojson": _json, ".csv": _csv, ".txt": _text, ".gpx": _xml, ".xml": _xml,
    ".sld": _xml, ".qml": _xml, ".qgs": _xml, ".svg": _xml, ".kml": _xml, ".html": _html,
    ".pdf": _pdf, ".gpkg": _gpkg, ".tif": _tif, ".png": _png,
}  # fmt: skip


def browser() -> str | None:
    """Find a browser that can do without a window."""
    names = ("chromium", "chromium-browser", "google-chrome")
    return next((found for name in names if (found := shutil.which(name))), None)


def run_in_browser(page: Path, counter_url: str) -> tuple[str, str] | None:
    """
    Open a page in a browser without a window; its only way out is the server that counts.

    Returns
    -------
    shown, said
        The page as it is after its scripts ran, and what the browser logged; None where there
        is no browser.
    """
    program = browser()
    if program is None:
        return None
    proxy = counter_url.removeprefix("http://")
    done = subprocess.run(
        [program, "--headless", "--no-sandbox", "--disable-gpu", "--dump-dom", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync",
         f"--user-data-dir={page.parent.parent / 'browser'}", f"--proxy-server={proxy}",
         "--proxy-bypass-list=<-loopback>", "--enable-logging=stderr", "--v=0",
         "--virtual-time-budget=3000", page.as_uri()],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    return done.stdout, "\n".join(line for line in done.stderr.splitlines() if "CONSOLE" in line)
