"""Layers of a town: only what lies near the lot is read, one lot of a layer of parcels."""

import sqlite3
from contextlib import closing

import geopandas as gpd
import numpy as np
import pyogrio
import pyproj
import pytest
import shapely
from shapely import box

from lotflow.errors import InputError
from lotflow.inputs import open as opening
from lotflow.inputs.site import read_site
from lotflow.inputs.sources import LayerFile
from lotflow.inputs.vectors import WHOLE, Part, column_values, read_layers

UTM = pyproj.CRS(32618)
WINDOW = (1000.0, 1000.0, 1100.0, 1100.0)


def houses(side=40, apart=100.0):
    """Footprints of 10 m on a square mesh, numbered row by row."""
    at = [(column * apart, row * apart) for row in range(side) for column in range(side)]
    return gpd.GeoDataFrame(
        {"name": [f"house {i}" for i in range(len(at))]},
        geometry=[box(x, y, x + 10, y + 10) for x, y in at], crs=UTM,
    )  # fmt: skip


def written(frame, path, layer="buildings"):
    frame.to_file(path, layer=layer)
    return path


@pytest.fixture
def counted(monkeypatch):
    """Rows that the library has built tables of."""
    read, rows = pyogrio.read_dataframe, []

    def counting(*arguments, **options):
        frame = read(*arguments, **options)
        rows.append(len(frame))
        return frame

    monkeypatch.setattr(pyogrio, "read_dataframe", counting)
    return rows


def test_of_a_town_only_what_lies_near_is_read(tmp_path, counted):
    """The rows that come are those that GeoPandas finds among all, as they stand in the file."""
    town = houses()
    path = written(town, tmp_path / "town.gpkg")
    frame = read_layers(path, {"buildings": Part(WINDOW, UTM)})["buildings"]
    near = town.index[town.intersects(box(*WINDOW))]
    assert frame["name"].tolist() == town["name"][near].tolist()
    assert frame.attrs["rows"] == tuple((near + 1).tolist())
    assert frame.attrs["of"] == len(town)
    assert sum(counted) == len(near) == 4


@pytest.mark.parametrize("name", ["town.geojson", "town.shp"])
def test_other_formats_give_the_same_rows(tmp_path, name):
    town = houses(12).to_crs(4326)
    frames = [
        read_layers(written(town, path), {layer: Part(WINDOW, UTM)})[layer]
        for path, layer in [(tmp_path / name, "town"), (tmp_path / "a.gpkg", "buildings")]
    ]
    assert len(frames[0]) == 4
    assert frames[0].attrs["rows"] == frames[1].attrs["rows"]
    assert frames[0]["name"].tolist() == frames[1]["name"].tolist()


def test_ids_with_gaps_are_counted_as_rows(tmp_path):
    """Rows that were deleted leave gaps in the ids of a GeoPackage; rows are counted."""
    town = houses()
    path = written(town, tmp_path / "town.gpkg")
    with closing(sqlite3.connect(path)) as database, database:
        for (trigger,) in database.execute("SELECT name FROM sqlite_master WHERE type='trigger'"):
            database.execute(f'DROP TRIGGER "{trigger}"')
        database.execute("DELETE FROM buildings WHERE fid <= 7")
        database.execute("DELETE FROM rtree_buildings_geom WHERE id <= 7")
    frame = read_layers(path, {"buildings": Part(WINDOW, UTM)})["buildings"]
    assert frame["name"].tolist() == ["house 410", "house 411", "house 450", "house 451"]
    assert frame.attrs["rows"] == (404, 405, 444, 445)


def test_an_index_that_lacks_rows_is_not_trusted(tmp_path):
    """A row that the index does not know is found all the same, by reading all."""
    path = written(houses(), tmp_path / "town.gpkg")
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("DELETE FROM rtree_buildings_geom WHERE id = 411")
    frame = read_layers(path, {"buildings": Part(WINDOW, UTM)})["buildings"]
    assert "house 410" in frame["name"].tolist()
    assert len(frame) == 4


