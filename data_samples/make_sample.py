"""
Write the sample jobs: `python data_samples/make_sample.py [FOLDER]`.

One invented lot, told twice: `alder_court` in metres, `alder_court_us` in US survey feet. The
second is no resampling of the first: its coordinate system is the same projection with the
survey foot as unit, its cells are the same cells, its levels the same levels. So both must give
the same answer. Run again with the same library versions, the files come out byte for byte.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import geopandas
import numpy as np
import pandas as pd
import rasterio
from affine import Affine
from pyproj import CRS
from rasterio.features import rasterize
from sample_ground import CELL_M, COLUMNS, ROWS, Array, Block, elevation
from sample_site import Rows, site
from shapely import transform

from lotflow.layers import DRAWN_TABLES, QUANTITIES, Column, DrawnTable
from lotflow.outputs.drawing_tables import write_drawing
from lotflow.units import METRES_PER_US_SURVEY_FOOT, TO_SI, UnitSystem

#: Lower left corner in UTM zone 17 [m]. It lies in the open sea: nobody's lot is meant. Whole
#: multiples of 1200 m are whole US survey feet too.
ORIGIN: Final = (600_000.0, 3_300_000.0)
UTM_17: Final = CRS.from_epsg(26917)
PAVED: Final = ("asphalt", "concrete", "pavers")

JOB: Final = """\
# An invented lot; see the README beside this folder.
[job]
name = "14 Alder Court"
units = "{units}"
ground = "lawn"
soil_group = "C"

[elevation]
file = "dem.tif"          # declares its vertical unit itself
rmse_m = 0.10             # as of public lidar of quality level 2

[layers]
file = "site.gpkg"

