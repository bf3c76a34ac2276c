"""No text from an input is executed or interpreted in any file of a result."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from programme.cases import SAMPLE
from programme.hostile_text import (
    STRINGS,
    hostile_job,
    in_fewer_names,
    is_utf8,
    shown,
    strings,
)
from programme.judge import Tally, refused_well, stopped
from programme.result_text import (
    assert_clean,
    browser,
    form_of,
    run_in_browser,
    texts_of_geopackage,
    texts_of_json,
)
from programme.server import Server
from programme.tiers import numbered, report, tiers
from programme.watch import RequestCounter

from lotflow.errors import InputError
from lotflow.text import clean_text

#: Options of a run whose numbers nobody looks at, but which leaves the same files.
QUICKLY = ("--realisations", "2")


@pytest.fixture(scope="module")
def counter() -> Iterator[RequestCounter]:
    """A server that counts requests."""
    with RequestCounter() as running:
        yield running


@pytest.fixture(scope="module")
def plain_forms(server: Server, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Form of every file of the sample's result."""
    folder = tmp_path_factory.mktemp("plain")
    result = folder / "result"
    ended = server.run("programme.cases:exits", ["run", str(SAMPLE), "-o", str(result)],
                       seconds=60.0, memory_bytes=None)  # fmt: skip
    assert ended.code == 0, ended.err
    return {path.name: form_of(path) for path in result.iterdir()}


