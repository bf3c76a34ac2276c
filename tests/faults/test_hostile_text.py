"""No text from an input is executed or interpreted in any file of a result."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from programme.cases import SAMPLE
from programme.hostile_text import STRINGS, hostile_job, shown, strings
from programme.judge import Tally, refused_well, stopped
from programme.result_text import assert_clean, form_of, run_in_browser
from programme.server import Server
from programme.tiers import numbered, report, tiers
from programme.watch import RequestCounter

from lotflow.errors import InputError
from lotflow.text import clean_text


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


def test_there_are_sixty_strings() -> None:
    """And no two alike."""
    assert len(set(STRINGS)) == len(STRINGS) >= 60


def outcome_of_run(
    server: Server, plain_forms: dict[str, Any], counter: RequestCounter, folder: Path,
    title: bytes, names: list[bytes],
) -> str:  # fmt: skip
    """Run a job with such text and judge every file of its result."""
    job, result = folder / "job", folder / "result"
    hostile_job(SAMPLE, job, title, names)
    ended = server.run("programme.cases:exits", ["run", str(job), "-o", str(result)],
                       seconds=60.0, memory_bytes=None)  # fmt: skip
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
    return "equal"


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


@tiers(1, 1, 1)
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
