"""Progress: shown to somebody who looks and waits, silent otherwise."""

import io
import sys
import time

import pytest

from lotflow.cli.progress import progress


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
