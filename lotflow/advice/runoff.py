"""What is said of rain, of roofs and their downspouts, and of what covers the ground."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from lotflow.rainfall import rain_said

if TYPE_CHECKING:
    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding


def _used(say: Say, finding: Finding, *, duration_s: float, return_period_yr: float,
          depth_m: float) -> str:  # fmt: skip
    said = rain_said(duration_s, return_period_yr, depth_m, say.units)
    return f"Rain: {finding.source}; {said}."


def _elsewhere(
    say: Say, _: Finding, *, table: tuple[float, float], lot: tuple[float, float], away_m: float
) -> str:
    """Places are latitude and longitude."""
    return (
        f"The rainfall table is of {table[0]:.4f}, {table[1]:.4f}; the lot lies "
        f"{say.far(away_m)} from there, at {lot[0]:.4f}, {lot[1]:.4f}. Flows, sizes and ponds hold "
        "for the rain of that place. Get the table of the lot."
    )


def _settled(_: Say, __: Finding, *, note: str) -> str:
    return f"{note}."


def _cut(_: Say, __: Finding, *, why: str) -> str:
    return f"The table may be cut short: {why}. Compare it with its source."


def _uplift(_: Say, __: Finding, *, uplift: float) -> str:
    return f"All rain is raised by {uplift - 1:.0%}, as [rainfall] uplift asks."


def _starts_late(_: Say, __: Finding, *, shortest_s: float) -> str:
    return (
        f"Its shortest rain lasts {shortest_s / 60:g} min: small catchments, which peak in 5 min, "
        "are computed with that, too low. Give rain from 5 min on."
    )


def _ends_early(_: Say, __: Finding, *, longest_s: float) -> str:
    return (
        f"It ends at {longest_s / 3600:.3g} h: curve numbers hold for 24 h, so volumes are runoff "
        "coefficient times the longest rain, and sheet flow is timed by the kinematic wave."
    )


def _stated_intensity(say: Say, _: Finding, *, intensity_m_s: float) -> str:
    return (
        f"Drains are checked for rain of {say(intensity_m_s, 'rain')}, as the job states, however "
        "long the water takes to come: Q = C i A, without frequency factor. Storage and storms "
        "need a rainfall table: table [rainfall] of the job."
    )


def _sheds_at_eaves(say: Say, _: Finding, *, area_m2: float, has_downspouts: bool) -> str:
    why = "has roof that no downspout drains" if has_downspouts else "has no downspout drawn"
    return (
        f"It {why}: {say(area_m2, 'area')} of roof are taken to shed along its eaves, close to "
        "the walls. Draw the downspouts that are there."
    )


def _more_than_footprint(say: Say, _: Finding, *, given_m2: float, footprint_m2: float) -> str:
    return (
        f"Its downspouts are given {say(given_m2, 'area')} of roof, its footprint has "
        f"{say(footprint_m2, 'area')}. The areas given count; the ground beside the house counts "
        "for so much less, as under eaves. Draw the footprint to the eaves, or mend the areas."
    )


def _smaller_than_cell(say: Say, _: Finding, *, area_m2: float) -> str:
    return (
        f"Its roof of {say(area_m2, 'area')} covers no cell of the elevation data of its own: its "
        "water counts as falling on the ground there. Give finer data, or add its area to a "
        "downspout beside it."
    )


def _without_node(_: Say, __: Finding, *, leads_to: str, case: str) -> str:
    return (
        f"It leads into {leads_to}, which the {case} drains do not have: its water runs onto the "
        "ground where it stands. Say where it goes then."
    )


def _gutter_runs_over(
    say: Say, _: Finding, *, return_period_yr: float, leader_limit_m_s: float, share: float
) -> str:
    return (
        f"In the {return_period_yr:g}-year storm its leader takes no more than rain of "
        f"{say(leader_limit_m_s, 'rain')}; {share:.0%} of its roof's peak runs over the gutter "
        "and is counted at the eaves. Give it a larger leader, or the roof another downspout."
    )


def _cover_assumed(
    _: Say, __: Finding, *, share: float, ground: str, soil_group: str, slope: float,
    coefficient: float | None, curve_number: float | None,
) -> str:  # fmt: skip
    """Of the values that were assumed only those are given that count."""
    used = [
        *([] if coefficient is None else [f"runoff coefficient {coefficient:.2f}"]),
        *([] if curve_number is None else [f"curve number {curve_number:.0f}"]),
    ]
    return (
        f"{share:.0%} of the lot has no cover polygon and counts as {ground} on soil of "
        f"hydrologic group {soil_group} with a slope of {slope:.1%}: {', '.join(used)}. Change it "
        "with [job] ground and soil_group."
    )


def _covers_overlap(_: Say, __: Finding, *, share: float) -> str:
    return (
        f"Cover polygons of different kinds overlap on {share:.1%} of the lot; the later row "
        "counts there."
    )


SENTENCES: Final[dict[str, Sentence]] = {
    "cover-assumed": _cover_assumed,
    "covers-overlap": _covers_overlap,
    "downspout-without-node": _without_node,
    "gutter-runs-over": _gutter_runs_over,
    "rainfall-cut": _cut,
    "rainfall-elsewhere": _elsewhere,
    "rainfall-ends-early": _ends_early,
    "rainfall-starts-late": _starts_late,
    "rainfall-table": _settled,
    "rainfall-uplift": _uplift,
    "rainfall-used": _used,
    "roof-areas-exceed-footprint": _more_than_footprint,
    "roof-sheds-at-eaves": _sheds_at_eaves,
    "roof-smaller-than-cell": _smaller_than_cell,
    "stated-intensity": _stated_intensity,
}
