"""A comparison as files and as text: `compare.json`, `compare.csv`, and what a terminal shows."""

from __future__ import annotations

import csv
import io
import math
import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from lotflow.advice.compared_figures import DRAWN
from lotflow.advice.differences import records
from lotflow.advice.settled import COLUMNS as SETTLED_COLUMNS
from lotflow.advice.settled import Settled, levels_of
from lotflow.inputs.results import COMPARISON
from lotflow.outputs.compare_page import compare_page
from lotflow.outputs.result_file import ResultFile, csv_file, text_file
from lotflow.outputs.summary import SCHEMA_VERSION, json_text

if TYPE_CHECKING:
    from lotflow.advice.differences import Differences

NAMES: Final = ("compare.html", "compare.csv", "compare.json")
NO_DIFFERENCE: Final = "No difference."

#: Keys of an entry of `differences[]`, which are the columns of `compare.csv` too.
KEYS: Final = (
    "rank", "topic", "change", "kind", "place", "place_before", "what", "scenario",
    "return_period_yr", "before", "after", "difference", "unit", "beyond", "basis", "before_text",
    "after_text", "note", "x_before", "y_before", "x_after", "y_after", "part_of_rank",
)  # fmt: skip
#: What a spreadsheet takes for the start of a formula.
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
_MOST_PRINTED: Final = 25
_MOST_LEVELS: Final = 12
#: What is said of what became of a question.
_HEADINGS: Final = {
    Settled.SURE: "Now sure",
    Settled.FALSE: "Found not so",
    Settled.SURER: "Surer than before",
    Settled.OPEN: "As open as before: level more there",
    Settled.LESS: "Less sure than before: level more there",
}
_MOST_DRAWN: Final = 12
_WIDTH: Final = 100
_DECIMALS: Final = 6


def comparison_files(found: Differences) -> list[ResultFile]:
    """
    Make the files of a comparison.

    Parameters
    ----------
    found
        What differs.
    """
    content = comparison_content(found)
    return [
        text_file(
            "compare.html",
            compare_page(found, called(found), levels_words(found), settled_words(found)),
        ),
        csv_file("compare.csv", _csv(content)),
        text_file("compare.json", json_text(content)),
    ]


def comparison_summary(found: Differences) -> dict[str, Any]:
    """
    Give the content of the `summary.json` that lists the files of a comparison.

    Parameters
    ----------
    found
        What differs.
    """
    content = comparison_content(found)
    told = {key: content[key] for key in ("schema_version", "lot", "before", "after")}
    return {**told, COMPARISON: {"differences": len(found.table)}}


def comparison_content(found: Differences) -> dict[str, Any]:
    """
    Give the content of `compare.json`.

    Parameters
    ----------
    found
        What differs.

    Returns
    -------
    content
        `differences[]` has `KEYS`: values in SI, None where there is none.
    """
    before, after = called(found)
    table = found.table
    first = table.assign(rank=range(1, len(table) + 1))
    leads = {row["group"]: row["rank"] for row in records(first) if row["leads"]}
    entries = [
        {
            key: _plain(value)
            for key, value in {
                **row, "part_of_rank": None if row["leads"] else leads[row["group"]],
            }.items()
            if key in KEYS
        }
        for row in records(first)
    ]  # fmt: skip
    return {
        "schema_version": SCHEMA_VERSION,
        "lot": {"name": found.after.name},
        "before": {"name": before},
        "after": {"name": after},
        "is_different": bool(len(table)),
        "levels": levels_of(found.after) if len(found.settled) else [],
        "settled": [
            {key: str(row[key]) for key in SETTLED_COLUMNS} for row in records(found.settled)
        ],
        "differences": [{key: entry[key] for key in KEYS} for entry in entries],
    }


def comparison_text(found: Differences) -> str:
    """
    Give what a terminal shows of a comparison.

    Parameters
    ----------
    found
        What differs.
    """
    before, after = called(found)
    table = found.table
    pair = "before and after" if before == "before" else f"{before} (before) and {after} (after)"
    head = f"{found.after.name or 'The lot'}: {pair}"
    if not len(table):
        return "\n".join([head, "", *_settled_lines(found), NO_DIFFERENCE])
    leads = table[table["leads"]]
    lines = [head, "", *_settled_lines(found)]
    is_drawn = leads["topic"] == DRAWN
    if is_drawn.any():
        lines.append("Drawn or given differently")
        drawn = leads[is_drawn]
        for row in records(drawn.head(_MOST_DRAWN)):
            lines += _wrapped(f"{row['place']}: {drawn_words(row)}", "  ", "    ")
        lines += _rest(len(drawn) - _MOST_DRAWN)
        lines.append("")
    others = leads[~is_drawn]
    if not len(others):
        lines += ["That changes nothing beyond rounding.", ""]
    topic = ""
    for row in records(others.head(_MOST_PRINTED)):
        if row["topic"] != topic:
            topic = row["topic"]
            lines.append(topic[:1].upper() + topic[1:])
        lines += _wrapped(_sentence(row), "  ", "      ")
    lines += _rest(len(others) - _MOST_PRINTED)
    beyond = int((others["beyond"] == True).sum())  # noqa: E712 - it may be None
    within = int((others["beyond"] == False).sum())  # noqa: E712
    if beyond or within:
        told = f"* beyond what the data leave open ({beyond}); ~ within it ({within})"
        lines += ["", *_wrapped(f"{told}; no mark: no bounds are known, or a check weighs it.")]
    return "\n".join(lines)


