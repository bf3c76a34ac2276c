"""Vector layers: what they say is read, what they could do is not done."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas
import pyogrio
import pytest
import shapely
from pyproj import CRS, Transformer

from lotflow.errors import InputError
from lotflow.inputs import geopackage
from lotflow.inputs.limits import Limits
from lotflow.inputs.site import read_site
from lotflow.inputs.sources import LayerFile
from lotflow.inputs.vectors import (
    WHOLE,
    Part,
    check_geojson,
    layer_names,
    read_layer,
    read_layers,
)

LOT = shapely.box(321_600, 4_297_700, 321_640, 4_297_730)


def frame(**columns: Any) -> geopandas.GeoDataFrame:
    """Two polygons with a name each."""
    columns = columns or {"name": ["lot", "Gärten"]}
    geometry = [LOT, shapely.affinity.translate(LOT, 50)]
    return geopandas.GeoDataFrame(columns, geometry=geometry, crs="EPSG:26918")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A GeoPackage with the layers lot and buildings."""
    path = tmp_path / "site.gpkg"
    frame().to_file(path, layer="lot")
    # without an index, whose triggers need functions that plain SQLite has not
    buildings = frame(name=["house", "shed"], threshold_m=[20.5, None])
    buildings.to_file(path, layer="buildings", SPATIAL_INDEX="NO")
    return path


def altered(path: Path, *statements: str) -> Path:
    """Run SQL on a GeoPackage."""
    with closing(sqlite3.connect(path)) as database, database:
        for statement in statements:
            database.execute(statement)
    return path


def as_view(select: str) -> tuple[str, ...]:
    """SQL that registers a view as a layer."""
    return (
        f"CREATE VIEW trap AS {select}",
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id) "
        "VALUES ('trap', 'features', 'trap', 26918)",
        "INSERT INTO gpkg_geometry_columns VALUES ('trap', 'geom', 'POLYGON', 26918, 0, 0)",
    )


def folder_state(folder: Path) -> dict[str, tuple[bytes, int]]:
    """Every file of a folder with its bytes and time of change."""
    return {file.name: (file.read_bytes(), file.stat().st_mtime_ns) for file in folder.iterdir()}


def test_layers_and_rows_are_as_written(site: Path) -> None:
    """Names in the order of the file, attributes raw, the CRS of the file."""
    assert layer_names(site) == ("lot", "buildings")
    buildings = read_layer(site, "buildings")
    assert list(buildings.columns) == ["name", "threshold_m", "geometry"]
    assert buildings["name"].tolist() == ["house", "shed"]
    assert buildings.crs.to_epsg() == 26918
    assert buildings.attrs["warnings"] == ()
    both = read_layers(site, {"buildings": WHOLE, "lot": WHOLE})
    assert list(both) == ["buildings", "lot"]
    assert both["lot"].geometry.iloc[0].equals(LOT)


def test_where_there_is_one_layer_it_needs_no_name(tmp_path: Path, site: Path) -> None:
    """Of several, one must be named."""
    frame().to_file(tmp_path / "one.gpkg", layer="anything")
    assert len(read_layer(tmp_path / "one.gpkg")) == 2
    with pytest.raises(InputError, match="the layers 'lot', 'buildings', and none was named"):
        read_layer(site)


def test_a_missing_layer_offers_a_name_alike_and_all_are_told(site: Path) -> None:
    """Faults of several layers are reported at once."""
    with pytest.raises(
        InputError, match=r"layer bulidings: .*Did you mean 'buildings'\?"
    ) as caught:
        read_layers(site, dict.fromkeys(["lot", "bulidings", "walls"], WHOLE))
    assert [fault.layer for fault in caught.value.faults] == ["bulidings", "walls"]


