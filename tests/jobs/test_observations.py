"""
Invented observations on the real ground of the trial jobs.

Judged by hand, from `ground.py` and the READMEs, before the program was looked at. All of them are
invented, and so is their rain: 160 mm fills every hollow of Delft whatever covers it (curve number
74, the least there is: 87 mm of runoff; its hollows hold 16.6 m3 below 100 m2 and 24.8 m3 below
360 m2, 68 mm).
"""

import shutil
from pathlib import Path

import geopandas as gpd
import pytest
from shapely.geometry import Point, box

import lotflow

HERE = Path(__file__).parent
POURING, DRY = "2026-05-03", "2026-05-10"
RAIN = f"{{ {POURING} = 160.0, 2026-05-09 = 0.0, {DRY} = 0.0 }}"

#: Of each job: name, place, depth [m], hours, day; what should be said of it.
#:
#: Yard. Today the old gully alone drains the terrace, to about its own level of 0.11 to 0.14 m: 5
#: to 8 cm stay at the terrace's lowest place, 32 cm with the gully blocked (0.388 less 0.064).
#: Levels 3.6 m apart are off by 17 cm (95 %). The back step has a pool of its own: 0.332 - 0.195.
#: Court. Today nothing drains it: 34 cm, where levels 12.7 m apart are off by 24 cm (95 %). On lawn
#: of soil group C (0.2 in/h) that takes 67 h at least. "At the door" lies 2 m from its edge.
#: Patio. No hollow within 3 m (`Ground.flood`): what is wet there the data do not show.
JUDGED = {
    "delft-yard": [
        ("Terrace", Point(84924.75, 447511.75), 0.32, None, POURING, "as with inlets blocked"),
        ("Terrace, no rain", Point(84924.75, 447511.75), 0.10, None, DRY, "seen, not predicted"),
        ("Back step", Point(84934.25, 447518.25), 0.15, None, POURING, "agrees"),
    ],
    "delft-court": [
        ("At the door", Point(84866.4, 447563.0), 0.30, None, POURING, "agrees"),
        ("Garden", box(84867, 447556, 84869, 447559), 0.80, None, POURING,
         "deeper than predicted"),
        ("No puddle", Point(84868, 447560), 0.0, None, POURING, "predicted, not seen"),
        ("Soon gone", Point(84868, 447560), 0.30, 2.0, POURING, "less than predicted"),
        ("Dry, no rain", Point(84868, 447560), 0.0, 0.0, DRY, "agrees"),
        ("Old photo", Point(84868, 447560), 0.25, None, None, "agrees"),
    ],
    "alexandria-patio": [
        ("Patio", Point(321648.9, 4297682.5), 0.05, 12.0, POURING, "seen, not predicted"),
        ("Patio dry", Point(321644, 4297682), 0.0, None, POURING, "agrees"),
    ],
}  # fmt: skip


def with_observations(job, folder, rows, table):
    """Copy a job with invented observations and rain of days."""
    shutil.copytree(HERE / "data", folder / "data")
    shutil.copytree(HERE / job, folder / job)
    site = folder / job / "site.gpkg"
    crs = gpd.read_file(site, layer="lot").crs
    frame = gpd.GeoDataFrame(
        [dict(zip(("name", "geometry", "depth_m", "hours", "date"), row[:5], strict=True))
         for row in rows], crs=crs,
    )  # fmt: skip
    for name, kinds in (("observation_points", "Point"), ("observation_areas", "Polygon")):
        of_kind = frame[frame.geom_type == kinds]
        if len(of_kind):
            of_kind.to_file(site, layer=name)
    text = (folder / job / "job.toml").read_text()
    (folder / job / "job.toml").write_text(f"{text}\n{table}\n")
    return folder / job


@pytest.fixture(scope="module")
def summaries(tmp_path_factory):
    """Results with the invented observations, each made when it is first asked for."""
    made = {}

    def summary(job):
        if job not in made:
            folder = tmp_path_factory.mktemp(job)
            table = f"[observations]\nrain_mm = {RAIN}"
            known = with_observations(job, folder, JUDGED[job], table)
            made[job] = lotflow.run(known, realisations=0).summary
        return made[job]

    return summary


CASES = [
    pytest.param(job, row, id=f"{job}-{row[0]}") for job, rows in JUDGED.items() for row in rows
]


@pytest.mark.parametrize(("job", "row"), CASES)
def test_what_was_seen_is_judged_as_by_hand(summaries, job, row):
    (found,) = [one for one in summaries(job)["observations"] if one["name"] == row[0]]
    assert found["verdict"] == row[5], found
    (finding,) = [one for one in summaries(job)["findings"] if one["subject"] == row[0]]
    assert finding["rule"].startswith("observation-")
    assert finding["severity"] == (
        "note" if row[5] in ("agrees", "less than predicted") else "warn"
    )
