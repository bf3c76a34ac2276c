"""What a job does not give: what is computed without it, and what it would give."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Final

from lotflow.drains.house import own_buildings
from lotflow.layers.drawn import in_case
from lotflow.units import shown

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import pandas as pd

    from lotflow.inputs.job import Job
    from lotflow.layers.drawn import Case, Drawn

#: Columns of levels, by layer.
_LEVELS: Final = {
    "buildings": ("threshold_m",),
    "inlets": ("rim_m",),
    "drain_lines": ("invert_up_m", "invert_down_m"),
    "outlets": ("invert_m", "water_level_m"),
    "openings": ("sill_m",),
}
#: Kinds of inlets that have no grate of their own size, but a channel or a trench.
_WITHOUT_GRATE: Final = ("channel drain", "french drain")


@dataclass(frozen=True)
class Missing:
    """
    One thing that a job does not give.

    Parameters
    ----------
    what
        Its name; of some rows of a layer, how many of how many.
    now
        What is computed without it.
    gives
        What it would give.
    how
        How it is given.

    Examples
    --------
    >>> print(Missing("prices", "quantities without cost", "what the proposal costs",
    ...               "Give [prices] in job.toml"))
    no prices: quantities without cost. Give [prices] in job.toml to get what the proposal costs.
    """

    what: str
    now: str
    gives: str
    how: str

    def __str__(self) -> str:
        """Say it in one line."""
        return f"no {self.what}: {self.now}. {self.how} to get {self.gives}."

    def as_dict(self) -> dict[str, str]:
        """Give an entry of `missing[]`."""
        return asdict(self)


def missing_inputs(job: Job, site: Drawn, case: Case) -> tuple[Missing, ...]:
    """
    List what a job does not give, in the order in which a study uses it.

    Nothing of it is needed: a run tells what can be told without.

    Parameters
    ----------
    job
        Its settings.
    site
        What is drawn.
    case
        State of the drains in the main result.
    """
    return tuple(
        one
        for part in (_rain, _days, _ground, _house, _inlets, _lines, _levels, _places)
        for one in part(job, site, case)
    )


def _rain(job: Job, _: Drawn, __: Case) -> Iterator[Missing]:
    if job.rainfall is not None:
        return
    stated = "the stated intensity" if job.intensity_m_s is not None else "10 mm/h"
    yield Missing(
        "rainfall",
        f"flows for {stated} only" if job.intensity_m_s is not None else f"flows per {stated} only",
        "flows of each storm, what lines carry then, ponds",
        "Give [rainfall] in job.toml",
    )


def _days(job: Job, site: Drawn, _: Case) -> Iterator[Missing]:
    now = "held against design storms, not the rain of that day"
    if not len(site.observations):
        return
    if job.observations is None:
        yield Missing(
            "rain of the days on which water was seen", now, "whether that rain explains it",
            "Give rain, rain_mm or rain_in under [observations] in job.toml",
        )  # fmt: skip
        return
    yield from _of_rows(
        site.observations["date"].isna(), "dates of observations", now,
        "whether the rain of that day explains it",
        "Fill in date in layer observation_points or observation_areas",
    )  # fmt: skip


def _ground(job: Job, site: Drawn, _: Case) -> Iterator[Missing]:
    general = job.job
    if general.coefficient is None and not len(site.covers):
        yield Missing(
            "covers", f"all ground counts as {general.ground}",
            "the runoff of drives, terraces and beds", "Draw layer covers",
        )  # fmt: skip
    if "soil_group" not in general.model_fields_set and general.soak_test_m_s is None:
        yield Missing(
            "soil", f"hydrologic soil group {general.soil_group} is assumed",
            "the runoff of lawns, and how long water stands",
            "Give soil_group or a soak test under [job] in job.toml",
        )  # fmt: skip


def _house(_: Job, site: Drawn, case: Case) -> Iterator[Missing]:
    own = own_buildings(site)
    if not len(own):
        yield Missing(
            "buildings" if not len(site.buildings) else "buildings on the lot",
            "no roof water, no walls judged",
            "roof water, ground at the walls, water that stands at them", "Draw layer buildings",
        )  # fmt: skip
        return
    if not len(in_case(site.downspouts, case)):
        yield Missing(
            "downspouts", "roofs shed along their eaves",
            "where roof water lands, and which line it loads", "Draw layer downspouts",
        )  # fmt: skip
    if not len(site.openings) and own["threshold_m"].isna().all():
        yield Missing(
            "openings", "nobody knows at which level water enters the house",
            "whether water reaches a door, a garage or a window well",
            "Draw layer openings, with sill_m or sill_ft",
        )  # fmt: skip
    yield from _of_rows(
        site.openings["sill_m"].isna(), "openings' sills",
        "nobody knows at which level water enters there", "whether water reaches them",
        "Fill in sill_m or sill_ft in layer openings",
    )  # fmt: skip


def _inlets(_: Job, site: Drawn, case: Case) -> Iterator[Missing]:
    inlets = in_case(site.inlets, case)
    if not len(inlets):
        yield Missing(
            "inlets", "no catchments, and no water is taken in",
            "catchment and runoff of each, and what stands when one is blocked",
            "Draw layer inlets",
        )  # fmt: skip
    grates = inlets[~inlets["kind"].isin(_WITHOUT_GRATE)]
    yield from _of_rows(
        grates[["grate_length_m", "grate_width_m", "open_share"]].isna().any(axis=1),
        "grate sizes", "nothing is said of what such a grate takes",
        "what it takes, clean and half clogged",
        "Fill in length, width and open share of the grate in layer inlets",
    )  # fmt: skip
    channels = inlets[inlets["kind"] == "channel drain"]
    yield from _of_rows(
        channels[["channel_width_m", "channel_depth_m"]].isna().any(axis=1), "channel sizes",
        "nothing is said of what such a channel carries", "whether it overflows",
        "Fill in inside width and depth of the channel in layer inlets",
    )  # fmt: skip


def _lines(job: Job, site: Drawn, case: Case) -> Iterator[Missing]:
    lines, outlets = (in_case(frame, case) for frame in (site.drain_lines, site.outlets))
    if not len(lines):
        yield Missing(
            "drain lines", "no line is checked",
            "what lines carry, their fall and cover", "Draw layer drain_lines",
        )  # fmt: skip
    elif not len(outlets):
        yield Missing(
            "outlets", "nobody knows where the lines end",
            "whether gravity reaches them, and where the water goes then", "Draw layer outlets",
        )  # fmt: skip
    yield from _of_rows(
        lines[["diameter_m", "size_m"]].isna().all(axis=1), "pipe sizes",
        "nothing is said of what such a line carries", "its capacity",
        "Fill in the inside diameter, or size and material, in layer drain_lines",
    )  # fmt: skip
    laid = lines[lines["status"] != "proposed"]
    level = [
        laid[[f"invert_{end}_m", f"invert_{end}_below_rim_m"]].isna().all(axis=1)
        for end in ("up", "down")
    ]
    yield from _of_rows(
        level[0] | level[1], "inverts of laid lines",
        "nothing is said of the fall of such a line, nor of what it carries",
        "its fall, its capacity, and how high water backs up",
        "Fill in the inverts of both ends, or their depths below the rim, in layer drain_lines",
    )  # fmt: skip
    proposed = any((frame["status"] == "proposed").any() for frame in (site.inlets, lines))
    if proposed and job.prices is None:
        yield Missing(
            "prices", "quantities without cost", "what the proposal costs",
            "Give [prices] in job.toml",
        )  # fmt: skip


def _levels(job: Job, site: Drawn, _: Case) -> Iterator[Missing]:
    drawn = [
        getattr(site, name)[column].notna().any()
        for name, columns in _LEVELS.items()
        for column in columns
    ]
    if any(drawn):
        if job.levels is None:
            yield Missing(
                "benchmark", "levels count as elevations in the datum of the elevation data",
                "levels noted from a benchmark of the site", "Give [levels] in job.toml",
            )  # fmt: skip
        return
    yield Missing(
        "levels", "all levels are taken off the elevation data, good to "
        f"{shown(job.elevation.rmse_m, 'depth', job.units)}",
        "falls of a few centimetres at doors, grates and outlets",
        "Measure rims, inverts and sills on site, and fill them in",
    )  # fmt: skip


def _places(job: Job, site: Drawn, case: Case) -> Iterator[Missing]:
    if not (site.constraints["kind"] == "street").any():
        reach = shown(job.criteria.outlet_reach_m, "length", job.units)
        yield Missing(
            "streets", f"lower ground is looked for up to {reach} beyond the lot line",
            "whether gravity reaches the gutter", "Draw streets in layer constraints",
        )  # fmt: skip
    drawn: Sequence[pd.DataFrame] = (site.drain_lines, site.outlets)
    if not job.setbacks.limits and any(len(in_case(frame, case)) for frame in drawn):
        yield Missing(
            "setbacks", "no distance of a line or outlet is judged",
            "what is too near the lot line, a foundation or a septic field",
            "Give [setbacks] in job.toml",
        )  # fmt: skip


def _of_rows(
    lacking: pd.Series[bool], what: str, now: str, gives: str, how: str
) -> Iterator[Missing]:
    """Tell of how many rows something is missing, where it is of any."""
    number, of = int(lacking.sum()), len(lacking)
    if number:
        yield Missing(f"{what} ({number} of {of})", now, gives, how)
