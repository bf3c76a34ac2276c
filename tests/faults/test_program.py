"""What the program does before anything else: versions, and the drivers that are not loaded."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pyogrio
import pytest
import rasterio
from affine import Affine
from programme.environments import PROGRAM
from programme.small_job import small_job, write_raster

from lotflow.cli import main


@pytest.mark.parametrize("arguments", [["--version", "-v"], ["-v", "--version"]])
def test_version_names_both_gdals(capfd: pytest.CaptureFixture[str], arguments: list[str]) -> None:
    """rasterio and pyogrio bring one GDAL each, and they differ."""
    with pytest.raises(SystemExit) as stopped:
        main(arguments)
    assert stopped.value.code == 0
    out = capfd.readouterr().out
    assert f"GDAL of rasterio {rasterio.__gdal_version__}" in out
    assert f"GDAL of pyogrio {pyogrio.__gdal_version_string__}" in out


def test_version_alone_is_one_line(capfd: pytest.CaptureFixture[str]) -> None:
    """Without -v."""
    with pytest.raises(SystemExit):
        main(["--version"])
    assert len(capfd.readouterr().out.splitlines()) == 1


#: What is asked of a process: its drivers, whether it may use the network, what reading leaves.
ASK = """
import json, sys, warnings
import numpy, pyogrio, pyproj.network, rasterio
from affine import Affine
from lotflow.grid import Grid
from lotflow.outputs.rasters import write_cog
with rasterio.Env() as env:
    names = [*env.drivers(), *pyogrio.list_drivers()]
with rasterio.open("dem.tif") as dataset, warnings.catch_warnings(action="ignore"):
    dataset.statistics(1)  # the older way, which may leave a file
ground = Grid(numpy.add.outer(numpy.arange(600.0), numpy.sin(numpy.arange(520.0))),
              Affine(0.5, 0, 600_000, 0, -0.5, 3_300_000), pyproj.CRS(26917))
write_cog(sys.argv[-1], ground, description="ground elevation", unit="m")
print(json.dumps([names, pyproj.network.is_network_enabled()]))
"""

#: What is done before in the program.
START = f"""
import contextlib, sys
given, sys.argv = sys.argv, ["lotflow", "--version"]
with contextlib.suppress(SystemExit):
    {PROGRAM}
sys.argv = given
"""


@dataclass(frozen=True)
class Asked:
    """What a process said of itself and left behind."""

    drivers: set[str]
    network: bool
    said: str
    left: set[str]
    cog: bytes


def asked(folder: Path, code: str) -> Asked:
    """Run it in a new folder, in an environment that asks for the network and side files."""
    write_raster(folder / "dem.tif")
    # a test before may have kept this process to local files
    given = {name: value for name, value in os.environ.items() if not name.endswith("_SKIP")}
    environment = given | {"PROJ_NETWORK": "ON", "GDAL_PAM_ENABLED": "YES"}
    written = folder / "written" / "ground.tif"
    written.parent.mkdir()
    done = subprocess.run([sys.executable, "-c", code, str(written)], cwd=folder, env=environment,
                          capture_output=True, text=True, check=True)  # fmt: skip
    drivers, network = json.loads(done.stdout.splitlines()[-1])
    left = {path.name for path in folder.iterdir() if path.is_file()}
    return Asked(set(drivers), network, done.stderr, left, written.read_bytes())


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Asked:
    """A process in which the program has started."""
    return asked(tmp_path_factory.mktemp("program"), START + ASK)


@pytest.fixture(scope="module")
def other(tmp_path_factory: pytest.TempPathFactory) -> Asked:
    """One in which it has not."""
    return asked(tmp_path_factory.mktemp("other"), ASK)


def test_the_program_loads_no_driver_that_follows_files(program: Asked, other: Asked) -> None:
    """Neither GDAL knows virtual files or web services; nothing is said about it."""
    assert {"GTiff", "COG", "GPKG", "GeoJSON", "ESRI Shapefile"} <= program.drivers
    follow = {"VRT", "OGR_VRT", "WMS", "WFS", "GTI", "HTTP", "OAPIF"}
    assert not program.drivers & follow
    assert len(other.drivers & follow) > 3
    assert program.said == ""


def test_the_program_keeps_proj_off_the_network(program: Asked, other: Asked) -> None:
    """Whatever the environment asks for; nor is anything left beside a raster that is read."""
    assert (other.network, other.left) == (True, {"dem.tif", "dem.tif.aux.xml"})
    assert (program.network, program.left) == (False, {"dem.tif"})


def test_overviews_are_written_without_those_drivers(
    program: Asked, other: Asked, tmp_path: Path
) -> None:
    """And the file is the same as with them."""
    assert program.cog == other.cog
    (tmp_path / "ground.tif").write_bytes(program.cog)
    with rasterio.open(tmp_path / "ground.tif") as ground:
        assert ground.overviews(1)


def test_the_caller_of_main_keeps_his_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """With arguments of its own it is a function, and sets nothing."""
    monkeypatch.delenv("GDAL_SKIP", raising=False)
    with pytest.raises(SystemExit):
        main(["--version"])
    assert "GDAL_SKIP" not in os.environ


@pytest.mark.nightly
@pytest.mark.release
def test_rasters_with_overviews_are_written_without_those_drivers(tmp_path: Path) -> None:
    """And the result is the same as with them."""
    import numpy as np  # noqa: PLC0415

    job = small_job(tmp_path / "job")
    write_raster(job / "small.tif")
    with rasterio.open(job / "small.tif") as small:
        values = np.tile(small.read(1), (7, 7))
        profile = small.profile | {
            "height": values.shape[0], "width": values.shape[1],
            "transform": Affine(0.5, 0, 599_850, 0, -0.5, 3_300_150),
        }  # fmt: skip
    with rasterio.open(job / "dem.tif", "w", **profile) as dataset:
        dataset.write(values, 1)
        dataset.units = ("metre",)
    (job / "job.toml").write_text(
        (job / "job.toml").read_text().replace("rmse_m", "margin_m = 300.0\nrmse_m")
    )
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, "run", str(job), "-o", str(tmp_path / "result"), "-q",
         "--realisations", "0"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    with rasterio.open(tmp_path / "result" / "ground.tif") as ground:
        assert ground.shape > (512, 512)
        assert ground.overviews(1)
