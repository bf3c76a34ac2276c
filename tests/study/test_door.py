"""The door for Python: what commands compute, from paths or from what is in memory."""

import json
import re
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio

import lotflow
from lotflow.cli import main
from lotflow.errors import InputError, OutputError

TOP = Path(__file__).parents[2]
SAMPLE = TOP / "data_samples" / "alder_court"


@pytest.fixture(scope="module")
def screened():
    return lotflow.screen(SAMPLE / "dem.tif", SAMPLE / "site.gpkg", realisations=0)


def layer(name):
    return gpd.read_file(SAMPLE / "site.gpkg", layer=name)


def test_importing_the_package_loads_nothing():
    """Below 50 ms there is no room for a library."""
    code = "import sys, lotflow; sys.exit('numpy' in sys.modules or 'pandas' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_every_cell_of_the_page_runs(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(TOP)
    page = (TOP / "docs" / "python.md").read_text("utf-8")
    names = {"folder": tmp_path}
    cells = re.findall(r"```python\n(.*?)```", page, re.DOTALL)
    assert len(cells) >= 7
    for cell in cells:
        exec(compile(cell, "docs/python.md", "exec"), names)
    told = capsys.readouterr().out
    assert "(180, 209) 0.5" in told
    assert "14 Alder Court" in told
    assert (tmp_path / "result" / "summary.json").is_file()


def test_layers_are_tables_with_their_crs_and_rasters_grids(screened):
    with rasterio.open(SAMPLE / "dem.tif") as dataset:
        crs = dataset.crs.to_epsg()
    assert isinstance(screened.low_spots, gpd.GeoDataFrame)
    assert screened.low_spots.crs.to_epsg() == screened.ground.crs.to_epsg() == crs
    assert screened.ground.values.shape == screened.inlet.values.shape
    assert {"low_spots", "ground", "write"} <= set(dir(screened))
    with pytest.raises(AttributeError, match="Did you mean 'low_spots'"):
        _ = screened.low_spot


def test_what_is_in_memory_gives_what_its_files_give(screened):
    elevation = rasterio.open(SAMPLE / "dem.tif")
    with elevation:
        there = lotflow.screen(elevation, layer("lot"), realisations=0)
    with rasterio.MemoryFile((SAMPLE / "dem.tif").read_bytes()) as memory, memory.open() as copied:
        copy = lotflow.screen(copied, layer("lot"), realisations=0)
    for other in (there, copy):
        assert np.array_equal(other.ground.values, screened.ground.values, equal_nan=True)
        assert other.low_spots.drop(columns="geometry").equals(
            screened.low_spots.drop(columns="geometry")
        )


def test_tables_handed_over_give_the_same_run_every_time():
    runs = {
        lotflow.screen(SAMPLE / "dem.tif", layer("lot"), realisations=0).summary["provenance"][
            "run_id"
        ]
        for _ in range(2)
    }
    assert len(runs) == 1


def test_a_written_result_is_that_of_the_command(screened, tmp_path):
    screened.write(tmp_path / "door")
    arguments = ["screen", SAMPLE / "dem.tif", SAMPLE / "site.gpkg", "-o", tmp_path / "command",
                 "--realisations", "0", "-q"]  # fmt: skip
    with pytest.raises(SystemExit) as stopped:
        main([str(one) for one in arguments])
    assert stopped.value.code == 0
    names = sorted(path.name for path in (tmp_path / "door").iterdir())
    assert names == sorted(path.name for path in (tmp_path / "command").iterdir())
    for name in names:
        assert (tmp_path / "door" / name).read_bytes() == (tmp_path / "command" / name).read_bytes()
    screened.write(tmp_path / "door")
    other = lotflow.run(SAMPLE, realisations=0)
    with pytest.raises(OutputError, match=r"the result of a screening.*overwrite"):
        other.write(tmp_path / "door", pack=False)
    other.write(tmp_path / "door", pack=False, overwrite=True)


def test_a_notebook_shows_findings_with_their_text_as_text(screened):
    name = "<script>alert(1)</script>"
    odd = lotflow.screen(SAMPLE / "dem.tif", layer("lot"), name=name, realisations=0)
    shown = odd._repr_html_()
    assert "<script>" not in shown
    assert "&lt;script&gt;" in shown
    first = screened.finding_list[0]
    assert first.subject in screened._repr_html_()
    assert repr(screened).startswith("<lotflow result of 14 Alder Court: ")


def test_the_job_of_a_run_may_be_a_folder_a_file_or_read():
    from lotflow.inputs.job import read_job  # noqa: PLC0415

    job = read_job(SAMPLE)
    results = [lotflow.run(given, realisations=0) for given in (SAMPLE / "job.toml", job)]
    first, second = (json.dumps(one.summary["findings"]) for one in results)
    assert first == second
    assert results[0].layers["drain_lines"]["name"].tolist()


def test_a_table_without_a_crs_is_refused():
    with pytest.raises(InputError, match="set_crs"):
        lotflow.screen(SAMPLE / "dem.tif", layer("lot").set_crs(None, allow_override=True))


def test_an_intensity_that_would_count_for_nothing_is_refused():
    with pytest.raises(InputError, match="coefficient"):
        lotflow.screen(SAMPLE / "dem.tif", SAMPLE / "site.gpkg", intensity_mm_h=100.0)
