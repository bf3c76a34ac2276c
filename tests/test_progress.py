"""Progress: shown to somebody who looks and waits, silent otherwise."""

import io
import sys
import time

import pytest

from lotflow.cli.report import progress


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.mark.parametrize(
    ("stream", "quiet", "wait", "shown"),
    [
        (Terminal, False, 1.1, True),
        (Terminal, False, 0.0, False),
        (Terminal, True, 1.1, False),
        (io.StringIO, False, 1.1, False),
    ],
)
def test_progress_is_shown_only_where_somebody_waits(monkeypatch, stream, quiet, wait, shown):
    target = stream()
    monkeypatch.setattr(sys, "stderr", target)
    with progress(2, quiet=quiet) as tell:
        tell("reading")
        time.sleep(wait)
        assert ("reading" in target.getvalue()) is shown
        tell("writing")
    assert ("writing" in target.getvalue()) is shown


def test_parts_of_a_step_are_shown_without_counting_as_steps(monkeypatch):
    target = Terminal()
    monkeypatch.setattr(sys, "stderr", target)
    with progress(2, quiet=False) as tell:
        tell("reading")
        time.sleep(1.1)
        tell("reading", "inlet 7")
        tell("reading", "inlet 8")  # at once after the other: nobody could read it
        assert "reading: inlet 7" in target.getvalue()
        assert "1/2" in target.getvalue().rsplit("inlet 7", 1)[1]
    assert "2/2" not in target.getvalue()
    assert "inlet 8" not in target.getvalue()
