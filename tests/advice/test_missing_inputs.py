"""What a job does not give is told with what is done without it and how it is given."""

from dataclasses import replace
from pathlib import Path

import pytest

from lotflow.advice.missing_inputs import missing_inputs
from lotflow.inputs.job import read_job
from lotflow.study.lot_water import read_inputs

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"


@pytest.fixture(scope="module")
def given():
    """The sample, in which nothing but prices, setbacks and a benchmark is missing."""
    job, _, _, site = read_inputs(read_job(SAMPLE))
    return job, site


def named(job, site):
    return [one.what for one in missing_inputs(job, site, "proposed")]


OWN = ["prices", "benchmark", "setbacks"]


def test_the_sample_lacks_little(given):
    assert named(*given) == OWN


@pytest.mark.parametrize(
    ("layer", "what", "gone"),
    [("buildings", "buildings", ()), ("covers", "covers", ()), ("inlets", "inlets", ()),
     ("downspouts", "downspouts", ()), ("drain_lines", "drain lines", ()),
     ("outlets", "outlets", ()), ("constraints", "streets", ())],
)  # fmt: skip
def test_a_layer_that_is_not_drawn_is_missing(given, layer, what, gone):
    job, site = given
    bare = replace(site, **{layer: getattr(site, layer).iloc[:0]})
    assert set(named(job, bare)) == {what, *OWN} - set(gone)


def test_openings_are_missing_only_where_no_door_sill_is_known(given):
    job, site = given
    bare = replace(site, openings=site.openings.iloc[:0])
    assert named(job, bare) == OWN
    bare = replace(bare, buildings=site.buildings.assign(threshold_m=float("nan")))
    assert named(job, bare) == ["openings", *OWN]


@pytest.mark.parametrize(
    ("layer", "columns", "what"),
    [("openings", ["sill_m"], "openings' sills (1 of 4)"),
     ("inlets", ["open_share"], "grate sizes (1 of 2)"),
     ("inlets", ["channel_width_m"], "channel sizes (1 of 1)"),
     ("drain_lines", ["diameter_m", "size_m"], "pipe sizes (1 of 7)")],
)  # fmt: skip
def test_of_rows_it_is_told_how_many(given, layer, columns, what):
    job, site = given
    frame = getattr(site, layer).copy()
    rows = frame.index[frame["status"].isin(["proposed", "existing"]) if "status" in frame
                       else slice(None)]  # fmt: skip
    if layer == "inlets":
        channel = frame.loc[rows, "kind"] == "channel drain"
        rows = rows[channel == what.startswith("channel")]
    frame.loc[rows[0], columns] = None
    assert what.partition(" (")[0] in [
        one.partition(" (")[0] for one in named(job, replace(site, **{layer: frame}))
    ]
    assert what in named(job, replace(site, **{layer: frame}))


def test_inverts_of_lines_that_lie_are_missing_and_of_proposed_ones_are_not(given):
    job, site = given
    ends = [f"invert_{end}{how}_m" for end in ("up", "down") for how in ("", "_below_rim")]
    frame = site.drain_lines.copy()
    frame.loc[frame["status"] == "proposed", ends] = None
    assert named(job, replace(site, drain_lines=frame)) == OWN
    frame["status"] = "existing"
    told = named(job, replace(site, drain_lines=frame))
    assert [one for one in told if one.startswith("inverts of laid lines (")]


def test_without_rain_it_is_told_for_what_flows_hold(given):
    job, site = given
    dry = job.model_copy(update={"rainfall": None})
    (rain, *_) = missing_inputs(dry, site, "proposed")
    assert str(rain) == (
        "no rainfall: flows per 10 mm/h only. Give [rainfall] in job.toml to get flows of each "
        "storm, what lines carry then, ponds."
    )
    stated = dry.job.model_copy(update={"intensity_mm_h": 25.0})
    (rain, *_) = missing_inputs(dry.model_copy(update={"job": stated}), site, "proposed")
    assert rain.now == "flows for the stated intensity only"


def test_a_soil_that_is_not_given_is_assumed(given):
    job, site = given
    general = type(job.job)(name="A", units="metric")
    (soil, *_) = missing_inputs(job.model_copy(update={"job": general}), site, "proposed")
    assert (soil.what, soil.now) == ("soil", "hydrologic soil group C is assumed")
    tested = type(job.job)(name="A", soak_test_mm_h=20.0)
    assert named(job.model_copy(update={"job": tested}), site) == OWN


def test_without_any_level_all_come_from_the_elevation_data(given):
    job, site = given
    bare = {
        name: getattr(site, name).assign(**dict.fromkeys(columns, float("nan")))
        for name, columns in {
            "buildings": ["threshold_m"], "inlets": ["rim_m"], "openings": ["sill_m"],
            "drain_lines": ["invert_up_m", "invert_down_m"],
            "outlets": ["invert_m", "water_level_m"],
        }.items()
    }  # fmt: skip
    told = {one.what: one for one in missing_inputs(job, replace(site, **bare), "proposed")}
    assert "benchmark" not in told
    assert "good to 0.10 m" in told["levels"].now
