"""The tested set and the list of licences name what the package asks for, nothing of a machine."""

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
PINNED = dict(
    line.split("==")
    for line in (ROOT / "constraints.txt").read_text().splitlines()
    if not line.startswith("#")
)
ASKED = [
    *PROJECT["dependencies"],
    *(text for extra in PROJECT["optional-dependencies"].values() for text in extra),
]


@pytest.mark.parametrize("asked", ASKED)
def test_every_requirement_is_in_the_tested_set_and_met_by_it(asked):
    requirement = Requirement(asked)
    assert requirement.specifier.contains(PINNED[canonicalize_name(requirement.name)])


def test_the_tested_set_is_names_and_versions_and_nothing_else():
    head, *lines = (ROOT / "constraints.txt").read_text().splitlines()
    assert re.fullmatch(r"# The versions .* on Python 3\.\d+\.", head)
    assert lines[0].startswith("# Made by .ci/dependencies.py")
    assert all(re.fullmatch(r"[a-z0-9-]+==[0-9][\w.+!]*", line) for line in lines[1:])
    assert lines[1:] == sorted(lines[1:], key=lambda line: line.partition("==")[0])
    assert "lotflow" not in PINNED


def test_libraries_whose_internals_are_used_have_an_upper_bound():
    bounded = {
        requirement.name
        for requirement in map(Requirement, PROJECT["dependencies"])
        if any(one.operator in {"<", "<="} for one in requirement.specifier)
    }
    assert bounded == {"numba"}


def test_the_list_of_licences_has_each_package_of_the_set():
    text = (ROOT / "docs" / "dependencies.md").read_text()
    rows = re.findall(r"^\| ([a-z0-9-]+) \| (\d\S*) \| ([^|]+) \| ([^|]+) \|$", text, re.MULTILINE)
    assert {name: version for name, version, *_ in rows} == PINNED
    licences = {name: licence for name, _, licence, _ in rows}
    assert licences["richdem2"].startswith("GPL-3.0")
    assert licences["numpy"].startswith("BSD-3-Clause")
    assert not [name for name, licence in licences.items() if not licence.strip()]
    assert "file:" not in text


def test_the_script_finds_what_is_installed_and_writes_nothing_when_asked_not_to():
    files = [ROOT / "constraints.txt", ROOT / "docs" / "dependencies.md"]
    before = [(path.read_bytes(), path.stat().st_mtime_ns) for path in files]
    command = [sys.executable, str(ROOT / ".ci" / "dependencies.py"), "--check"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    # an environment without the tools of developers is told of the first that it lacks
    told = done.stdout + done.stderr
    assert done.returncode == 0 or re.search(r"is not (what is )?installed", told), told
    assert "Traceback" not in told
    assert before == [(path.read_bytes(), path.stat().st_mtime_ns) for path in files]
