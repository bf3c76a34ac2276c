"""Inputs that point elsewhere: to another file, to the network, to text instead of a file."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from programme.small_job import CELLS, EPSG, layers, lot_geojson, write_job, write_raster


@dataclass(frozen=True)
class Elsewhere:
    """
    What an input may point to and lotflow must not go to.

    Parameters
    ----------
    raster, layer, text
        Files outside the job.
    url
        Of a server that counts.
    """

    raster: Path
    layer: Path
    text: Path
    url: str


Build = Callable[[Path, Elsewhere], None]


def _vrt(source: str, *, raw: bool = False) -> str:
    """A virtual raster over a source."""
    band = (
        f'<VRTRasterBand dataType="Byte" band="1" subClass="VRTRawRasterBand">'
        f'<SourceFilename relativeToVRT="0">{source}</SourceFilename><ImageOffset>0</ImageOffset>'
        f"<PixelOffset>1</PixelOffset><LineOffset>1</LineOffset></VRTRasterBand>" if raw else
        f'<VRTRasterBand dataType="Float32" band="1"><SimpleSource>'
        f'<SourceFilename relativeToVRT="0">{source}</SourceFilename><SourceBand>1</SourceBand>'
        f"</SimpleSource></VRTRasterBand>"
    )  # fmt: skip
    size = 8 if raw else CELLS
    return (f'<VRTDataset rasterXSize="{size}" rasterYSize="{size}"><SRS>EPSG:{EPSG}</SRS>'
            f"<GeoTransform>600000, 0.5, 0, 3300000, 0, -0.5</GeoTransform>{band}"
            "</VRTDataset>")  # fmt: skip


def _service(kind: str, url: str) -> str:
    """A description of a web service."""
    return {
        "WMS": f'<GDAL_WMS><Service name="TMS"><ServerUrl>{url}/${{z}}</ServerUrl></Service>'
               "<DataWindow><UpperLeftX>0</UpperLeftX><UpperLeftY>1</UpperLeftY>"
               "<LowerRightX>1</LowerRightX><LowerRightY>0</LowerRightY><SizeX>96</SizeX>"
               "<SizeY>96</SizeY></DataWindow><Projection>EPSG:26917</Projection></GDAL_WMS>",
        "WMTS": f"<GDAL_WMTS><GetCapabilitiesUrl>{url}/wmts</GetCapabilitiesUrl></GDAL_WMTS>",
        "WCS": f"<WCS_GDAL><ServiceURL>{url}/wcs?</ServiceURL><CoverageName>dem</CoverageName>"
               "</WCS_GDAL>",
        "WFS": f"<OGRWFSDataSource><URL>{url}/wfs</URL></OGRWFSDataSource>",
    }[kind]  # fmt: skip


def _ogr_vrt(source: str, sql: str = "") -> str:
    """A virtual layer over a source."""
    inner = f"<SrcSQL>{sql}</SrcSQL>" if sql else "<SrcLayer>lot</SrcLayer>"
    return (f'<OGRVRTDataSource><OGRVRTLayer name="lot"><SrcDataSource>{source}</SrcDataSource>'
            f"{inner}</OGRVRTLayer></OGRVRTDataSource>")  # fmt: skip


def _text(name: str, make: Callable[[Elsewhere], str]) -> Build:
    """Write text in the place of a file, or beside one."""
    return lambda job, elsewhere: _put(job / name, make(elsewhere))


def _put(path: Path, text: str) -> None:
    path.unlink(missing_ok=True)
    path.write_text(text, encoding="utf-8")


def _raster_named(make: Callable[[Elsewhere], str]) -> Build:
    """Name the raster so in the job."""

    def build(job: Path, elsewhere: Elsewhere) -> None:
        text = (job / "job.toml").read_text()
        name = json.dumps(make(elsewhere))
        (job / "job.toml").write_text(text.replace('"dem.tif"', name))

    return build


def _lot_named(make: Callable[[Elsewhere], str]) -> Build:
    """Name the lot so in the job."""
    return lambda job, elsewhere: _named_lot(job, make(elsewhere))


def _named_lot(job: Path, name: str) -> None:
    write_job(job, layer_lines=f"lot = {json.dumps(name)}")


def _link(name: str, target: Callable[[Elsewhere], Path]) -> Build:
    """Put a link in the place of a file, or beside one."""

    def build(job: Path, elsewhere: Elsewhere) -> None:
        (job / name).unlink(missing_ok=True)
        (job / name).symlink_to(target(elsewhere))

    return build


def _crs_member(make: Callable[[Elsewhere], dict[str, object]]) -> Build:
    """State a CRS in the GeoJSON file that is a reference."""

    def build(job: Path, elsewhere: Elsewhere) -> None:
        document = json.loads(lot_geojson())
        document["crs"] = make(elsewhere)
        (job / "lot.geojson").write_text(json.dumps(document))

    return build


def _definition(make: Callable[[Elsewhere], str]) -> Build:
    """Give the CRS of a GeoPackage a definition that is a reference."""

    def build(job: Path, elsewhere: Elsewhere) -> None:
        layers()["lot"].to_file(job / "site.gpkg", layer="lot", driver="GPKG")
        with closing(sqlite3.connect(job / "site.gpkg")) as database, database:
            database.execute(
                "UPDATE gpkg_spatial_ref_sys SET definition = ?, organization = 'x', "
                "organization_coordsys_id = 99999 WHERE srs_id = ?", (make(elsewhere), EPSG),
            )  # fmt: skip
        write_job(job, layer_lines='file = "site.gpkg"')

    return build


def _shapefile_prj(make: Callable[[Elsewhere], str]) -> Build:
    """Give a Shapefile a projection that is a reference."""

    def build(job: Path, elsewhere: Elsewhere) -> None:
        layers()["lot"].to_file(job / "lot.shp")
        (job / "lot.prj").write_text(make(elsewhere))
        write_job(job, layer_lines='lot = "lot.shp"')

    return build


def _grid_shift(elsewhere: Elsewhere) -> str:
    """A CRS whose shift of datum is a file elsewhere."""
    return ('GEOGCS["x",DATUM["x",SPHEROID["x",6378137,298],'
            f'EXTENSION["PROJ4_GRIDS","{elsewhere.text}"]],PRIMEM["Greenwich",0],'
            'UNIT["degree",0.0174532925199433]]')  # fmt: skip


def _placeless(suffix: str) -> Build:
    """Let the raster not say where it lies and put a link to text beside it."""
    left_out = "crs" if suffix == ".prj" else "transform"

    def build(job: Path, elsewhere: Elsewhere) -> None:
        write_raster(job / "dem.tif", **{left_out: None})
        (job / f"dem{suffix}").symlink_to(elsewhere.text)

    return build


def _grid_beside(job: Path, elsewhere: Elsewhere) -> None:
    """A projection beside the raster that shifts its datum by a file elsewhere."""
    write_raster(job / "dem.tif", crs=None)
    (job / "dem.prj").write_text(_projected(elsewhere))


def _projected(elsewhere: Elsewhere) -> str:
    """A projected CRS whose shift of datum is a file elsewhere."""
    return (f'PROJCS["x",{_grid_shift(elsewhere)},PROJECTION["Transverse_Mercator"],'
            'PARAMETER["latitude_of_origin",0],PARAMETER["central_meridian",-81],'
            'PARAMETER["scale_factor",0.9996],PARAMETER["false_easting",500000],'
            'PARAMETER["false_northing",0],UNIT["metre",1]]')  # fmt: skip


def _grid_inside(job: Path, elsewhere: Elsewhere) -> None:
    """The same within the raster."""
    write_raster(job / "dem.tif", crs=_projected(elsewhere), GEOTIFF_KEYS_FLAVOR="ESRI_PE")


def _crs_in_feature(key: str) -> Build:
    """Hide the reference in a geometry, under another spelling of its name."""

    def build(job: Path, elsewhere: Elsewhere) -> None:
        document = json.loads(lot_geojson())
        link = {"type": "link", "properties": {"href": f"{elsewhere.url}/crs", "type": "ogcwkt"}}
        document["features"][0]["geometry"]["hidden"] = link
        text = json.dumps(document).replace('"hidden"', key)
        (job / "lot.geojson").write_text(text)

    return build


def _twice(job: Path, elsewhere: Elsewhere) -> None:
    """State the CRS twice, the second time as a reference in capitals."""
    link = {"type": "LINK", "properties": {"HREF": f"{elsewhere.url}/crs", "type": "ogcwkt"}}
    text = lot_geojson().decode()
    (job / "lot.geojson").write_text(f'{text[:-1]}, "CRS": {json.dumps(link)}}}')


def _rain_named(make: Callable[[Elsewhere], str]) -> Build:
    def build(job: Path, elsewhere: Elsewhere) -> None:
        with (job / "job.toml").open("a") as stream:
            stream.write(f"[rainfall]\nfile = {json.dumps(make(elsewhere))}\n")

    return build


#: Changes to a small job, by what they are.
REDIRECTIONS: Final[dict[str, Build]] = {
    "VRT named .tif": _text("dem.tif", lambda e: _vrt(str(e.raster))),
    "VRT with a declaration": _text(
        "dem.tif", lambda e: f'<?xml version="1.0"?>\n{_vrt(str(e.raster))}'
    ),
    "VRT as raw bytes of a text": _text("dem.tif", lambda e: _vrt(str(e.text), raw=True)),
    "VRT to a URL": _text("dem.tif", lambda e: _vrt(f"{e.url}/dem.tif")),
    "VRT to /vsicurl": _text("dem.tif", lambda e: _vrt(f"/vsicurl/{e.url}/dem.tif")),
    "WMS named .tif": _text("dem.tif", lambda e: _service("WMS", e.url)),
    "WMTS named .tif": _text("dem.tif", lambda e: _service("WMTS", e.url)),
    "WCS named .tif": _text("dem.tif", lambda e: _service("WCS", e.url)),
    "tile index": _text(
        "dem.tif", lambda e: "<GDALTileIndexDataset><IndexDataset>"
        f"{e.layer}</IndexDataset></GDALTileIndexDataset>"
    ),
    "text of a VRT as path": _raster_named(lambda e: _vrt(str(e.raster))),
    "URL as raster": _raster_named(lambda e: f"{e.url}/dem.tif"),
    "URL with capital letters": _raster_named(lambda e: e.url.replace("http", "HTTP")),
    "/vsicurl as raster": _raster_named(lambda e: f"/vsicurl/{e.url}/dem.tif"),
    "/vsizip as raster": _raster_named(lambda e: f"/vsizip/{e.text}/dem.tif"),
    "//vsicurl as raster": _raster_named(lambda e: f"//vsicurl/{e.url}/dem.tif"),
    "zip:// as raster": _raster_named(lambda e: f"zip://{e.text}!dem.tif"),
    "GTIFF_DIR as raster": _raster_named(lambda e: f"GTIFF_DIR:1:{e.raster}"),
    "vrt:// as raster": _raster_named(lambda e: f"vrt://{e.raster}"),
    "NETCDF as raster": _raster_named(lambda e: f"NETCDF:{e.raster}:x"),
    "/vsisubfile as raster": _raster_named(lambda e: f"/vsisubfile/0,{e.raster}"),
    "overview beside that is a VRT": _text("dem.tif.ovr", lambda e: _vrt(str(e.raster))),
    "mask beside that is a VRT": _text("dem.tif.msk", lambda e: _vrt(str(e.raster))),
    ".aux.xml beside": _text(
        "dem.tif.aux.xml", lambda e: "<PAMDataset><SRS>EPSG:32633</SRS><GeoTransform>"
        f"0,1,0,0,0,-1</GeoTransform><Metadata domain=\"x\"><MDI key=\"a\">{e.url}</MDI></Metadata>"
        "</PAMDataset>"
    ),
    "world file beside that is a link": _link("dem.tfw", lambda e: e.text),
    ".prj beside that is a link": _link("dem.prj", lambda e: e.text),
    "RPC file beside that is a link": _link("dem_rpc.txt", lambda e: e.text),
    "metadata beside that is a link": _link("dem_metadata.txt", lambda e: e.text),
    "raster that is a link to a text": _link("dem.tif", lambda e: e.text),
    "needed .prj that is a link to a text": _placeless(".prj"),
    "needed world file that is a link to a text": _placeless(".tfw"),
    "needed .prj with a grid elsewhere": _grid_beside,
    "GeoTIFF with a grid elsewhere": _grid_inside,
    "virtual layer named .geojson": _text("lot.geojson", lambda e: _ogr_vrt(str(e.layer))),
    "virtual layer that changes its source": _text(
        "lot.geojson", lambda e: _ogr_vrt(str(e.layer), "DROP TABLE lot")
    ),
    "virtual layer to a URL": _text("lot.geojson", lambda e: _ogr_vrt(f"{e.url}/lot.geojson")),
    "WFS named .geojson": _text("lot.geojson", lambda e: _service("WFS", e.url)),
    "URL as lot": _lot_named(lambda e: f"{e.url}/lot.geojson"),
    "text of GeoJSON as path": _lot_named(lambda _: lot_geojson().decode()),
    "/vsicurl as lot": _lot_named(lambda e: f"/vsicurl/{e.url}/lot.geojson"),
    "lot that is a link to a text": _link("lot.geojson", lambda e: e.text),
    "CRS that is a link to a URL": _crs_member(
        lambda e: {"type": "link", "properties": {"href": f"{e.url}/crs", "type": "ogcwkt"}}
    ),
    "CRS of the kind url": _crs_member(
        lambda e: {"type": "url", "properties": {"url": f"{e.url}/crs"}}
    ),
    "CRS in capitals that is a link": _twice,
    "CRS of a geometry that is a link": _crs_in_feature('"crs"'),
    "CRS written with an escape": _crs_in_feature('"\\u0063rs"'),
    "CRS named by a URL": _crs_member(
        lambda e: {"type": "name", "properties": {"name": f"{e.url}/crs"}}
    ),
    "CRS named by a file": _crs_member(
        lambda e: {"type": "name", "properties": {"name": str(e.text)}}
    ),
    "definition of a CRS that is a URL": _definition(lambda e: f"{e.url}/crs"),
    "definition of a CRS that is a file": _definition(lambda e: str(e.text)),
    "definition of a CRS with a grid elsewhere": _definition(_grid_shift),
    "projection that is a URL": _shapefile_prj(lambda e: f"{e.url}/crs"),
    "projection with a grid elsewhere": _shapefile_prj(_grid_shift),
    "URL as rainfall": _rain_named(lambda e: f"{e.url}/rain.csv"),
    "/vsicurl as rainfall": _rain_named(lambda e: f"/vsicurl/{e.url}/rain.csv"),
}  # fmt: skip

#: Here the job itself names the link: it is opened like any named file, but nothing of it shown.
NAMED_LINKS: Final = frozenset(name for name in REDIRECTIONS if "that is a link to a text" in name)