@pytest.fixture(scope="module")
def undrawn_forms(server: Server, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The same without drawings, from the server itself, so that its children are prepared."""
    result = tmp_path_factory.mktemp("undrawn") / "result"
    order = ["run", str(SAMPLE), "-o", str(result), "-q", *QUICKLY]
    server.prepare("programme.writing:run_undrawn", order)
    return {path.name: path.suffix == ".pdf" or form_of(path) for path in result.iterdir()}


def test_there_are_sixty_strings() -> None:
    """And no two alike."""
    assert len(set(STRINGS)) == len(STRINGS) >= 60


def outcome_of_run(
    server: Server, plain_forms: dict[str, Any], counter: RequestCounter, folder: Path,
    title: bytes, names: list[bytes], *, quickly: bool = False,
) -> str:  # fmt: skip
    """Run a job with such text and judge every file of its result."""
    job, result = folder / "job", folder / "result"
    things, files = hostile_job(SAMPLE, job, title, names)
    assert len(set().union(*things.values())) >= len(names)  # there is a place for each
    order = ["run", str(job), "-o", str(result)]
    given = (("programme.writing:run_alone", [*order, *QUICKLY]) if quickly
             else ("programme.cases:exits", order))  # fmt: skip
    ended = server.run(*given, seconds=60.0, memory_bytes=None)
    assert_clean(ended.out + ended.err, allowed="\n")
    if bad := stopped(ended):
        return bad
    if ended.code == 1:
        assert refused_well(ended), ended
        assert not result.exists()
        return "refused"
    assert {path.name for path in result.iterdir()} == set(plain_forms)
    for path in sorted(result.iterdir()):
        form = form_of(path)
        if path.suffix not in (".csv", ".gpx", ".geojson", ".html", ".pdf"):
            assert form == plain_forms[path.name], path.name
        if path.suffix == ".html":
            assert form == plain_forms[path.name], path.name
            assert_nothing_ran(path, counter)
    summary = json.loads((result / "summary.json").read_text())
    # a title of which nothing is left gives way to the name of the folder
    assert summary["provenance"]["job"]["job"]["name"] == (clean_text(shown(title)) or job.name)
    assert summary["provenance"]["job"]["setbacks"]["source"] == clean_text(shown(title))
    assert_shown(result, things, files, title)
    return "equal"


#: Layers whose names are in a result only where a check speaks of them.
NOT_SHOWN = {"constraints", "walls"}


def assert_shown(
    result: Path, things: dict[str, set[bytes]], files: list[str], title: bytes
) -> None:
    """Every name stands cleaned in the GeoPackage and, but for buildings, in the summary."""
    summary = texts_of_json(result / "summary.json")
    stored = texts_of_geopackage(result / "result.gpkg")
    assert {"lot", "buildings", "inlets", "drain_lines", "outlets", "openings"} <= set(things)
    for layer in set(things) - NOT_SHOWN:
        # the lot is called as the job is
        expected = {title} if layer == "lot" else things[layer]
        assert cleaned(expected) <= stored, layer
        assert layer == "buildings" or cleaned(expected) <= summary, layer
    assert {clean_text(name) for name in files} <= summary
    # the source of the rainfall is one line of a table of comma-separated values
    plain = shown(title).isascii() and shown(title).isprintable() and not set(title) & set(b',"')
    if plain and len(title) < 80:
        assert any(shown(title).strip() in text for text in summary if "NOAA" in text)


def cleaned(texts: set[bytes]) -> set[str]:
    """Names as the program reads them: to the libraries a text ends at a zero byte."""
    return {clean_text(shown(text).split("\0")[0]) for text in texts if is_utf8(text)}


def assert_nothing_ran(page: Path, counter: RequestCounter) -> None:
    """Open a page in a browser: no script but its own, no request, no error of its own."""
    counter.requests.clear()
    found = run_in_browser(page, counter.url)
    if found is not None:
        dom, said = found
        assert "<body" in dom
        assert not re.search("<title>[^<]*PWNED", dom)
        assert "Uncaught" not in said, said
        assert "Content Security Policy" not in said, said
        # the browser asks its maker for the time; the pages ask nobody
        assert [line for line in counter.requests if "google" not in line] == []


def is_taken(text: bytes) -> bool:
    """Tell whether a string is text and short enough to be a name."""
    try:
        return bool(clean_text((text + b" 99").decode("utf-8")))
    except (InputError, UnicodeDecodeError):
        return False


def test_all_strings_in_one_job(
    server: Server, undrawn_forms: dict[str, Any], counter: RequestCounter, tmp_path: Path
) -> None:
    """Of class L: every string that is text, markup in pairs, in a job that is drawn."""
    taken = [text for text in strings(counter.url) if is_taken(text)]
    assert len(taken) >= 57
    names = in_fewer_names(taken)
    outcome = outcome_of_run(server, undrawn_forms, counter, tmp_path, names[0], names,
                             quickly=True)  # fmt: skip
    assert outcome == "equal"
    skip_without_browser()


@tiers(None, 1, 1)
def test_all_strings_at_once(
    server: Server, plain_forms: dict[str, Any], counter: RequestCounter, tmp_path: Path,
    cases: int,
) -> None:  # fmt: skip
    """Class L: different strings in every name and every column of free text of a whole job."""
    tally = Tally("L all strings in two jobs")
    taken = [text for text in strings(counter.url) if is_taken(text)]
    assert len(taken) >= 57
    half = len(taken) // 2
    for number, names in enumerate((taken[:half], taken[half:])):
        folder = tmp_path / f"{number}"
        folder.mkdir()
        title = names[number]
        tally.add(outcome_of_run(server, plain_forms, counter, folder, title, names), f"{number}")
    report(tally)
    assert tally.counts["equal"] == 2, tally.seeds
    skip_without_browser()


@tiers(None, 100, 100)
def test_each_string_everywhere(
    server: Server, plain_forms: dict[str, Any], counter: RequestCounter, tmp_path: Path,
    cases: int,
) -> None:  # fmt: skip
    """Class L: one string in the title and in every column of free text of a whole job."""
    tally, places = Tally("L each string everywhere"), numbered(tmp_path)
    for text in strings(counter.url)[:cases]:
        outcome = outcome_of_run(server, plain_forms, counter, next(places), text, [text])
        tally.add(outcome, repr(text[:40]))
        assert outcome in ("equal", "refused")
        # to the libraries a text ends at a zero byte: names that differ behind it are alike
        assert outcome == "equal" or not is_taken(text) or b"\0" in text, text[:100]
    report(tally)
    skip_without_browser()


def skip_without_browser() -> None:
    """Say that all was looked at but what a page does in a browser."""
    if browser() is None:
        pytest.skip("there is no browser: the pages were read but not opened")


def test_what_cannot_be_opened_is_not_passed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a browser the tests of pages are skipped, with the reason."""
    monkeypatch.setattr("shutil.which", lambda _: None)
    with pytest.raises(pytest.skip.Exception, match="no browser"):
        skip_without_browser()


def test_no_picture_is_fetched_for_the_sheet(
    counter: RequestCounter, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second line: text that were not escaped, where the user trusts every host."""
    # slow to load, and the other tests here do without
    from reportlab import rl_config  # noqa: PLC0415
    from reportlab.lib.styles import ParagraphStyle  # noqa: PLC0415
    from reportlab.platypus import Paragraph  # noqa: PLC0415

    from lotflow.outputs.field_sheet.paper import print_sheet  # noqa: PLC0415

    counter.requests.clear()
    monkeypatch.setattr(rl_config, "trustedHosts", ["*"])
    style = ParagraphStyle("x")

    def story() -> list[Paragraph]:
        return [Paragraph(f'<img src="{counter.url}/pixel.png" width="9" height="9"/>', style)]

    with pytest.raises(Exception, match=r"pixel\.png"):
        print_sheet(story, title="x", units="us")
    assert counter.requests == []
    assert rl_config.trustedHosts == ["*"]