@pytest.mark.parametrize("mode", ["wal", "delete"])
def test_a_database_that_was_not_closed_is_read_whole_and_left_alone(
    site: Path, tmp_path: Path, mode: str
) -> None:
    """What only the left-over -wal holds is read; no byte, time or file of the source changes."""
    left = tmp_path / "left"
    left.mkdir()
    with closing(sqlite3.connect(site)) as database:
        database.execute(f"PRAGMA journal_mode = {mode}")
        database.execute("PRAGMA wal_autocheckpoint = 0")
        database.execute("UPDATE buildings SET name = 'barn' WHERE name = 'shed'")
        database.commit()
        for file in tmp_path.glob("site.gpkg*"):
            shutil.copy(file, left / file.name)
    assert (left / "site.gpkg-wal").exists() == (mode == "wal")
    before = folder_state(left)
    found = read_layer(left / "site.gpkg", "buildings")
    assert found["name"].tolist() == ["house", "barn"]
    assert layer_names(left / "site.gpkg") == ("lot", "buildings")
    assert folder_state(left) == before
    parts = {"site.gpkg", "site.gpkg-wal"} if mode == "wal" else {"site.gpkg"}
    assert set(found.attrs["sha256"]) == parts


def test_a_write_that_was_not_finished_is_rolled_back_in_the_copy_only(
    site: Path, tmp_path: Path
) -> None:
    """A hot journal beside the file gives the old state, and stays."""
    left = tmp_path / "left"
    left.mkdir()
    with closing(sqlite3.connect(site, isolation_level=None)) as database:
        database.execute("PRAGMA cache_size = 1")
        database.execute("PRAGMA cache_spill = 1")
        database.execute("BEGIN")
        database.execute("UPDATE buildings SET name = hex(randomblob(3000))")
        for file in tmp_path.glob("site.gpkg*"):
            shutil.copy(file, left / file.name)
        database.execute("ROLLBACK")
    assert (left / "site.gpkg-journal").stat().st_size > 0
    before = folder_state(left)
    assert read_layer(left / "site.gpkg", "buildings")["name"].tolist() == ["house", "shed"]
    assert folder_state(left) == before


