"""Damaged layers are refused, told, or read as the whole ones."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from programme.damage import damaged
from programme.judge import Tally, judged
from programme.mutate import mutated
from programme.server import Ended, Server
from programme.small_job import layers, lot_geojson, small_job, write_job
from programme.tiers import CORPUS, SEED, keep, report, tiers

#: Largest share that may be read otherwise without a word: the formats carry no checksum.
MAY_BE_SILENT = {"geopackage": 0.015, "geojson": 0.05, "shapefile": 0.03}

LINES = {"geopackage": 'file = "site.gpkg"', "geojson": 'lot = "lot.geojson"',
         "shapefile": 'lot = "lot.shp"'}  # fmt: skip


@pytest.fixture(scope="module")
def jobs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A whole job in each format."""
    folder = tmp_path_factory.mktemp("whole")
    for kind, line in LINES.items():
        small_job(folder / kind)
        (folder / kind / "lot.geojson").unlink()
        write_job(folder / kind, layer_lines=line)
    for name, frame in layers().items():
        frame.to_file(folder / "geopackage" / "site.gpkg", layer=name, driver="GPKG")
    (folder / "geojson" / "lot.geojson").write_bytes(lot_geojson())
    layers()["lot"].to_file(folder / "shapefile" / "lot.shp")
    return {kind: folder / kind for kind in LINES}


def parts(job: Path) -> list[Path]:
    """The files that hold the layers."""
    return sorted(path for path in job.iterdir() if path.name not in ("job.toml", "dem.tif"))


def check(server: Server, job: Path) -> Ended:
    return server.run("programme.cases:check", str(job))


@pytest.fixture(scope="module")
def whole(server: Server, jobs: dict[str, Path]) -> dict[str, Ended]:
    """What is read of the whole files."""
    ended = {kind: check(server, job) for kind, job in jobs.items()}
    assert [one.value["code"] for one in ended.values()] == [0, 0, 0]
    return ended


@pytest.mark.parametrize("kind", LINES)
@tiers(15, 3333, 16_666)
def test_damaged_layers(
    server: Server, jobs: dict[str, Path], whole: dict[str, Ended], tmp_path: Path, kind: str,
    cases: int,
) -> None:  # fmt: skip
    """Class C: the mutator on a GeoPackage, a GeoJSON file and each part of a Shapefile."""
    tally, job = Tally(f"C damaged {kind}"), shutil.copytree(jobs[kind], tmp_path / "job")
    files = parts(jobs[kind])
    for file in files:
        seeds = [f"C-{SEED}-{file.name}-{n}" for n in range(max(cases // len(files), 1))]
        for seed, ended in damaged(server, job, file.name, seeds):
            outcome = tally.add(judged(ended, whole[kind], names=(file.stem, "layer ")), seed)
            if outcome not in ("equal", "refused", "finding", "silent"):
                keep(f"{seed}.{outcome}{file.suffix}", mutated(file.read_bytes(), seed)[1])
    report(tally)
    tally.assert_no_crash()
    assert tally.counts["refused"] > 0
    if cases > 200:  # of few cases a share says nothing
        assert tally.share("silent") <= MAY_BE_SILENT[kind], tally.seeds


@pytest.mark.parametrize(
    "path",
    [path for path in sorted(CORPUS.iterdir()) if path.suffix != ".tif"],
    ids=lambda path: path.name,
)
def test_corpus(
    server: Server, jobs: dict[str, Path], whole: dict[str, Ended], tmp_path: Path, path: Path
) -> None:
    """Files that once did what they must not."""
    kind = {".gpkg": "geopackage", ".geojson": "geojson"}.get(path.suffix, "shapefile")
    job = shutil.copytree(jobs[kind], tmp_path / "job")
    (target,) = [part for part in parts(job) if part.suffix == path.suffix]
    shutil.copyfile(path, target)
    outcome = judged(check(server, job), whole[kind], names=(target.stem, "layer "))
    assert outcome in ("equal", "refused", "finding")
