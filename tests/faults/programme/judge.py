"""What came of a case, by comparison with the same input undamaged."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from programme.limits import CPU_SECONDS
from programme.server import Ended

#: In the order of the published table; the last four must never happen, silent ones hardly ever.
OUTCOMES: Final = ("equal", "refused", "finding", "silent", "traceback", "signal", "hang", "odd")


@dataclass
class Tally:
    """
    How often each outcome came, and the seeds of those that must not come.

    Parameters
    ----------
    name
        Of the class of faults and what it was tried on.
    """

    name: str
    counts: Counter[str] = field(default_factory=Counter)
    seeds: dict[str, list[str]] = field(default_factory=dict)

    def add(self, outcome: str, seed: str) -> str:
        """Count an outcome and keep the seed of a bad one."""
        self.counts[outcome] += 1
        if outcome in OUTCOMES[3:]:
            self.seeds.setdefault(outcome, []).append(seed)
        return outcome

    @property
    def cases(self) -> int:
        """Number of cases."""
        return sum(self.counts.values())

    def share(self, outcome: str) -> float:
        """Share of an outcome in all cases."""
        return self.counts[outcome] / max(self.cases, 1)

    def assert_no_crash(self) -> None:
        """Require that no case crashed, hung or ended in a way nobody meant."""
        bad = {outcome: self.seeds[outcome][:5] for outcome in OUTCOMES[4:]
               if outcome in self.seeds}  # fmt: skip
        assert not bad, f"{self.name}: {bad}"


def stopped(ended: Ended) -> str:
    """Name the outcome of a case that gave no answer; empty where it gave one."""
    if ended.hang:
        return "hang"
    if ended.code < 0:
        return "signal"
    if "Traceback" in ended.err or "fault of the program" in ended.err:
        return "traceback"
    return ""


def refused_well(ended: Ended, *, names: Sequence[str] = ("",)) -> bool:
    """Tell whether an error is one message of lotflow's that names what it is about."""
    said = ended.err
    return said.startswith("lotflow: ") and any(n in said for n in names) and ended.out == ""


def findings(report: str) -> set[tuple[str, str]]:
    """Rule and message of every finding of `lotflow check --json`."""
    return {(item["rule"], item["message"]) for item in json.loads(report)["findings"]}


def judged(ended: Ended, whole: Ended, *, names: Sequence[str] = ("",)) -> str:
    """
    Compare a check of damaged inputs with one of the whole ones.

    Parameters
    ----------
    ended, whole
        Of `programme.cases:check`.
    names
        An error must name one of these.

    Returns
    -------
    outcome
        One of `OUTCOMES`.
    """
    if bad := stopped(ended):
        return bad
    if ended.cpu_seconds > CPU_SECONDS:
        return "hang"
    seen: dict[str, Any] = ended.value
    if seen["code"] == 1:
        return "refused" if refused_well(ended, names=names) else "odd"
    if seen["code"] != 0:
        return "odd"
    if all(seen.get(part) == whole.value.get(part) for part in ("values", "place", "layers")):
        return "equal"
    return "finding" if findings(ended.out) - findings(whole.out) else "silent"