def settled_words(found: Differences) -> list[tuple[str, list[str]]]:
    """
    Say what levels settled: headings, each with its sentences.

    Parameters
    ----------
    found
        What differs.
    """
    told: dict[str, list[str]] = {}
    for row in records(found.settled):
        told.setdefault(_HEADINGS[Settled(row["settled"])], []).append(
            f"{row['place']}, {row['question']} {row['before_text']} -> {row['after_text']}"
        )
    return list(told.items())


def levels_words(found: Differences) -> str:
    """
    Say how many levels there are, and name them.

    Parameters
    ----------
    found
        What differs.
    """
    names = levels_of(found.after)
    some = ", ".join(names[:_MOST_LEVELS])
    more = f" and {len(names) - _MOST_LEVELS} more" if len(names) > _MOST_LEVELS else ""
    return f"{len(names)} level{'' if len(names) == 1 else 's'}: {some}{more}"


def _settled_lines(found: Differences) -> list[str]:
    """Lines of what levels settled; none without."""
    if not len(found.settled):
        return []
    lines = [f"What the levels settled ({levels_words(found)})"]
    lines = [line for one in lines for line in _wrapped(one)]
    for heading, sentences in settled_words(found):
        lines.append(f"  {heading}")
        for sentence in sentences:
            lines += _wrapped(sentence, "    ", "        ")
    return [*lines, ""]


def called(found: Differences) -> tuple[str, str]:
    """
    Give short names of the two results, without the folders of a machine.

    Parameters
    ----------
    found
        What differs.
    """
    names = [_short(one.label) for one in (found.before, found.after)]
    return ("before", "after") if names[0] == names[1] else (names[0], names[1])


def drawn_words(row: Mapping[str, Any]) -> str:
    """
    Say what was drawn or given differently.

    Parameters
    ----------
    row
        Of the table.
    """
    if row["change"] in ("new", "gone"):
        return str(row["change"])
    if row["change"] in ("moved", "renamed"):
        was = f", before: {row['place_before']}" if row["place_before"] != row["place"] else ""
        by = f" {row['difference_text']}" if row["difference_text"] else ""
        return f"{row['what']}{by}{was}"
    return f"{row['what']} {row['before_text']}, now {row['after_text']}"


def _sentence(row: Mapping[str, Any]) -> str:
    """Say one difference in a line."""
    mark = {True: "* ", False: "~ "}.get(row["beyond"], "  ")
    scenario = f" ({row['scenario']})" if row["scenario"] else ""
    told = f"{row['before_text']} -> {row['after_text']}"
    if row["change"] in ("new", "gone"):
        text = row["after_text"] if row["change"] == "new" else row["before_text"]
        told = f"{row['change']}" + (f", {text}" if text not in ("-", row["place"]) else "")
    return f"{mark}{row['place']}, {row['what']}{scenario}: {told}"


def _wrapped(text: str, first: str = "", later: str = "") -> list[str]:
    """Break a line where a terminal ends."""
    return textwrap.wrap(text, _WIDTH, initial_indent=first, subsequent_indent=later)


def _rest(count: int) -> list[str]:
    """Say how many are not printed."""
    return [f"  and {count} more in compare.csv"] if count > 0 else []


def _short(label: str) -> str:
    """Take the name of a folder; of a job's result that of the job."""
    path = Path(label)
    return (path.parent.name if path.name == "result" else path.name) or label


def _plain(value: Any) -> Any:
    """Give a value as JSON has it."""
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return value
    number = float(value)
    if math.isnan(number):
        return None
    return int(number) if number.is_integer() and abs(number) < 1e9 else round(number, _DECIMALS)


def _csv(content: Mapping[str, Any]) -> str:
    """Write the differences as a table; no cell of text can act as a formula."""
    target = io.StringIO()
    writer = csv.writer(target, lineterminator="\n")
    writer.writerow(KEYS)
    for entry in content["differences"]:
        writer.writerow([_cell(entry[key]) for key in KEYS])
    return target.getvalue()


def _cell(value: Any) -> Any:
    """Give a cell, text that would start a formula led by an apostrophe."""
    if isinstance(value, str) and value.startswith(_FORMULA):
        return f"'{value}" if value != "-" else value
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None or value is pd.NA else value
