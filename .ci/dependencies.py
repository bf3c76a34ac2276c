"""
Write `constraints.txt` and `docs/dependencies.md` from what is installed beside this package.

Run it in an environment in which all tests have passed: `python .ci/dependencies.py`. With
`--check` nothing is written; it says what is different and exits with 1.
"""

from __future__ import annotations

import re
import sys
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
PACKAGE = "lotflow"
#: Of those who run it, and of those who work on it.
OPTIONAL = ("fetch", "lidar", "batch", "parquet")
EXTRAS = (*OPTIONAL, "test", "lint")
CONSTRAINTS = ROOT / "constraints.txt"
TABLE = ROOT / "docs" / "dependencies.md"

#: Licences by the trove classifiers that packages without a licence expression give.
_TROVE = {
    "MIT License": "MIT",
    "BSD License": "BSD",
    "Apache Software License": "Apache-2.0",
    "ISC License (ISCL)": "ISC",
    "Python Software Foundation License": "PSF-2.0",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "GNU General Public License v3 (GPLv3)": "GPL-3.0",
    "GNU General Public License v3 or later (GPLv3+)": "GPL-3.0-or-later",
}


def reached(requirements: list[str], extras: tuple[str, ...]) -> dict[str, Distribution]:
    """Find every installed package that requirements lead to, by its plain name."""
    found: dict[str, Distribution] = {}
    todo = [(Requirement(text), extras) for text in requirements]
    seen: set[tuple[str, tuple[str, ...]]] = set()
    while todo:
        requirement, of = todo.pop()
        wanted = requirement.marker is None or any(
            requirement.marker.evaluate({"extra": extra}) for extra in ("", *of)
        )
        name = canonicalize_name(requirement.name)
        key = (name, tuple(sorted(requirement.extras)))
        if not wanted or key in seen or name == PACKAGE:
            continue
        seen.add(key)
        try:
            found[name] = distribution(name)
        except PackageNotFoundError:
            sys.exit(f"{name} is not installed: run this where all tests have passed")
        inner = tuple(requirement.extras)
        todo += [(Requirement(text), inner) for text in found[name].requires or ()]
    return dict(sorted(found.items()))


def declared() -> tuple[list[str], dict[str, list[str]]]:
    """Read the requirements of the package and of its extras from `pyproject.toml`."""
    import tomllib  # noqa: PLC0415

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return project["dependencies"], project["optional-dependencies"]


def licence_of(package: Distribution) -> str:
    """Name the licence a package states: its expression, else its classifiers, else its text."""
    about = package.metadata
    if expression := about.get("License-Expression"):
        return str(expression)
    classified = [
        value.rpartition(" :: ")[2]
        for value in about.get_all("Classifier") or ()
        if value.startswith("License :: OSI Approved :: ")
    ]
    if classified:
        return " OR ".join(_TROVE.get(name, name) for name in classified)
    stated = " ".join((about.get("License") or "").split())
    return stated if 0 < len(stated) <= 40 else "see its files"


def home_of(package: Distribution) -> str:
    """Give the address of a package's sources or home page; empty where it names none."""
    pairs = [entry.partition(",")[::2] for entry in package.metadata.get_all("Project-URL") or ()]
    named = {label.strip().lower(): url.strip() for label, url in pairs}
    for label in ("source", "source code", "repository", "github", "code", "homepage", "home"):
        if label in named:
            return named[label]
    return package.metadata.get("Home-page") or next(iter(named.values()), "")


def constraints(packages: dict[str, Distribution]) -> str:
    """The tested set, one version each, in pip's form."""
    python = f"{sys.version_info.major}.{sys.version_info.minor}"
    head = [
        f"# The versions with which all tests have passed, on Python {python}.",
        "# Made by .ci/dependencies.py; use it with: pip install -c constraints.txt .",
    ]
    return "\n".join([*head, *(f"{n}=={p.version}" for n, p in packages.items())]) + "\n"


def table(packages: dict[str, Distribution], needed: set[str]) -> str:
    """The same set with licences and homes, those of a user before those of a developer."""
    lines = [
        "# Dependencies and their licences",
        "",
        "Made by `.ci/dependencies.py` from what each package states of itself; versions are those",
        "of `constraints.txt`. lotflow itself is GPL-3.0-or-later and contains none of them.",
    ]
    for title, wanted in (
        ("To run it, `lotflow[fetch]` and `lotflow[lidar]` among it", True),
        ("To test and check it", False),
    ):
        lines += [
            "",
            f"## {title}",
            "",
            "| package | version | licence | home |",
            "|---|---|---|---|",
        ]
        for name, package in packages.items():
            if (name in needed) is wanted:
                licence = re.sub(r"\s*\|\s*", " / ", licence_of(package))
                home = home_of(package) or "none stated"
                lines.append(f"| {name} | {package.version} | {licence} | {home} |")
    lines += [
        "",
        "## One without a visible home",
        "",
        "`richdem2`, the engine that fills depressions and accumulates flow, continues `richdem`",
        "(GPL-3.0). It states the repository of one person; we could not see that it is there and",
        "kept up, nor find its releases anywhere but on the package index. If it vanished:",
        "",
        "- `pip download -c constraints.txt richdem2`, done today, keeps its wheels for an index",
        "  of your own; whoever has installed lotflow has one.",
        "- Only `lotflow/terrain/drainage.py` imports it. Tests compare what comes of it cell by",
        "  cell with our own compiled flood, directions and sums",
        "  (`lotflow/terrain/kernels.py`) and with two independent libraries.",
        "- We would name a fork of `richdem` built from the last sources that can be had; failing",
        "  that, that module would call our own loops, which need no other engine.",
        "",
        "`django-js-lib-leaflet` states no home either. It holds nothing but Leaflet 1.9.4's own",
        "files, which any release of Leaflet has; only `lotflow/outputs/plan_page/document.py`",
        "reads them.",
    ]
    return "\n".join(lines) + "\n"


def main() -> int:
    """Write both files, or tell whether they are what would be written."""
    plain, extras = declared()
    needed = set(reached([*plain, *(text for name in OPTIONAL for text in extras[name])], OPTIONAL))
    packages = reached([*plain, *(text for name in EXTRAS for text in extras[name])], EXTRAS)
    files = {CONSTRAINTS: constraints(packages), TABLE: table(packages, needed)}
    different = [
        path.name for path, text in files.items()
        if not path.exists() or path.read_text(encoding="utf-8") != text
    ]  # fmt: skip
    if "--check" in sys.argv[1:]:
        for name in different:
            print(f"{name} is not what is installed here")
        return int(bool(different))
    for path, text in files.items():
        path.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
