"""What the program does before anything else: versions, and the drivers that are not loaded."""

from __future__ import annotations

import os
import subprocess
import sys
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


def test_the_program_loads_no_driver_that_follows_files() -> None:
    """Neither GDAL knows virtual files or web services; nothing is said about it."""
    code = (
        "import contextlib, sys; sys.argv = ['lotflow', '--version']\n"
        f"with contextlib.suppress(SystemExit): {PROGRAM.replace('; ', chr(10) + '    ', 1)}\n"
        "import pyogrio, rasterio\n"
        "with rasterio.Env() as env: names = set(env.drivers())\n"
        "names |= set(pyogrio.list_drivers())\n"
        "assert {'GTiff', 'COG', 'GPKG', 'GeoJSON', 'ESRI Shapefile'} <= names, names\n"
        "assert not names & {'VRT', 'OGR_VRT', 'WMS', 'WFS', 'GTI', 'HTTP', 'OAPIF'}, names\n"
    ).replace("suppress(SystemExit): ", "suppress(SystemExit):\n    ")  # fmt: skip
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""


def test_the_program_keeps_proj_off_the_network(tmp_path: Path) -> None:
    """Whatever the environment asks for; nor is anything left beside a raster that is read."""
    raster = write_raster(tmp_path / "dem.tif")
    ask = ("import pyproj.network, rasterio\n"
           "print(pyproj.network.is_network_enabled())\n"
           f"with rasterio.open({str(raster)!r}) as dataset: dataset.statistics(1)\n")  # fmt: skip
    start = (f"import contextlib, sys\nsys.argv = ['lotflow', '--version']\n"
             f"with contextlib.suppress(SystemExit):\n    {PROGRAM}\n")  # fmt: skip
    environment = os.environ | {"PROJ_NETWORK": "ON", "GDAL_PAM_ENABLED": "YES"}
    for code, network, left in (
        (ask, "True", {"dem.tif", "dem.tif.aux.xml"}),
        (start + ask, "False", {"dem.tif"}),
    ):
        done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True,
                              text=True, check=True)  # fmt: skip
        assert done.stdout.splitlines()[-1] == network
        assert {path.name for path in tmp_path.iterdir()} == left
        (tmp_path / "dem.tif.aux.xml").unlink(missing_ok=True)


def test_the_caller_of_main_keeps_his_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """With arguments of its own it is a function, and sets nothing."""
    monkeypatch.delenv("GDAL_SKIP", raising=False)
    with pytest.raises(SystemExit):
        main(["--version"])
    assert "GDAL_SKIP" not in os.environ


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
