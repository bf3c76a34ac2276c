"""A full disk and a limit on file size: an error that says so, and the old result whole."""

import json
import subprocess
import sys
import textwrap

import numpy as np
from affine import Affine
from pyproj import CRS

from lotflow.errors import OutputError
from lotflow.grid import Grid
from lotflow.outputs.geopackage import geopackage_file
from lotflow.outputs.manifest import verify_result
from lotflow.outputs.rasters import cog_file
from lotflow.outputs.result_file import text_file
from lotflow.outputs.result_set import write_result_set


def real_files(make_layers, seed):
    """A GeoPackage, a raster and a text, as a study writes them: about 0.7 MB."""
    values = np.cumsum(np.random.default_rng(seed).normal(0, 0.02, (300, 300)), axis=0)
    grid = Grid(values, Affine(0.5, 0, 5e5, 0, -0.5, 4e6), CRS("EPSG:32618"))
    return [
        text_file("overview.txt", f"{seed}" * 5000),
        cog_file("depth.tif", grid, description="depth", unit="m"),
        geopackage_file("result.gpkg", make_layers(30, seed), metadata={"seed": str(seed)}),
    ]


def contents(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def replaced(folder, files):
    """Replace the result of a folder; give what the user is told, nothing where it is done."""
    try:
        write_result_set(folder, files, {"schema_version": "1"}, overwrite=True)
    except OutputError as error:
        return str(error)
    return ""


def test_a_full_disk_never_looks_like_success(small_disk, make_layers):
    """From no room at all to enough, in steps; GDAL alone is silent about some of them."""
    place, leave_free = small_disk
    old, new = real_files(make_layers, 1), real_files(make_layers, 2)
    folder = write_result_set(place / "result", old, {"schema_version": "1"})
    before, results = contents(folder), []
    for free in (0, 4096, 20_480, *range(65_536, 2_200_000, 262_144)):
        leave_free(free)
        message = replaced(folder, new)
        results.append(message == "")
        if message:
            assert "MB are free" in message
            assert contents(folder) == before
            continue
        assert verify_result(folder) == []
        for file in new:
            file.verify(folder / file.name)
        leave_free(3_000_000)
        assert replaced(folder, old) == ""
        assert contents(folder) == before
    assert results == sorted(results)
    assert set(results) == {True, False}


#: The limit cannot be raised again by everyone, so it is set in a process of its own.
CHILD = textwrap.dedent(
    """
    import json, resource, sys
    from pathlib import Path
    import numpy as np
    from affine import Affine
    from pyproj import CRS
    import geopandas as gpd
    import shapely
    from lotflow.errors import OutputError
    from lotflow.grid import Grid
    from lotflow.outputs.geopackage import geopackage_file
    from lotflow.outputs.manifest import verify_result
    from lotflow.outputs.rasters import cog_file
    from lotflow.outputs.result_set import write_result_set

    values = np.random.default_rng(0).random((120, 120))
    grid = Grid(values, Affine(0.5, 0, 5e5, 0, -0.5, 4e6), CRS("EPSG:32618"))
    lot = gpd.GeoDataFrame({"name": ["A"], "area_m2": [1.0]},
                           geometry=[shapely.box(0, 0, 1, 1)], crs="EPSG:32618")
    files = [cog_file("depth.tif", grid, description="depth", unit="m"),
             geopackage_file("result.gpkg", {"lot": lot}, metadata={"a": "b"})]
    folder, outcomes = Path(sys.argv[1]), []
    _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    for limit in map(int, sys.argv[2:]):
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
        try:
            write_result_set(folder / str(limit), files, {"schema_version": "1"})
            outcome = ""
        except OutputError as error:
            outcome = str(error)
        resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
        faults = len(verify_result(folder / str(limit)))
        outcomes.append((outcome, faults, (folder / str(limit)).exists()))
    print(json.dumps(outcomes))
    """
)


def test_a_limit_on_file_size_never_looks_like_success(tmp_path):
    limits = [1, 512, 4096, 16_384, 40_000, 50_000, 65_536, 90_000, 120_000, 160_000, 200_000]
    limits += [10_000_000]
    told = subprocess.run(
        [sys.executable, "-c", CHILD, str(tmp_path), *map(str, limits)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    outcomes = json.loads(told.stdout)
    for outcome, faults, exists in outcomes:
        assert exists == (outcome == "")
        assert faults == (1 if outcome else 0)
        assert not outcome or outcome.endswith(".")
    assert outcomes[0][0] != ""
    assert outcomes[-1][0] == ""
