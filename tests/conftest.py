"""What holds for all tests, and the tally of those of properties."""

from __future__ import annotations

import gc
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

# how long an example takes depends on what else the machine does
settings.register_profile("lotflow", deadline=None)
settings.load_profile("lotflow")
# as the program itself does: there is much to look through for dead circles, and few are found
gc.set_threshold(200_000, 20, 20)


@pytest.fixture(autouse=True, scope="session")
def drawn_here() -> Iterator[None]:
    """Without a second process for each run: to start one takes longer than to draw a map."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("lotflow.outputs.side_process.worth_it", lambda: False)
        yield


@pytest.fixture
def second_process() -> Iterator[pytest.MonkeyPatch]:
    """With a second process that draws, as users have it; undone, without one again."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("lotflow.outputs.side_process.worth_it", lambda: True)
        yield patch


def pytest_configure(config: pytest.Config) -> None:
    """Let files keep their order where several processes share them: doctests, all short, last."""
    config.option.loadscopereorder = False  # else those of few tests, which may be long ones


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Note of every test of a property how many examples it is tried on."""
    for item in items:
        if given := _settings_of(item):
            item.user_properties.append(("examples", given.max_examples))


def _settings_of(item: pytest.Item) -> settings | None:
    """Give the settings of a test that hypothesis runs."""
    test = getattr(item, "obj", None)
    found = getattr(test, "_hypothesis_internal_use_settings", None)
    if found is None and getattr(test, "is_hypothesis_test", False):
        found = getattr(getattr(item, "cls", None), "settings", None) or settings()
    return found if isinstance(found, settings) else None


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Add the tally of all properties that were tried to the file of the fault programme."""
    held, examples = _properties(terminalreporter.stats)
    if not os.environ.get("LOTFLOW_FAULT_REPORT") or not held:
        return
    sys.path.insert(0, str(Path(__file__).parent / "faults"))
    from programme.judge import Tally  # noqa: PLC0415
    from programme.tiers import report  # noqa: PLC0415

    tally = Tally("N properties")
    for name, good in held.items():
        tally.add("equal" if good else "odd", name)
    report(tally, examples=[min(examples), max(examples)])


def _properties(stats: dict[str, list[Any]]) -> tuple[dict[str, bool], set[int]]:
    """Tell of every test of a property whether it held, and all numbers of examples."""
    held: dict[str, bool] = {}
    examples = set()
    for outcome in ("passed", "failed"):
        for told in stats.get(outcome, ()):
            given = dict(getattr(told, "user_properties", ())).get("examples")
            if given is not None and told.when == "call":
                name = told.nodeid.split("[")[0]
                held[name] = held.get(name, True) and outcome == "passed"
                examples.add(given)
    return held, examples


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[tuple[Path, Callable[[int], None]]]:
    """A disk of its own in memory, and how to leave so many bytes free on it."""
    place = tmp_path / "disk"
    place.mkdir()
    mount = shutil.which("mount")
    if os.geteuid() != 0 or mount is None:
        pytest.skip("only root can mount a small disk")
    options = ["-t", "tmpfs", "-o", "size=8m", "tmpfs", str(place)]
    if subprocess.run([mount, *options], capture_output=True, check=False).returncode != 0:
        pytest.skip("a small disk cannot be mounted here")

    def leave_free(free: int) -> None:
        size = shutil.disk_usage(place).used + free
        subprocess.run([mount, "-o", f"remount,size={size}", str(place)], check=True)

    yield place, leave_free
    subprocess.run(["umount", str(place)], check=True)
