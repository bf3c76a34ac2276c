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
    storm_named,
)
from lotflow.drains.receivers import CROSS_SLOPE, CURB_HEIGHT_M, LEAST_GUTTER_SLOPE
from lotflow.units import both_units, from_si

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
        return [
            _about(
                one, "tailwater-not-given", "note",
                "How high water stands in what it runs into is not given: it is taken to run out "
                "freely. Ask the owner of the sewer, and enter water_level.", source=_TAILWATER,
            )
        ]  # fmt: skip
    return []


def _gutter_findings(one: ReceiverStorm, limits: Limits) -> list[Finding]:
    """Water along the curb that spreads too wide or overtops it."""
    if math.isnan(one.spread_m) or not one.gutter_flow_m3s > NOTHING_M3S:
        return []
    curb = one.receiver.curb_height_m
    height = CURB_HEIGHT_M if math.isnan(curb) else curb
    told = (
        f"On the measured surface {both_units(one.gutter_flow_m3s, 'flow')} run along the curb in "
        f"the {storm_named(one.return_period_yr)}, {both_units(one.spread_m, 'length')} wide and "
        f"{both_units(one.curb_depth_m, 'depth')} deep{_assumed(one)}."
    )
    if one.curb_depth_m > height:
        return [
            _about(
                one, "gutter-overtops-curb", "fail",
                f"{told} That is higher than its curb. Let less out here.",
                rests_on=("given" if one.receiver.slope_is_given else "from ground",),
                measured=one.curb_depth_m, limit=height, unit="m",
                source=PRACTICE if math.isnan(curb) else "height of the curb, as given",
            )
        ]  # fmt: skip
    most = limits.criteria.gutter_spread_m
    severity: Severity = "warn" if one.spread_m > most else "note"
    remedy = " Ask the town, or let less out here." if severity == "warn" else ""
    return [
        _about(
            one, "gutter-spread", severity, told + remedy, measured=one.spread_m, limit=most,
            unit="m", source=limits.source("gutter_spread_m"),
        )
    ]  # fmt: skip


def _assumed(one: ReceiverStorm) -> str:
    """What of a gutter was not given."""
    receiver = one.receiver
    along = max(receiver.gutter_slope, LEAST_GUTTER_SLOPE)
    parts = [] if receiver.slope_is_given else [f"fall of {along:.1%} by the elevation data"]
    if math.isnan(receiver.cross_slope):
        parts.append(f"cross slope of {CROSS_SLOPE:.0%} assumed")
    if math.isnan(receiver.gutter_flow_m3s):
        parts.append("the street's own water left out: enter gutter_flow")
    return f" ({'; '.join(parts)})" if parts else ""


def _well_findings(one: ReceiverStorm, limits: Limits) -> list[Finding]:
    """A dry well that is too small, empties too slowly, or of which too little is known."""
    receiver, findings = one.receiver, []
    if math.isnan(one.needed_m3):
        return [
            _about(
                one, "dry-well-not-judged", "note",
                "Rain of a stated intensity has no end, so that what it must hold is not known. "
                "Give a rainfall table: table [rainfall] of the job.", source=_DIGEST_365,
            )
        ]  # fmt: skip
    hours = from_si(one.rain_s, "h")
    longest = ", the longest that the rainfall knows: it may be more" if one.longer else ""
    told = (
        f"In the {storm_named(one.return_period_yr)} it must hold "
        f"{both_units(one.needed_m3, 'volume')} (rain of {hours:.1f} h{longest})"
    )
    pit = both_units(float(excavated_volume(one.needed_m3)), "volume")
    stone = f" In stone with {STONE_VOIDS:.0%} of voids that is a pit of {pit}."
    unknown = [
        word for word, value in (("storage", receiver.storage_m3),
                                 ("soaking_area", receiver.soaking_area_m2)) if math.isnan(value)
    ]  # fmt: skip
    if unknown:
        soaks = " if nothing soaks away meanwhile" if "soaking_area" in unknown else ""
        findings.append(
            _about(
                one, "dry-well-not-given", "warn",
                f"{told}{soaks}.{stone} Enter its {' and '.join(unknown)} to have it judged.",
                measured=one.needed_m3, unit="m3", source=_DIGEST_365,
            )
        )  # fmt: skip
    elif one.needed_m3 > receiver.storage_m3:
        findings.append(
            _about(
                one, "dry-well-small", "fail",
                f"{told}, and holds {both_units(receiver.storage_m3, 'volume')}.{stone} Make it "
                "larger, lead less to it, or give it an overflow that does no harm.",
                measured=one.needed_m3, limit=receiver.storage_m3, unit="m3", source=_DIGEST_365,
            )
        )  # fmt: skip
    most = limits.criteria.standing_longest_h
    if "soaking_area" not in unknown and from_si(one.empties_s, "h") > most:
        never = math.isinf(one.empties_s)
        how = "never" if never else f"in {from_si(one.empties_s, 'h'):.0f} h"
        findings.append(
            _about(
                one, "dry-well-slow", "fail",
                f"After the {storm_named(one.return_period_yr)} it empties {how}, and the next "
                "rain finds it full. Give it a larger base, or make a soak test: the soil may be "
                "better than its group.",
                measured=None if never else from_si(one.empties_s, "h"), limit=most, unit="h",
                source=limits.source("standing_longest_h"),
            )
        )  # fmt: skip
    return findings


def _about(
    one: ReceiverStorm, rule: str, severity: Severity, message: str, **facts: Any
) -> Finding:
    """Make a finding about an outlet."""
    receiver = one.receiver
    return about_place(receiver.name, (receiver.x, receiver.y), rule, severity, message, **facts)
