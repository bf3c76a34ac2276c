"""Given levels held against one another and against the ground."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from lotflow.drains.judged import about, about_place
from lotflow.errors import Fault, InputError
from lotflow.units import both_units

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.drains.drain_lines import DrainLine
    from lotflow.drains.levels import NodeLevel
    from lotflow.drains.line_profiles import GroundProfile
    from lotflow.drains.network import Network
    from lotflow.findings import Finding
    from lotflow.grid import BoolArray

#: Two levels of one point, both measured, that differ by more do not belong together [m].
#: Source: common practice, no published source: half an inch.
_SAME_LEVEL_M: Final = 0.0127
_TWICE_RMSE: Final = "lotflow's rule: twice the RMSE of the elevation data"


def level_findings(
    network: Network,
    ground: Sequence[GroundProfile],
    nodes: Mapping[str, NodeLevel],
    *,
    rmse_m: float,
) -> list[Finding]:
    """
    Hold the given levels against one another and against the ground.

    Parameters
    ----------
    network, ground, nodes
        As for `line_inverts`.
    rmse_m
        Vertical accuracy of the elevation data [m].

    Returns
    -------
    findings
        Levels that disagree by no more than the elevation data may be wrong, inverts that lie
        above the ground, lines that leave the data.

    Raises
    ------
    InputError
        With every line that lies wholly off the elevation data, or has two measured levels of one
        end that differ.
    """
    findings: list[Finding] = []
    faults: list[Fault] = []
    for line, profile in zip(network.lines, ground, strict=True):
        missing = np.isnan(profile.ground_m)
        if missing.all():
            faults.append(
                line.fault(
                    "the line lies outside the elevation data that was read",
                    "Check its position and CRS, or give elevation data that covers it",
                )
            )
            continue
        if missing.any():
            findings.append(_leaves_data(line, profile, missing))
        sides: tuple[tuple[Literal["up", "down"], str, int], ...] = (
            ("up", line.start, 0), ("down", line.end, -1),
        )  # fmt: skip
        for end, name, station in sides:
            found, bad = _end_level(line, end, nodes[name], profile.ground_m[station], rmse_m)
            faults += bad
            x, y = float(profile.x[station]), float(profile.y[station])
            findings += [replace(item, x=x, y=y) for item in found]
    if faults:
        raise InputError(faults)
    return findings


def _leaves_data(line: DrainLine, profile: GroundProfile, missing: BoolArray) -> Finding:
    """Say where a line leaves the elevation data."""
    first = int(np.argmax(missing))
    share = float(missing.mean())
    return about(
        line, "line-leaves-elevation-data", "warn", facts={"share": share},
        measured=round(share, 4), limit=0.0, unit="1", source="lotflow's rule",
        at=(float(profile.x[first]), float(profile.y[first])),
    )  # fmt: skip


def _end_level(
    line: DrainLine, end: Literal["up", "down"], node: NodeLevel, ground: float, rmse_m: float
) -> tuple[list[Finding], list[Fault]]:
    """Judge the given levels of one end."""
    findings: list[Finding] = []
    faults: list[Fault] = []
    level, below = line.given.of(end)
    where = "upper" if end == "up" else "lower"
    column = f"invert_{end}_m"
    if abs(node.rim_m - below - level) > _SAME_LEVEL_M:  # not where one is not given
        _disagree(line, (where, column), node, rmse_m, findings, faults)
    above = level - ground
    if above > 2.0 * rmse_m:
        findings.append(
            about(
                line, "invert-above-ground", "fail", facts={"end": where, "above_m": above},
                rests_on=("given", "from ground"), beyond_ground=True,
                measured=round(above, 3), limit=round(2.0 * rmse_m, 3), unit="m",
                source=_TWICE_RMSE,
            )
        )  # fmt: skip
    return findings, faults


def _disagree(
    line: DrainLine, at: tuple[str, str], node: NodeLevel, rmse_m: float,
    findings: list[Finding], faults: list[Fault],
) -> None:  # fmt: skip
    """An invert given twice: refused where the rim was measured, doubted where it was not."""
    where, column = at
    level, below = line.given.of("up" if where == "upper" else "down")
    differ = abs(node.rim_m - below - level)
    if node.measured:
        rule = (
            f"the {where} invert and its depth below the rim differ by "
            f"{both_units(differ, 'depth')}"
        )
        remedy = "Correct one of the two, or the rim, or remove one"
        faults.append(line.fault(rule, remedy, column, round(level, 3)))
    elif differ > 2.0 * rmse_m:
        findings.append(
            about_place(
                line.name, None, "inverts-disagree", "warn",
                facts={"end": where, "differ_m": differ}, measured=round(differ, 3),
                limit=round(2.0 * rmse_m, 3), unit="m", source=_TWICE_RMSE,
            )
        )  # fmt: skip
