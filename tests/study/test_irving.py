"""A small pavement beside a late lawn, from the files of a job to its rows (HEC-22 7.2.2)."""

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine

from lotflow.cli import main
from lotflow.errors import InputError
from lotflow.inputs.job import read_job
from lotflow.study.main_job import run_study
from lotflow.units import SQUARE_METRES_PER_SQUARE_FOOT, from_si, to_si

IRVING = Path(__file__).parents[1] / "reference" / "atlas14_irving.csv"
SERVED = Path(__file__).parents[2] / "data_samples" / "alder_court" / "rainfall.csv"
SIZE = 44


def write_layer(folder, name, rows):
    geometry = [row.pop("geometry") for row in rows]
    gpd.GeoDataFrame(rows, geometry=geometry, crs=32617).to_file(
        folder / f"{name}.gpkg", layer=name
    )


def at(x, y):
    return x + 600_000.0, y + 3_300_000.0


def box(west, south, east, north):
    return shapely.box(*at(west, south), *at(east, north))


def channel(name, x):
    return {"name": name, "kind": "channel drain",
            "geometry": shapely.LineString([at(x, 10.2), at(x, 29.8)])}  # fmt: skip


def write_job(folder, *, rainfall=IRVING, storms="[10]", covers=(), downspouts=()):
    """Ground that falls west by 0.17 %: 180 m2 of pavement, 400 m2 of lawn east of it."""
    values = np.repeat(30.0 + 0.0017 * np.arange(SIZE)[None, :], SIZE, axis=0)
    with rasterio.open(
        folder / "dem.tif", "w", driver="GTiff", height=SIZE, width=SIZE, count=1,
        dtype="float64", crs="EPSG:32617", transform=Affine(1, 0, 600_000, 0, -1, 3_300_000 + SIZE),
    ) as target:  # fmt: skip
        target.write(values, 1)
    drawn = covers or [
        {"cover": "asphalt", "runoff_coefficient": 0.9, "geometry": box(5, 10, 14, 30)},
        {"cover": "lawn", "runoff_coefficient": 0.15, "geometry": box(14, 10, 40, 30)},
    ]
    layers = {
        "lot": [{"geometry": box(3, 8, 36, 32)}],
        "covers": drawn,
        "inlets": [channel("Drive", 4.5), channel("Edge", 33.5)],
    }
    if downspouts:
        layers["buildings"] = [{"name": "House", "geometry": box(20, 33, 28, 40)}]
        layers["downspouts"] = list(downspouts)
    for name, rows in layers.items():
        write_layer(folder, name, rows)
    files = "\n".join(f'{name} = "{name}.gpkg"' for name in layers)
    (folder / "job.toml").write_text(
        '[job]\nunits = "us"\n'
        f'[elevation]\nfile = "dem.tif"\nvertical_unit = "m"\n[layers]\n{files}\n'
        f'[rainfall]\nfile = "{rainfall}"\nstorms = {storms}\n'
    )
    return folder


def lotflow(*arguments):
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    return stopped.value.code


def test_the_pavement_alone_governs(tmp_path):
    """
    HEC-22, 3rd ed. 2009, section 7.2.2, at Irving TX, 10 years, 8.316 in/h for 5 min.

    2000 ft2 of pavement of C 0.9 give 0.3465 cfs alone; with the lawn, 25 minutes later, less.
    """
    study = run_study(read_job(write_job(tmp_path)))
    rows = study.layers["runoff"].set_index(["subject", "method"])
    row = rows.loc[("Drive", "rational")]
    assert row["time_of_concentration_min"] == 5.0
    assert row["intensity_mm_h"] == pytest.approx(8.316 * 25.4, rel=1e-4)
    assert row["ca_m2"] == pytest.approx(0.9 * 180.0)
    assert row["total_ca_m2"] > row["ca_m2"]
    assert "early part alone governs" in row["note"]
    per_2000_ft2 = row["flow_m3s"] / 180.0 * 2000 * SQUARE_METRES_PER_SQUARE_FOOT
    assert from_si(per_2000_ft2, "cfs") == pytest.approx(0.3465, abs=5e-5)
    assert row["flow_m3s"] == pytest.approx(to_si(8.316, "in_h") * 0.9 * 180.0, rel=1e-4)


