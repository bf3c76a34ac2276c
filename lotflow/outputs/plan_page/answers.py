"""
The answer as the first part of a plan page: text that stands in the page itself.

It is read, printed and unfolded where no script runs; the script adds that an item shows its place.
"""

from __future__ import annotations

import html
from typing import TYPE_CHECKING, Any, Final

from lotflow.advice.first_levels import levels_of_items, numbers_words
from lotflow.findings import standing_alone

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

#: What an item tells, in reading order: its key in `summary.json` and what it is called.
_PARTS: Final = (
    ("causes", "Why"), ("verdict", "Verdict"), ("remedy", "Do"), ("takes", "It takes"),
    ("left", "Then"), ("check", "Measure"), ("risk", "Mind"), ("evidence", "Evidence"),
    ("source", "Limit set by"),
)  # fmt: skip
#: What is left out on paper: it is no work for the site.
_NOT_ON_PAPER: Final = ("source",)

_Key = tuple[str, str, bool]


def told_findings(summary: Mapping[str, Any]) -> set[_Key]:
    """Keys of the findings that are folded under an item."""
    return {_key(one) for item in summary.get("answer", ()) for one in item["findings"]}


def finding_key(finding: Mapping[str, Any]) -> _Key:
    """
    Give what names a finding among those of its result.

    Examples
    --------
    >>> finding_key({"rule": "low-spot", "subject": "low spot 1", "today": True})
    ('low-spot', 'low spot 1', True)
    """
    return finding["rule"], finding["subject"], bool(finding["today"])


def _key(named: Mapping[str, Any]) -> _Key:
    """What names a finding, as an item or the list of evidence names it."""
    return named["rule"], named["subject"], named["scenario"] == "today"


def evidence_reasons(summary: Mapping[str, Any]) -> dict[_Key, str]:
    """Why a failure or warning is under no item."""
    return {_key(one): str(one["reason"]) for one in summary.get("evidence_only", ())}


def answer_html(summary: Mapping[str, Any], corner: tuple[float, float]) -> str:
    """
    Write the items of the answer as a list, the first of them unfolded.

    `corner`: coordinates of places are given from there, north first, as the map has them.

    Examples
    --------
    >>> answer_html({"answer": [], "findings": []}, (0.0, 0.0))
    '<p>The data show nothing that needs work on this lot.</p>'
    """
    items: Sequence[Mapping[str, Any]] = summary.get("answer", ())
    if not items:
        return "<p>The data show nothing that needs work on this lot.</p>"
    findings = {finding_key(one): one for one in summary["findings"]}
    # what to measure names the levels to take first by their numbers on the map
    numbers = levels_of_items(items, summary.get("levels_to_take", ()))
    told = [
        {**one, "check": f"{one['check'] or ''} {numbers_words(numbers[one['rank']])}".strip()}
        if one["rank"] in numbers
        else one
        for one in items
    ]
    return f"<ol>{''.join(_item(item, findings, corner) for item in told)}</ol>"


def _item(
    item: Mapping[str, Any], findings: Mapping[_Key, Mapping[str, Any]], corner: tuple[float, float]
) -> str:
    """One item: what happens here as its head, all else below."""
    rank = item["rank"]
    grade = html.escape(str(item["grade"]).split()[0])
    parts = "".join(
        f'<div class="{key}"{" data-off-paper" if key in _NOT_ON_PAPER else ""}>'
        f"<dt>{_label(key, label, rank)}</dt><dd>{told}</dd></div>"
        for key, label in _PARTS
        if (told := _told(key, item, corner))
    )
    evidence = [findings[key] for one in item["findings"] if (key := _key(one)) in findings]
    return (
        f'<li><details name="answer" data-rank="{rank}"{_at(item, corner)}{" open" * (rank == 1)}>'
        f'<summary><span class="rank">{rank}</span><span class="what">'
        f'<span class="harm">{html.escape(item["harm"])}</span> '
        f'<span class="grade {grade}">{html.escape(item["grade_means"])}</span></span></summary>'
        f"<dl>{parts}</dl>{_evidence(evidence, corner)}</details></li>"
    )


def _label(key: str, label: str, rank: int) -> str:
    """What a part is called; of the first item what to do is to be done first."""
    return "Do first" if key == "remedy" and rank == 1 else label


def _told(key: str, item: Mapping[str, Any], corner: tuple[float, float]) -> str:
    """One part of an item; the causes with their shares."""
    if key != "causes":
        text = str(item[key] or "")
        # a verdict on an old run is a word
        return html.escape(text[:1].upper() + text[1:] if key == "verdict" else text)
    causes = "".join(
        f"<li{_at(one, corner)}>{_share(one['share'])}"
        f"<span>{html.escape(one['evidence'])}</span></li>"
        for one in item["causes"]
    )
    return f"<ul>{causes}</ul>" if causes else ""


def _share(share: float) -> str:
    """Draw a share as a bar; its number stands beside it."""
    return (
        '<svg class="share" viewBox="0 0 40 8" aria-hidden="true"><path d="M0 4H40"/>'
        f'<path d="M0 4H{40 * share:.1f}"/></svg>'
    )


def _at(row: Mapping[str, Any], corner: tuple[float, float]) -> str:
    """Place of a row as an attribute, if it has one."""
    x, y = row.get("x"), row.get("y")
    return "" if x is None or y is None else f' data-at="{y - corner[1]:.2f},{x - corner[0]:.2f}"'


def _evidence(findings: Sequence[Mapping[str, Any]], corner: tuple[float, float]) -> str:
    """Findings of an item, folded."""
    if not findings:
        return ""
    rows = "".join(
        f'<li><span class="{html.escape(one["severity"])}">{html.escape(one["severity"])}</span> '
        f"<span{_at(one, corner)}>{html.escape(str(one['subject']))}</span>: "
        f"{html.escape(standing_alone(one['message'], today=one['today']))}</li>"
        for one in findings
    )
    count = len(findings)
    return (
        f'<details class="findings"><summary>{count} finding{"s" * (count > 1)}</summary>'
        f"<ul>{rows}</ul></details>"
    )
