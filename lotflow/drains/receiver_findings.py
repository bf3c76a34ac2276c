"""What goes wrong where the water is let out: a gutter too full, a well too small or too slow."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from lotflow.drains.dry_wells import STONE_VOIDS, excavated_volume
from lotflow.drains.judged import (
    NOTHING_M3S,
    PRACTICE,
    Limits,
    about_place,
    is_design_storm,
)
from lotflow.drains.receivers import CROSS_SLOPE, CURB_HEIGHT_M, LEAST_GUTTER_SLOPE
from lotflow.units import from_si

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.drains.receivers import ReceiverStorm
    from lotflow.findings import Finding, Severity
    from lotflow.grid import FloatArray

_DIGEST_365: Final = (
    "Building Research Establishment, Digest 365 (1991): storage over all durations"
)
_TAILWATER: Final = "FHWA HEC-22, 3rd edition (2009), section 7.1.5: tailwater at the outlet"
#: Where the water of others stands, and how high is for its owner to say.
_WATERS_OF_OTHERS: Final = ("storm sewer", "public inlet")


def receiver_findings(
    found: Sequence[ReceiverStorm], storms: FloatArray, limits: Limits
) -> list[Finding]:
    """
    Judge what takes the water in the design storm.

    Parameters
    ----------
    found
        Of every outlet and storm.
    storms
        Return periods, rising [yr].
    limits
        What it is judged by.
    """
    return [
        finding
        for one in found
        if is_design_storm(one.return_period_yr, storms, limits.criteria)
        for finding in _of_outlet(one, limits)
    ]


def _of_outlet(one: ReceiverStorm, limits: Limits) -> list[Finding]:
    """What is wrong at one outlet."""
    kind = one.receiver.kind
    if kind == "curb":
        return _gutter_findings(one, limits)
    if kind == "dry well":
        return _well_findings(one, limits) if one.flow_m3s > NOTHING_M3S else []
    if kind in _WATERS_OF_OTHERS and math.isnan(one.receiver.water_level_m):
        return [_about(one, "tailwater-not-given", "note", source=_TAILWATER)]
    return []


def _gutter_findings(one: ReceiverStorm, limits: Limits) -> list[Finding]:
    """Water along the curb that spreads too wide or overtops it."""
    if math.isnan(one.spread_m) or not one.gutter_flow_m3s > NOTHING_M3S:
        return []
    curb = one.receiver.curb_height_m
    height = CURB_HEIGHT_M if math.isnan(curb) else curb
    receiver = one.receiver
    along = max(receiver.gutter_slope, LEAST_GUTTER_SLOPE)
    facts = {
        "storm_yr": one.return_period_yr, "flow_m3s": one.gutter_flow_m3s,
        "spread_m": one.spread_m, "depth_m": one.curb_depth_m,
        "fall_by_data": None if receiver.slope_is_given else along,
        "assumed_cross_slope": CROSS_SLOPE if math.isnan(receiver.cross_slope) else None,
        "street_left_out": math.isnan(receiver.gutter_flow_m3s),
    }  # fmt: skip
    if one.curb_depth_m > height:
        return [
            _about(
                one, "gutter-overtops-curb", "fail", facts=facts,
                rests_on=("given" if one.receiver.slope_is_given else "from ground",),
                measured=one.curb_depth_m, limit=height, unit="m",
                source=PRACTICE if math.isnan(curb) else "height of the curb, as given",
            )
        ]  # fmt: skip
    most = limits.criteria.gutter_spread_m
    severity: Severity = "warn" if one.spread_m > most else "note"
    return [
        _about(
            one, "gutter-spread", severity, facts=facts, measured=one.spread_m, limit=most,
            unit="m", source=limits.source("gutter_spread_m"),
        )
    ]  # fmt: skip


def _well_findings(one: ReceiverStorm, limits: Limits) -> list[Finding]:
    """A dry well that is too small, empties too slowly, or of which too little is known."""
    receiver, findings = one.receiver, []
    if math.isnan(one.needed_m3):
        return [_about(one, "dry-well-not-judged", "note", source=_DIGEST_365)]
    unknown = tuple(
        word for word, value in (("storage", receiver.storage_m3),
                                 ("soaking_area", receiver.soaking_area_m2)) if math.isnan(value)
    )  # fmt: skip
    facts: dict[str, Any] = {
        "storm_yr": one.return_period_yr, "needed_m3": one.needed_m3,
        "rain_h": from_si(one.rain_s, "h"), "may_be_longer": one.longer,
        "pit_m3": float(excavated_volume(one.needed_m3)), "voids": STONE_VOIDS,
    }  # fmt: skip
    if unknown:
        findings.append(
            _about(
                one, "dry-well-not-given", "warn", facts={**facts, "missing": unknown},
                measured=one.needed_m3, unit="m3", source=_DIGEST_365,
            )
        )  # fmt: skip
    elif one.needed_m3 > receiver.storage_m3:
        findings.append(
            _about(
                one, "dry-well-small", "fail",
                facts={**facts, "storage_m3": receiver.storage_m3},
                measured=one.needed_m3, limit=receiver.storage_m3, unit="m3", source=_DIGEST_365,
            )
        )  # fmt: skip
    most = limits.criteria.standing_longest_h
    if "soaking_area" not in unknown and from_si(one.empties_s, "h") > most:
        hours = None if math.isinf(one.empties_s) else from_si(one.empties_s, "h")
        findings.append(
            _about(
                one, "dry-well-slow", "fail",
                facts={"storm_yr": one.return_period_yr, "empties_h": hours},
                measured=hours, limit=most, unit="h",
                source=limits.source("standing_longest_h"),
            )
        )  # fmt: skip
    return findings


def _about(one: ReceiverStorm, rule: str, severity: Severity, **others: Any) -> Finding:
    """Make a finding about an outlet."""
    receiver = one.receiver
    return about_place(receiver.name, (receiver.x, receiver.y), rule, severity, **others)