def test_a_file_that_never_rests_is_refused(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each of three copies sees the file change; one that rests the third time is read."""
    copies: list[int] = []

    def copy_while_another_writes(source: Path, target: Path) -> None:
        target.write_bytes(Path(source).read_bytes())
        copies.append(1)
        if len(copies) < last:
            os.utime(source, ns=(0, len(copies)))

    monkeypatch.setattr(geopackage.shutil, "copyfile", copy_while_another_writes)
    last = 3
    assert layer_names(site) == ("lot", "buildings")
    copies.clear()
    last = 9
    with pytest.raises(InputError, match="it changed while it was read"):
        layer_names(site)
    assert len(copies) == 3


@pytest.mark.parametrize(
    "select",
    [
        "SELECT fid, geom, name FROM lot",
        "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) "
        "SELECT i AS fid, NULL AS geom FROM n",
        "SELECT 1 AS fid, randomblob(1000000000) AS geom",
    ],
    ids=["plain", "endless", "huge"],
)
def test_a_view_is_refused_at_once(site: Path, select: str) -> None:
    """A view can run without end or take all memory; other layers are read all the same."""
    altered(site, *as_view(select))
    started = time.monotonic()
    with pytest.raises(InputError, match="layer trap: this is a view; only stored layers are read"):
        read_layer(site, "trap")
    assert layer_names(site) == ("lot", "buildings", "trap")
    assert len(read_layer(site, "lot")) == 2
    assert time.monotonic() - started < 2.0


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("CREATE VIRTUAL TABLE trap USING rtree(id, a, b)", "a virtual table"),
        ("CREATE TABLE trap (fid INTEGER PRIMARY KEY, geom BLOB, "
         "big GENERATED ALWAYS AS (zeroblob(1000000000)))", "generated columns"),
        ("CREATE TABLE other (fid INTEGER)", "listed but not stored"),
    ],
)  # fmt: skip
def test_what_is_no_ordinary_table_is_refused(site: Path, statement: str, said: str) -> None:
    """Whatever is computed while it is read could be anything."""
    altered(site, statement, *as_view("SELECT 1")[1:])
    with pytest.raises(InputError, match=said):
        read_layer(site, "trap")


def test_a_list_of_layers_that_is_a_view_is_refused(site: Path) -> None:
    """The tables of the format itself must be stored."""
    altered(
        site,
        "ALTER TABLE gpkg_contents RENAME TO contents",
        "CREATE VIEW gpkg_contents AS SELECT * FROM contents",
    )
    with pytest.raises(InputError, match="gpkg_contents is a view"):
        layer_names(site)


def test_a_table_without_geometry_is_refused(site: Path) -> None:
    """A spreadsheet in the file is no layer, and does not count as one."""
    altered(
        site,
        "CREATE TABLE notes (fid INTEGER PRIMARY KEY, a INTEGER)",
        "INSERT INTO gpkg_contents (table_name, data_type, identifier) "
        "VALUES ('notes', 'attributes', 'notes')",
    )
    assert layer_names(site) == ("lot", "buildings")
    with pytest.raises(InputError, match="layer notes: this table has no geometry"):
        read_layer(site, "notes")


def test_a_layer_without_crs_is_refused(tmp_path: Path) -> None:
    """An undefined CRS, which the library gives a name, is none."""
    path = tmp_path / "site.gpkg"
    frame().to_file(path, layer="lot")
    altered(path, "UPDATE gpkg_geometry_columns SET srs_id = -1",
            "UPDATE gpkg_contents SET srs_id = -1")  # fmt: skip
    with pytest.raises(InputError, match="layer lot: the layer has no coordinate reference system"):
        read_layer(path)


def test_a_grid_in_feet_without_a_code_is_not_its_twin_in_metres(site: Path) -> None:
    """UTM in US survey feet: the library finds the code of UTM in metres for it."""
    metres = CRS.from_epsg(26918).to_wkt("WKT1_GDAL")
    foot = 0.304800609601219
    feet = metres.replace('UNIT["metre",1', f'UNIT["US survey foot",{foot}')
    feet = feet.replace('"false_easting",500000', f'"false_easting",{500_000 / foot!r}')
    feet = feet[: feet.rindex(',AUTHORITY["EPSG","26918"]')] + "]"
    altered(site, "UPDATE gpkg_spatial_ref_sys SET organization = 'NONE', "
                  f"definition = '{feet}' WHERE srs_id = 26918")  # fmt: skip
    assert pyogrio.read_dataframe(site, layer="lot").crs.axis_info[0].unit_name == "metre"
    read = read_layer(site, "lot").crs
    assert read.axis_info[0].unit_conversion_factor == pytest.approx(foot, rel=1e-9)
    x, _ = Transformer.from_crs(read, 26918, always_xy=True).transform(*LOT.centroid.coords[0])
    assert x == pytest.approx(LOT.centroid.x * foot, abs=1e-3)


@pytest.mark.parametrize("seed", range(40))
def test_damaged_geopackages_are_refused_or_read(site: Path, seed: int) -> None:
    """No mutant gives anything but rows or one error that names the file."""
    data = bytearray(site.read_bytes())
    chance = random.Random(seed)
    for _ in range(1 + seed % 4):
        place = chance.randrange(100, len(data) - 200)
        data[place : place + 200] = (
            chance.randbytes(200)
            if seed % 2
            else bytes([data[place] ^ 1]) + data[place + 1 : place + 200]
        )
    site.write_bytes(data)
    try:
        assert len(read_layer(site, "lot")) <= 2
    except InputError as error:
        assert all(fault.file == str(site) for fault in error.faults)  # noqa: PT017


def test_a_truncated_geopackage_is_refused(site: Path) -> None:
    """Half a database does not read."""
    data = site.read_bytes()
    site.write_bytes(data[: len(data) // 2])
    with pytest.raises(InputError, match="could not be read"):
        read_layer(site, "lot")


def geojson(path: Path, **given: Any) -> Path:
    """Write a GeoJSON file of one polygon in degrees."""
    ring = [[-77.05, 38.81], [-77.04, 38.81], [-77.04, 38.82], [-77.05, 38.81]]
    feature = {"type": "Feature", "properties": {"name": "lot"},
               "geometry": {"type": "Polygon", "coordinates": [ring]}}  # fmt: skip
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature], **given}))
    return path


def test_geojson_is_in_degrees_and_named_like_its_file(tmp_path: Path) -> None:
    """RFC 7946: WGS 84 unless the file says otherwise."""
    path = geojson(tmp_path / "my lot.geojson")
    assert layer_names(path) == ("my lot",)
    assert read_layer(path).crs.to_epsg() == 4326
    assert read_layer(path, "my lot")["name"].tolist() == ["lot"]
    with pytest.raises(InputError, match=r"Did you mean 'my lot'\?"):
        read_layer(path, "my lots")


def test_geojson_of_older_kind_may_state_its_crs(tmp_path: Path) -> None:
    """The crs member of GeoJSON 2008 is followed."""
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::26918"}}
    path = geojson(tmp_path / "lot.geojson", crs=crs)
    assert read_layer(path).crs.to_epsg() == 26918


def test_geojson_in_metres_without_crs_is_refused(tmp_path: Path) -> None:
    """Eastings are no longitudes: the most common fault of such files."""
    path = tmp_path / "lot.geojson"
    path.write_text(json.dumps(json.loads(frame().to_json(drop_id=True)) | {"crs": None}))
    with pytest.raises(InputError, match="holds other coordinates"):
        read_layer(path)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b'{"type": "FeatureCollection", "features": [', "could not be read"),
        (b'{"type": "FeatureCollection", "features": 3}', "no list"),
        (b'{"type": "FeatureCollection", "features": [], "x": NaN}', "NaN is no number"),
        (b'{"type": "FeatureCollection", "name": "\xff", "features": []}', "codec can't decode"),
        (b'{"a": ' + b"[" * 100_000 + b"]" * 100_000 + b"}", "could not be read"),
        (b'{"type": "Topology", "objects": {}}', "could not be read"),
        (b'{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {}, '
         b'"geometry": {"type": "Polygon", "coordinates": "here"}}]}', "of 1 shapes in the"),
    ],
    ids=["cut", "no list", "nan", "encoding", "deep", "other kind", "no coordinates"],
)  # fmt: skip
def test_damaged_geojson_is_refused(tmp_path: Path, content: bytes, said: str) -> None:
    """The library forgives much of this; each is one damage."""
    path = tmp_path / "lot.geojson"
    path.write_bytes(content)
    with pytest.raises(InputError, match=said):
        read_layer(path)


def test_a_virtual_layer_named_like_geojson_is_refused(tmp_path: Path, site: Path) -> None:
    """A file that points to another is not followed."""
    path = tmp_path / "lot.geojson"
    path.write_text(f"<OGRVRTDataSource><OGRVRTLayer name='lot'><SrcDataSource>{site}"
                    "</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>")  # fmt: skip
    with pytest.raises(InputError, match="virtual raster or layer"):
        read_layer(path)


def test_a_raster_is_no_layer(tmp_path: Path) -> None:
    """The lot must not be the elevation raster."""
    path = tmp_path / "dem.asc"
    path.write_text("ncols 2\nnrows 2\n")
    with pytest.raises(InputError, match="this is a raster"):
        read_layer(path)


@pytest.fixture
def shapefile(tmp_path: Path) -> Path:
    """A Shapefile with a name outside ASCII, in UTF-8."""
    path = tmp_path / "lot.shp"
    frame().to_file(path, encoding="utf-8")
    return path


def test_a_shapefile_is_read_with_its_parts(shapefile: Path) -> None:
    """CRS from .prj, names in the encoding that .cpg states."""
    found = read_layer(shapefile)
    assert (found.crs.to_epsg(), found["name"].tolist()) == (26918, ["lot", "Gärten"])
    assert layer_names(shapefile) == ("lot",)
    assert set(found.attrs["sha256"]) == {"lot.shp", "lot.shx", "lot.dbf", "lot.prj", "lot.cpg"}


@pytest.mark.parametrize("encoding", ["utf-8", "iso-8859-1"])
def test_a_shapefile_that_does_not_state_its_encoding_is_read_in_it(
    tmp_path: Path, encoding: str
) -> None:
    """UTF-8 and Latin-1 are told apart by the bytes."""
    path = tmp_path / "lot.shp"
    frame().to_file(path, encoding=encoding)
    path.with_suffix(".cpg").unlink()
    assert read_layer(path)["name"].tolist() == ["lot", "Gärten"]


@pytest.mark.parametrize(
    ("suffix", "said"),
    [
        (".prj", "no coordinate reference system .a Shapefile keeps it in the .prj part."),
        (".shx", "the Shapefile's part .shx is missing"),
        (".dbf", "the Shapefile's part .dbf is missing"),
    ],
)
def test_a_shapefile_without_a_part_is_refused(shapefile: Path, suffix: str, said: str) -> None:
    """Without .prj there is no CRS, without the others no layer."""
    shapefile.with_suffix(suffix).unlink()
    with pytest.raises(InputError, match=said):
        read_layer(shapefile)


def test_parts_with_upper_case_endings_belong_to_it(shapefile: Path) -> None:
    """Older programs write LOT.PRJ beside LOT.SHP."""
    for file in list(shapefile.parent.glob("lot.*")):
        file.rename(file.with_suffix(file.suffix.upper()))
    assert read_layer(shapefile.with_suffix(".SHP")).crs.to_epsg() == 26918


@pytest.mark.parametrize("suffix", [".gpkg", ".geojson", ".shp"])
@pytest.mark.parametrize(
    ("limits", "passes"),
    [
        (Limits(features=2, vertices=10), True),
        (Limits(features=1), False),
        (Limits(vertices=9), False),
        (Limits(vector_bytes=100), False),
    ],
)
def test_each_limit_holds_in_each_format(
    tmp_path: Path, suffix: str, limits: Limits, *, passes: bool
) -> None:
    """Two rings of five vertices pass their exact limits, and not one less."""
    path = tmp_path / f"lot{suffix}"
    frame().to_crs(4326).to_file(path)
    if passes:
        assert len(read_layer(path, limits=limits)) == 2
        return
    with pytest.raises(InputError, match=r"more than the limit|bytes, this is more"):
        read_layer(path, limits=limits)


@pytest.mark.parametrize("suffix", [".gpkg", ".geojson", ".shp"])
def test_columns_are_counted_before_they_are_read(tmp_path: Path, suffix: str) -> None:
    """Four columns beside the geometry pass a limit of four, and not one of three."""
    path = tmp_path / f"lot{suffix}"
    wide = frame().to_crs(4326)[["geometry"]].assign(a=1, b=2.5, c="x", d=3)
    wide.to_file(path)
    assert len(read_layer(path, limits=Limits(columns=4))) == 2
    with pytest.raises(InputError, match="holds 4 columns, more than the limit columns = 3"):
        read_layer(path, limits=Limits(columns=3))


def test_a_huge_projection_file_is_refused(tmp_path: Path) -> None:
    """A .prj of a Shapefile is a line of text, and is read as a whole."""
    path = tmp_path / "lot.shp"
    frame().to_file(path)
    size = path.with_suffix(".prj").stat().st_size
    assert len(read_layer(path, limits=Limits(side_file_bytes=size))) == 2
    with pytest.raises(InputError, match=r"lot\.prj: .*projection file"):
        read_layer(path, limits=Limits(side_file_bytes=size - 1))


@pytest.mark.parametrize(
    ("data", "limits", "says"),
    [
        (b'{"type": "Point", "coordinates": [1.0, 2.0]}' + b"[" * 18, Limits(vertices=8),
         "holds 9 positions or more"),
        (b'{"type": "LineString", "coordinates": [[1.0, 2.0], [-3, 4]]}', Limits(vertices=1),
         "holds 2 positions, more"),
        (b'{"features": [{"type": "Feature"}, {"type" :\n"Feature"}]}', Limits(features=1),
         "holds 2 features"),
    ],
)  # fmt: skip
def test_geojson_is_counted_before_it_is_parsed(
    monkeypatch: pytest.MonkeyPatch, data: bytes, limits: Limits, says: str
) -> None:
    """Parsing takes ten times as long, and a hundred times the memory."""
    monkeypatch.setattr(json, "loads", None)
    with pytest.raises(InputError, match=says):
        check_geojson(data, Path("lot.geojson"), limits)


def test_features_that_are_spelt_otherwise_are_counted_too() -> None:
    """JSON lets any letter be written as a number; such features show only when parsed."""
    feature = b'{"typ\\u0065": "Feature", "geometry": null}'
    data = b'{"type": "FeatureCollection", "features": [' + feature + b", " + feature + b"]}"
    assert check_geojson(data, Path("lot.geojson"), Limits(features=2))[0] == 2
    with pytest.raises(InputError, match="holds 2 features, more than the limit features = 1"):
        check_geojson(data, Path("lot.geojson"), Limits(features=1))


@pytest.mark.parametrize("make", [geojson, lambda path: frame().to_file(path) or path])
def test_the_folder_of_a_layer_stays_as_it_is(tmp_path: Path, make: Callable[[Path], Path]) -> None:
    """Reading leaves no file, no byte and no time changed."""
    path = make(tmp_path / ("lot.geojson" if make is geojson else "lot.shp"))
    before = folder_state(tmp_path)
    read_layer(path)
    assert folder_state(tmp_path) == before


def test_real_layers_are_read_as_published() -> None:
    """Feature counts of the Delft base map and the Alexandria footprints as their notes give."""
    data = Path(__file__).parents[2].parent / "shared" / "data"
    if not data.is_dir():
        pytest.skip("the real data are not at hand")
    delft = data / "delft-ahn3" / "bgt.gpkg"
    layers = read_layers(delft, dict.fromkeys(layer_names(delft), WHOLE))
    counts = {name: len(layer) for name, layer in layers.items()}
    assert counts == {"buildings": 160, "roads": 151, "terrain_bare": 80,
                      "terrain_vegetated": 126, "water": 4, "bridges": 3,
                      "barriers": 55}  # fmt: skip
    assert len(read_layer(data / "alexandria-va" / "buildings.geojson")) == 84


@pytest.mark.parametrize("name", ["lot.gpkg", "lot.geojson", "lot.shp"])
def test_the_hashes_are_of_what_was_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Another program replaces the file between its being found and read, and again after."""
    folders = [tmp_path / version for version in ("first", "second", "third")]
    for number, folder in enumerate(folders):
        folder.mkdir()
        frame(name=[f"{number}"] * 2).to_file(folder / name)
    digests = [
        {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}
        for folder in folders
    ]
    place = tmp_path / "place"
    shutil.copytree(folders[0], place)

    def put(version: Path) -> None:
        for path in version.iterdir():
            shutil.copy(path, place / path.name)

    def late_copy(path: Path, layers: dict[str, Part]) -> dict[str, geopandas.GeoDataFrame]:
        put(folders[1])
        return read_layers(path, layers)

    def late_reading(*arguments: Any, **options: Any) -> geopandas.GeoDataFrame:
        put(folders[2])
        return read(*arguments, **options)

    read = pyogrio.read_dataframe
    monkeypatch.setattr("lotflow.inputs.site.read_layers", late_copy)
    monkeypatch.setattr("lotflow.inputs.vectors.pyogrio.read_dataframe", late_reading)
    site = read_site({"lot": LayerFile(place / name, None)}, crs=CRS(26918), vertical_unit="m")
    assert set(site.lot["name"]) == {"1"}
    assert site.sources[0].hashes == digests[1]
