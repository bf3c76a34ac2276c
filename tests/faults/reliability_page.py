"""
Writes the tables of docs/reliability.md.

`LOTFLOW_FAULT_REPORT=run.jsonl python -m pytest -m nightly tests/faults` leaves the tallies of a
run; `python tests/faults/reliability_page.py run.jsonl ...` adds them to `outcomes.jsonl` beside
this file, where a later tally of a name replaces an earlier one of no more cases, and writes the
page.
"""

from __future__ import annotations

import ast
import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

HERE: Final = Path(__file__).parent
TESTS: Final = HERE.parent
PAGE: Final = TESTS.parent / "docs" / "reliability.md"
STORE: Final = HERE / "outcomes.jsonl"

#: What is kept of a tally.
KEPT: Final = ("name", "cases", "counts", "seed", "seeds", "date", "commit",
               "during_replacement", "growth_mb", "examples")  # fmt: skip

#: What the outcomes of the tallies are called on the page.
WORDS: Final = {"equal": "same", "refused": "refused", "finding": "told", "silent": "SILENT",
                "traceback": "traceback", "signal": "signal", "hang": "hang",
                "odd": "odd"}  # fmt: skip


@dataclass(frozen=True)
class Line:
    """
    One line of the table.

    Parameters
    ----------
    prefix
        Tallies whose names start so belong to it.
    what
        The class of faults, for the reader.
    target
        What must hold.
    share
        Largest share of silent cases that meets the target.
    why
        What is to be said where it is not met.
    same
        What a case is called that ended as without any fault.
    """

    prefix: str
    what: str
    target: str
    share: float = 0.0
    why: str = ""
    same: str = "same"


LINES: Final = (
    Line("A damaged raster, deflate", "A damaged raster: deflate", "SILENT <= 0.2 %", 0.002),
    Line("A damaged raster, lzw", "A damaged raster: LZW", "SILENT <= 13 %", 0.13),
    Line("A damaged raster, zstd", "A damaged raster: ZSTD", "SILENT <= 23 %", 0.23,
         "the format has no checksum; GDAL alone reads 44 % of such damage without a word"),
    Line("A damaged raster, plain", "A damaged raster: uncompressed", "SILENT <= 13 %", 0.13,
         "the format has no checksum; GDAL alone reads 75 % of such damage without a word"),
    Line("B damaged header", "B first 512 bytes of a GeoTIFF damaged", "0 SILENT"),
    Line("B damaged directory, first", "B first directory of a masked GeoTIFF damaged",
         "0 SILENT"),
    Line("B damaged directory, mask", "B directory of its mask damaged", "0 SILENT"),
    Line("B shifted block", "B place of a block without checksum shifted", "0 SILENT"),
    Line("B dropped tag", "B each tag of a GeoTIFF dropped", "0 SILENT"),
    Line("C damaged geopackage", "C damaged GeoPackage", "SILENT <= 1.5 %", 0.015),
    Line("C damaged geojson", "C damaged GeoJSON", "SILENT <= 5 %", 0.05,
         "a digit of a coordinate or a letter of a name may change"),
    Line("C damaged shapefile", "C damaged Shapefile, each part as often", "SILENT <= 5 %", 0.05,
         "no part has a checksum: use GeoPackage"),
    Line("D ", "D size attacks", "all refused, < 1 s of a processor, < 300 MB"),
    Line("E ", "E redirections", "0 followed, 0 requests"),
    Line("F ", "F hostile GeoPackages", "<= 5 s of a processor, source unchanged"),
    Line("G ", "G full disk, limit on file size", "0 false successes"),
    Line("H ", "H killed: random times, every call", "0 unflagged mixes"),
    Line("I ", "I failing I/O, Python's calls and the libraries'", "old or new, nothing left"),
    Line("J ", "J power cut, every prefix", "old, new or flagged"),
    Line("K ", "K several runs and a reader", "0 broken"),
    Line("L ", "L hostile text in every column and output", "0 run, all well-formed"),
    Line("M ", "M surroundings: locale, home, cache, paths, limits", "works, or says why not"),
    Line("N ", "N properties, for whatever hypothesis thinks of", "all hold", same="held"),
    Line("O ", "O other day, folder, locale, processors: SHA-256 of every file", "all identical"),
    Line("P ", "P many runs in one process", "< 20 MB more, no file left open"),
)  # fmt: skip


def tallies(more: list[Path], *, store: Path = STORE) -> dict[str, dict[str, Any]]:
    """Read the kept tallies and those of further runs: of each name the latest of most cases."""
    found: dict[str, dict[str, Any]] = {}
    for path in (store, *more):
        if path.exists():
            for text in path.read_text(encoding="utf-8").splitlines():
                entry = json.loads(text)
                if entry["cases"] >= found.get(entry["name"], entry)["cases"]:
                    found[entry["name"]] = entry
    return found