[rainfall]
file = "rainfall.csv"     # NOAA Atlas 14, Pulaski VA
storms = [2, 10, 100]     # return periods in years
"""


def utm_17_in_feet() -> CRS:
    """Give the same projection with the US survey foot as unit; it has no number of its own."""
    feet = CRS.from_user_input(
        "+proj=tmerc +lat_0=0 +lon_0=-81 +k=0.9996 +x_0=500000 +y_0=0 +datum=NAD83 +units=us-ft"
    ).to_json_dict()
    feet["name"] = "NAD83 / UTM zone 17N in US survey feet"
    feet["base_crs"]["name"] = "NAD83"
    return CRS.from_json_dict(feet)


@dataclass(frozen=True)
class Edition:
    """
    One telling of the lot.

    Parameters
    ----------
    folder
        Its folder.
    report_units
        Units of its reports, as `job.toml` names them.
    crs
        Coordinate reference system.
    metres_per_unit
        Length of the unit of coordinates and elevations [m].
    elevation_unit
        What the raster calls that unit.
    suffix_choice
        Which of the two suffixes of a measured column is used: 0 metric, 1 US.
    """

    folder: str
    report_units: UnitSystem
    crs: CRS
    metres_per_unit: float
    elevation_unit: str
    suffix_choice: int

    def coordinates(self, xy_m: Array) -> Array:
        """Bring UTM coordinates [m] to the unit of this edition."""
        return (xy_m / self.metres_per_unit).round(6)


EDITIONS: Final = (
    Edition("alder_court", "metric", UTM_17, 1.0, "metre", 0),
    Edition(
        "alder_court_us", "us", utm_17_in_feet(), METRES_PER_US_SURVEY_FOOT, "US survey foot", 1
    ),
)


def on_the_ground(rows: Rows, block: Block) -> geopandas.GeoSeries:
    """Bring the geometries of rows from block coordinates to UTM, to the millimetre."""

    def to_utm(uv: Array) -> Array:
        return (block.to_xy(uv) + ORIGIN).round(3)

    return geopandas.GeoSeries([transform(row["geometry"], to_utm) for row in rows])


def cells_of(geometries: geopandas.GeoSeries) -> Any:
    """Tell which cells have their centre in one of the geometries."""
    shape = (ROWS, COLUMNS)
    return rasterize(geometries, out_shape=shape, transform=grid_transform(1.0)) > 0


def grid_transform(metres_per_unit: float) -> Affine:
    """Give the place and size of the cells in the unit of an edition."""
    cell = CELL_M / metres_per_unit
    north = (ORIGIN[1] + ROWS * CELL_M) / metres_per_unit
    return Affine(cell, 0.0, ORIGIN[0] / metres_per_unit, 0.0, -cell, north)


def sample_elevation(layers: dict[str, Rows], block: Block) -> Array:
    """Compute the ground of the block, smooth where it is paved or built over."""
    paved = [row for row in layers["covers"] if row["cover"] in PAVED]
    return elevation(
        block,
        cells_of(on_the_ground(layers["buildings"], block)),
        cells_of(on_the_ground(paved, block)),
    )


def write_elevation(path: Path, values_m: Array, edition: Edition) -> None:
    """Write the raster; its vertical unit is declared as the unit of the band."""
    profile = {
        "driver": "GTiff", "dtype": "float32", "count": 1, "width": COLUMNS, "height": ROWS,
        "crs": edition.crs.to_wkt(), "transform": grid_transform(edition.metres_per_unit),
        "nodata": -9999.0, "compress": "deflate", "zlevel": 9, "predictor": 3,
        "tiled": True, "blockxsize": 256, "blockysize": 256,
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as raster:
        raster.write((values_m / edition.metres_per_unit).astype(np.float32), 1)
        raster.set_band_unit(1, edition.elevation_unit)
        raster.set_band_description(1, "ground elevation")


def column_name_and_factor(column: Column, edition: Edition) -> tuple[str, float]:
    """
    Name a column as an edition writes it, and the SI size of its unit.

    Elevations are in the foot of the raster, everything else in the international foot.
    """
    if not column.quantity:
        return column.name, 1.0
    suffix = QUANTITIES[column.quantity][0][edition.suffix_choice]
    if column.quantity == "elevation":
        return f"{column.name}_{suffix}", edition.metres_per_unit
    return f"{column.name}_{suffix}", TO_SI[suffix]


def table_frame(
    table: DrawnTable, rows: Rows, block: Block, edition: Edition
) -> geopandas.GeoDataFrame:
    """Make a table with every column to draw in, in the units of an edition."""
    kinds: dict[str, Callable[[Any], Any]] = {
        "number": lambda values: pd.Series(values, dtype="float64"),
        "yes_no": lambda values: pd.Series(values, dtype="boolean"),
        "text": lambda values: pd.Series(values, dtype="object"),
        "date": lambda values: pd.Series(values, dtype="object"),
    }
    data = {}
    for column in table.columns:
        name, factor = column_name_and_factor(column, edition)
        values = kinds[column.kind]([row.get(column.name) for row in rows])
        data[name] = (values / factor).round(6) if column.kind == "number" else values
    geometry = transform(on_the_ground(rows, block).values, edition.coordinates)
    return geopandas.GeoDataFrame(data, geometry=geometry, crs=edition.crs)


def rows_of(table: DrawnTable, layers: dict[str, Rows]) -> Rows:
    """Give the rows of a layer that have the geometry of a table."""
    types = {"point": "Point", "line": "LineString", "polygon": "Polygon"}
    return [
        row
        for row in layers.get(table.layer.name, [])
        if row["geometry"].geom_type == types[table.geometry]
    ]


def write_site(path: Path, layers: dict[str, Rows], block: Block, edition: Edition) -> None:
    """Write the tables of the site into one GeoPackage, as `lotflow start` makes them."""
    path.unlink(missing_ok=True)
    rows = {name: rows_of(table, layers) for name, table in DRAWN_TABLES.items()}
    # on an invented lot nobody has seen water: its tables would only make the file larger
    left_out = [name for name, table in DRAWN_TABLES.items()
                if table.is_optional or table.layer.name == "observations"]  # fmt: skip
    tables = {
        name: table_frame(DRAWN_TABLES[name], some, block, edition)
        for name, some in rows.items()
        if some or name not in left_out
    }
    write_drawing(path, tables, edition.report_units)


def write_samples(folder: Path) -> None:
    """Write both editions; the rainfall table beside them is not made but published."""
    block, layers = Block(), site()
    values_m = sample_elevation(layers, block)
    for edition in EDITIONS:
        job = folder / edition.folder
        job.mkdir(parents=True, exist_ok=True)
        write_elevation(job / "dem.tif", values_m, edition)
        write_site(job / "site.gpkg", layers, block, edition)
        (job / "job.toml").write_text(JOB.format(units=edition.report_units), encoding="utf-8")


if __name__ == "__main__":
    write_samples(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