def test_explain_prints_the_sheet_in_the_place_of_the_table(tmp_path, capfd):
    job = write_job(tmp_path)
    assert lotflow("run", job, "--explain", "Drive", "--no-pack") == 0
    out, _ = capfd.readouterr()
    assert out.startswith("Drive\n")
    assert "<- governs" in out
    assert "8.32 in/h" in out
    assert "Call before you dig" not in out
    assert (job / "result" / "runoff_sheets.txt").exists()
    summary = json.loads((job / "result" / "summary.json").read_text())
    assert {row["method"] for row in summary["runoff"]} == {"rational", "nrcs"}


@pytest.mark.parametrize(
    ("given", "options", "said"),
    [
        ({}, ["--explain", "Drve"], "Did you mean 'Drive'?"),
        ({}, ["--explain", "Drive", "--json"], "--explain and --json"),
        ({"storms": "[10, 500]"}, [], "the rainfall reaches from 1 to 100 years"),
        ({"rainfall": "none.csv"}, [], "none.csv"),
        ({"covers": [{"cover": "lawm", "geometry": box(5, 10, 14, 30)}]}, [],
         "Did you mean 'lawn'?"),
        ({"covers": [{"cover": "lawn", "runoff_coefficient": 1.2,
                      "geometry": box(5, 10, 14, 30)}]}, [], "runoff_coefficient = 1.2"),
        ({"covers": [{"cover": "lawn", "curve_number": 20.0,
                      "geometry": box(5, 10, 14, 30)}]}, [], "curve_number = 20"),
        ({"downspouts": [{"name": "D1", "geometry": shapely.Point(at(10, 10))}]}, [],
         "there is no building within"),
        ({"downspouts": [{"name": "D1", "building": "Hose",
                          "geometry": shapely.Point(at(19, 35))}]}, [], "Did you mean 'House'?"),
        ({"downspouts": [{"name": "D1", "leads_to": "Drivv",
                          "geometry": shapely.Point(at(19.5, 35))}]}, [], "Did you mean 'Drive'?"),
        ({"downspouts": [{"name": "D1", "roof_area_m2": 200.0,
                          "geometry": shapely.Point(at(19.5, 35))}]}, [], "its footprint has"),
    ],
    ids=["explain", "both", "storm", "file", "cover", "coefficient", "curve number", "far",
         "building", "node", "area"],
)  # fmt: skip
def test_bad_input_is_refused_at_the_command_line(tmp_path, capfd, given, options, said):
    """Each says what is wrong and where; nothing is written."""
    job = write_job(tmp_path, **given)
    assert lotflow("run", job, *options) != 0
    out, err = capfd.readouterr()
    assert said in " ".join(err.split())
    assert out == ""
    assert not (job / "result" / "summary.json").exists()


def test_a_rainfall_cut_in_the_middle_is_refused(tmp_path):
    cut = tmp_path / "cut.csv"
    whole = SERVED.read_bytes()
    cut.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match=r"cut\.csv"):
        run_study(read_job(write_job(tmp_path, rainfall=cut)))


def test_flat_ground_is_timed_with_the_least_slope_and_says_so(tmp_path):
    """A way without fall: the least slope of 1 in 1000 stands in the sheet."""
    job = write_job(tmp_path)
    with rasterio.open(job / "dem.tif", "r+") as raster:
        values = raster.read(1)
        raster.write(30.0 + 0.01 * (values - 30.0), 1)
    study = run_study(read_job(job))
    assert "slope 0.0010 (the least taken: flatter ground)" in study.texts["runoff_sheets.txt"]