def outcome_table(found: dict[str, dict[str, Any]]) -> Iterator[str]:
    """Write the table of outcomes, and which runs they are of."""
    yield "| class | cases | outcomes | target | met |"
    yield "|---|---|---|---|---|"
    for line in LINES:
        entries = [entry for name, entry in found.items() if name.startswith(line.prefix)]
        if not entries:
            yield f"| {line.what} | 0 | not counted yet | {line.target} | |"
            continue
        cases = sum(entry["cases"] for entry in entries)
        counts = {word: sum(entry["counts"].get(key, 0) for entry in entries)
                  for key, word in WORDS.items()}  # fmt: skip
        silent, bad = counts["SILENT"], sum(list(counts.values())[4:])
        share = silent / cases
        told = ", ".join(f"{line.same if word == 'same' else word} {count:,}"
                         for word, count in counts.items() if count)  # fmt: skip
        if silent and line.share:
            told += f" ({share:.1%})".replace("%", " %")
        told += measured(entries)
        yield f"| {line.what} | {cases:,} | {told} | {line.target} | {verdict(line, share, bad)} |"
    yield ""
    yield runs(found)


def measured(entries: list[dict[str, Any]]) -> str:
    """Tell what else was measured in the tests of a line."""
    told = ""
    during = [entry["during_replacement"] for entry in entries if "during_replacement" in entry]
    if during:
        told += f"; {sum(during):,} of them while files were replaced"
    growth = [entry["growth_mb"] for entry in entries if "growth_mb" in entry]
    if growth:
        told += f"; {max(growth):.1f} MB more at the end"
    examples = [number for entry in entries for number in entry.get("examples", ())]
    if examples:
        told += f", {min(examples)} to {max(examples)} examples each"
    return told


def runs(found: dict[str, dict[str, Any]]) -> str:
    """Name seeds, days and commits of the runs, and the classes of each."""
    made: dict[tuple[str, ...], set[str]] = {}
    for name, entry in found.items():
        key = tuple(entry.get(part) or "not recorded" for part in ("date", "commit", "seed"))
        made.setdefault(key, set()).add(name[0])
    said = [f"{' '.join(sorted(classes))}: {date}, commit {commit}, seed {seed}"
            for (date, commit, seed), classes in sorted(made.items())]  # fmt: skip
    return "Runs (a + after a commit: with changes not committed then): " + "; ".join(said) + "."


def verdict(line: Line, share: float, bad: int) -> str:
    """Say whether a target is met; else by how much it is missed and why."""
    if bad:
        return f"no: {bad} ended as none may"
    if share > line.share:
        return f"no, by {100 * (share - line.share):.1f} points: {line.why}"
    return "yes"


@cache
def properties() -> dict[str, list[tuple[str, str]]]:
    """Give every property test with the first line of what it says, by file."""
    listed: dict[str, list[tuple[str, str]]] = {}
    for path in sorted(TESTS.rglob("test_*.py")):
        text = path.read_text(encoding="utf-8")
        if "@given(" not in text and "RuleBasedStateMachine" not in text:
            continue
        for node in ast.parse(text).body:
            given = [ast.unparse(item) for item in getattr(node, "decorator_list", [])]
            bases = [ast.unparse(item) for item in getattr(node, "bases", [])]
            if any(item.startswith("given(") for item in given) or "RuleBasedStateMachine" in bases:
                name = path.relative_to(TESTS).as_posix()
                said = (ast.get_docstring(node) or "").split("\n")[0]
                listed.setdefault(name, []).append((node.name, said))
    return listed


def property_table() -> Iterator[str]:
    """Write the table of properties."""
    yield "| test | property |"
    yield "|---|---|"
    for path, tests in properties().items():
        for name, said in tests:
            words = name.removeprefix("test_").replace("_", " ")
            yield f"| `{path}` | {said.rstrip('.') if said and 'Result' in name else words} |"


def written(page: str, found: dict[str, dict[str, Any]]) -> str:
    """Put the tables between their marks."""
    for mark, lines in (("outcomes", outcome_table(found)), ("properties", property_table())):
        start, end = f"<!-- {mark} -->\n", f"<!-- end of {mark} -->"
        before, _, rest = page.partition(start)
        _, _, after = rest.partition(end)
        page = before + start + "\n".join(lines) + "\n" + end + after
    return page


if __name__ == "__main__":
    together = tallies([Path(name) for name in sys.argv[1:]])
    # what was said names folders of the machine it ran on
    kept = [
        {key: entry[key] for key in KEPT if key in entry} for _, entry in sorted(together.items())
    ]
    STORE.write_text("".join(json.dumps(entry) + "\n" for entry in kept), encoding="utf-8")
    PAGE.write_text(written(PAGE.read_text(encoding="utf-8"), together), encoding="utf-8")