def test_a_layer_with_nothing_near_stays_given(tmp_path):
    """Whether a layer was given decides what is asked for; so its first row is kept."""
    path = written(houses(3), tmp_path / "town.gpkg")
    frame = read_layers(path, {"buildings": Part((9e5, 9e5, 9e5 + 9, 9e5 + 9), UTM)})["buildings"]
    assert frame["name"].tolist() == ["house 0"]


def site_of(path, lot, box_read=WINDOW):
    return read_site(
        {"lot": lot, "buildings": LayerFile(path, "buildings")}, crs=UTM, vertical_unit="m",
        reach=lambda _: box_read,
    )  # fmt: skip


def lot_file(tmp_path, names=("A", "B", 7)):
    lots = gpd.GeoDataFrame(
        {"parcel": [str(name) for name in names], "number": np.arange(len(names)) * 1.0},
        geometry=[box(1000 + 30 * i, 1000, 1025 + 30 * i, 1025) for i in range(len(names))],
        crs=UTM,
    )  # fmt: skip
    return written(lots, tmp_path / "parcels.gpkg", "parcels")


def repaired(site):
    return [one.subject for one in site.findings if one.rule == "outline-repaired"]


def test_faults_name_the_row_of_the_file(tmp_path):
    """A damaged footprint near the lot is told of by its row in the file; one far off is not."""
    town = houses()
    town.loc[411, "geometry"] = None
    town.loc[3, "geometry"] = shapely.from_wkt("POLYGON ((300 0, 310 10, 310 0, 300 10, 300 0))")
    path = written(town[town.geometry.notna()], tmp_path / "town.gpkg")
    site = site_of(path, LayerFile(lot_file(tmp_path), only=("parcel", "A")))
    assert repaired(site) == []
    assert len(site.buildings) == 3
    source = site.sources[1]
    assert source.rows == len(town) - 1
    # of the 40 rows before the second row of houses one is missing
    assert [source.place(row)[1] for row in (1, 2, 3)] == [411, 450, 451]
    whole = site_of(path, LayerFile(lot_file(tmp_path), only=("parcel", "A")), (0, 0, 4e3, 4e3))
    assert repaired(whole) == ["buildings, row 4"]
    near = site_of(path, LayerFile(lot_file(tmp_path), only=("parcel", "A")), (290, -5, 1100, 1100))
    assert repaired(near) == ["buildings, row 4"]


def test_one_lot_of_many_is_called_by_its_key(tmp_path):
    lot = LayerFile(lot_file(tmp_path), only=("parcel", "7"))
    site = read_site({"lot": lot}, crs=UTM, vertical_unit="m")
    assert site.lot["name"].tolist() == ["7"]
    assert [one.facts["columns"] for one in site.findings] == [("number",)]
    assert site.lot.geometry.iloc[0].equals(box(1060, 1000, 1085, 1025))
    assert site.sources[0].rows == 3
    assert column_values(lot.path, "parcels", "NUMBER") == ["0", "1", "2"]


@pytest.mark.parametrize(
    ("only", "rule", "remedy"),
    [
        (("parcel", "8"), "no row has this value", "'A', 'B' or '7'"),
        (("parcl", "A"), "there is no column 'parcl'", "Did you mean 'parcel'?"),
    ],
)
def test_a_lot_that_is_not_there_is_asked_after(tmp_path, only, rule, remedy):
    with pytest.raises(InputError) as caught:
        read_site({"lot": LayerFile(lot_file(tmp_path), only=only)}, crs=UTM, vertical_unit="m")
    (fault,) = caught.value.faults
    assert fault.rule == rule
    assert remedy in fault.remedy


def test_a_file_is_copied_once_within_a_run_and_anew_when_it_changes(tmp_path, monkeypatch):
    path, made = written(houses(3), tmp_path / "town.gpkg"), []
    copy = opening.opened_once

    def counting(what, file, make):
        return copy(what, file, lambda: made.append(file) or make())

    monkeypatch.setattr("lotflow.inputs.vectors.opened_once", counting)
    with opening.files_kept():
        for _ in range(3):
            read_layers(path, {"buildings": WHOLE})
        assert len(made) == 1
        written(houses(4), path)
        assert len(read_layers(path, {"buildings": WHOLE})["buildings"]) == 16
        assert len(made) == 2
    read_layers(path, {"buildings": WHOLE})
    assert len(made) == 3
