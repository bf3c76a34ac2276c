"""The layers of a result in exactly the order, columns and types the schema declares."""

from __future__ import annotations

import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError

from lotflow.layers import CORE_LAYERS, RESULT_LAYERS, Column, Layer

#: Points and lines of a result have one part; an outline may have several.
_GEOMETRY_TYPES: Final[dict[tuple[str, ...], str]] = {
    ("point",): "Point",
    ("line",): "LineString",
    ("polygon",): "MultiPolygon",
}
_OF_ONE_PART: Final = (("point",), ("line",))
_FAMILIES: Final = {
    "Point": "point",
    "MultiPoint": "point",
    "LineString": "line",
    "MultiLineString": "line",
    "Polygon": "polygon",
    "MultiPolygon": "polygon",
}

#: What pandas calls the values each kind of column may hold.
_VALUES_OF_KIND: Final = {
    "text": {"string"},
    "number": {"floating", "integer", "mixed-integer-float"},
    "whole": {"integer"},
    "yes_no": {"boolean"},
    "date": {"string"},
}
_FILLER_OF_KIND: Final[dict[str, tuple[object, type]]] = {
    "text": ("", object),
    "number": (0.0, np.float64),
    "whole": (0, np.int64),
    "yes_no": (False, np.bool_),
    "date": ("", object),
}


@dataclass(frozen=True, eq=False)
class Table:
    """A layer ready to be written."""

    #: What the schema says of it.
    layer: Layer
    #: WKB per row, None where a row has none; None as a whole for a table without geometry.
    geometry: NDArray[np.object_] | None
    #: Per declared column, the values in its type.
    values: list[NDArray[Any]]
    #: Per declared column, where there is none and `values` holds a filler.
    absent: list[NDArray[np.bool_]]

    @property
    def row_id(self) -> str:
        """Name of the column that numbers the rows; viewers know that of the styles."""
        return "id" if self.layer.name == "layer_styles" else "fid"

    @property
    def geometry_type(self) -> str | None:
        """Name of the geometry type in the file; none for a table."""
        if self.geometry is None:
            return None
        return _GEOMETRY_TYPES.get(self.layer.geometries, "Unknown")


def typed_tables(
    layers: Mapping[str, pd.DataFrame], schema: Mapping[str, Layer] = RESULT_LAYERS
) -> list[Table]:
    """
    Bring the given layers into the schema's order and types.

    `layers`: GeoDataFrames, and DataFrames for the layers without geometry, by name.
    `schema`: that of a lot's result, or another.

    There is one per given layer, and of the core layers one without rows where it was not given.

    Raises TypeError if a layer is not declared, or its columns, types or geometries are not
    the declared ones.
    """
    unknown = set(layers) - set(schema)
    if unknown:
        raise TypeError(f"layers that are not declared: {sorted(unknown)}")
    return [
        _table(layer, layers.get(name))
        for name, layer in schema.items()
        if name in layers or name in CORE_LAYERS
    ]


def _table(layer: Layer, frame: pd.DataFrame | None) -> Table:
    """Bring one layer into the schema's columns and types."""
    names = [column.name for column in layer.columns]
    if frame is None:
        frame = pd.DataFrame(columns=pd.Index(names))
        geometry = np.empty(0, dtype=object)
    else:
        geometry = _geometry(layer, frame)
    given = set(frame.columns)
    if hasattr(frame, "crs"):
        given.discard(frame.geometry.name)
    if given != set(names):
        raise TypeError(f"columns of {layer.name} must be {names}, not {sorted(given)}")
    filled = [_filled(layer.name, column, frame[column.name]) for column in layer.columns]
    return Table(
        layer,
        geometry if layer.geometries else None,
        [values for values, _ in filled],
        [absent for _, absent in filled],
    )


def _geometry(layer: Layer, frame: pd.DataFrame) -> NDArray[np.object_]:
    """Geometries as two-dimensional WKB; an empty one counts as none."""
    if hasattr(frame, "crs") != bool(layer.geometries):
        raise TypeError(f"{layer.name} is declared with geometry {layer.geometries or 'none'}")
    if not layer.geometries:
        return np.empty(0, dtype=object)
    shapes = shapely.force_2d(np.asarray(frame.geometry.array, dtype=object))
    shapes[shapely.is_empty(shapes)] = None
    types = {shape.geom_type for shape in shapes if shape is not None}
    families = {_FAMILIES.get(name) for name in types}
    in_parts = any(name.startswith("Multi") for name in types)
    if not families <= set(layer.geometries) or (in_parts and layer.geometries in _OF_ONE_PART):
        raise TypeError(f"{layer.name} holds {sorted(types)}, declared is {layer.geometries}")
    if layer.geometries == ("polygon",):
        single = shapely.get_type_id(shapes) == shapely.GeometryType.POLYGON
        shapes[single] = [shapely.multipolygons([shape]) for shape in shapes[single]]
    wkb: NDArray[np.object_] = shapely.to_wkb(shapes, byte_order=1)
    return wkb


def _filled(
    layer: str, column: Column, series: pd.Series[Any]
) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Values of a column in its declared type, and where there is none but a filler."""
    absent = series.isna().to_numpy(dtype=bool)
    given = series.to_numpy(dtype=object)[~absent]
    found = pd.api.types.infer_dtype(given, skipna=False)
    if found == "floating" and column.kind == "whole" and all(value % 1 == 0 for value in given):
        found = "integer"
    if found not in {"empty", *_VALUES_OF_KIND[column.kind]}:
        raise TypeError(f"{layer}.{column.name} is declared {column.kind}, not {found}")
    filler, dtype = _FILLER_OF_KIND[column.kind]
    values: NDArray[Any] = np.full(len(series), filler, dtype)
    values[~absent] = given
    return values, absent


def common_crs(
    layers: Mapping[str, pd.DataFrame], schema: Mapping[str, Layer] = RESULT_LAYERS
) -> str:
    """
    WKT of the one horizontal CRS of all layers.

    The vertical part is left out: heights in the columns are metres, whatever it says. It is
    told in the older form where that can be: of the newer one GDAL takes a CRS in feet whose
    conversion bears a number of the EPSG for that number's CRS in metres.

    Raises TypeError if there is none, or not the same one everywhere.
    """
    systems = [frame.crs for name, frame in layers.items() if schema[name].geometries]
    known = {
        _wkt(crs.sub_crs_list[0] if crs.is_compound else crs)
        for crs in (CRS.from_user_input(system) for system in systems if system is not None)
    }
    if len(known) != 1 or None in systems:
        raise TypeError(f"the layers of a result have one CRS, not {sorted(known)}")
    return known.pop()


def _wkt(crs: CRS) -> str:
    """
    The older form where there is one, else the newer.

    A CRS without a number of its own is told without the numbers of its parts: from these GDAL
    takes a zone in feet for the one in metres.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pyproj warns of what the older form cannot say
        try:
            text = str(crs.to_wkt("WKT1_GDAL") or crs.to_wkt())
        except CRSError:
            return str(crs.to_wkt())
    return text if crs.to_authority() else re.sub(r',AUTHORITY\["\w+","\w+"\]', "", text)
