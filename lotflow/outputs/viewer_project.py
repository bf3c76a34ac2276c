"""
A project of the open-source viewer QGIS that opens a result as one map, in order and styled.

References
----------
QGIS project, user guide 3.22, "The QGS/QGZ format".
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from pyproj import CRS

from lotflow.outputs.viewer_styles import (
    VERSION,
    RasterLook,
    add_raster_style,
    add_style,
    add_titles,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from lotflow.outputs.styles import Rule

_KINDS: Final = {"point": "Point", "line": "Line", "polygon": "Polygon"}


@dataclass(frozen=True)
class Shown:
    """
    A layer of a project.

    Parameters
    ----------
    title
        In the list of layers.
    file
        Beside the project.
    layer
        In that file; empty for a raster.
    geometry
        "point", "line" or "polygon"; empty for a table or raster.
    look
        Rules of its style, or how a raster is coloured; empty for a table.
    on
        Whether it is drawn when the project opens.
    titles
        What its columns are called, by their name.
    rows
        Condition, in SQL, of the rows that are shown; empty for all.
    """

    title: str
    file: str
    layer: str = ""
    geometry: str = ""
    look: Sequence[Rule] | RasterLook | None = None
    on: bool = True
    titles: Mapping[str, str] = field(default_factory=dict)
    rows: str = ""


def viewer_project_text(
    title: str,
    groups: Sequence[tuple[str, Sequence[Shown]]],
    crs: CRS,
    extent: Sequence[float],
) -> str:
    """
    Write the project.

    Parameters
    ----------
    title
        Of the map.
    groups
        Layers by the name of their group, the topmost first.
    crs
        Of the map.
    extent
        West, south, east and north of what is shown first [unit of the CRS].

    Returns
    -------
    text
        The layers are named by files beside the project, so that the folder may be moved.
    """
    root = ET.Element("qgis", {"projectname": title, "version": VERSION})
    ET.SubElement(root, "homePath", {"path": ""})
    ET.SubElement(root, "title").text = title
    _crs(ET.SubElement(root, "projectCrs"), crs)
    tree = ET.SubElement(root, "layer-tree-group")
    listed = ET.SubElement(root, "projectlayers")
    order = ET.SubElement(root, "layerorder")
    number = 0
    for name, layers in groups:
        group = ET.SubElement(tree, "layer-tree-group", {
            "name": name, "expanded": "0" if not any(one.on for one in layers) else "1",
            "checked": "Qt::Checked",
        })  # fmt: skip
        for shown in layers:
            number += 1
            key = f"lotflow_layer_{number:02d}"  # one of ten letters or fewer is not read
            _listed(group, shown, key)
            _layer(listed, shown, key, crs)
            ET.SubElement(order, "layer", {"id": key})
    _canvas(root, crs, extent)
    properties = ET.SubElement(root, "properties")
    paths = ET.SubElement(properties, "Paths")
    ET.SubElement(paths, "Absolute", {"type": "bool"}).text = "false"
    ET.indent(root, " ")
    return ET.tostring(root, encoding="unicode") + "\n"


def _source(shown: Shown) -> str:
    layer = f"|layername={shown.layer}" if shown.layer else ""
    return f"./{shown.file}{layer}" + (f"|subset={shown.rows}" if shown.rows else "")


def _listed(group: ET.Element, shown: Shown, key: str) -> None:
    """The entry in the list of layers."""
    ET.SubElement(group, "layer-tree-layer", {
        "id": key, "name": shown.title, "source": _source(shown), "expanded": "0",
        "checked": "Qt::Checked" if shown.on else "Qt::Unchecked",
        "providerKey": "ogr" if shown.layer else "gdal",
    })  # fmt: skip


def _layer(parent: ET.Element, shown: Shown, key: str, crs: CRS) -> None:
    """The layer with its style."""
    kind = {"type": "vector", "geometry": _KINDS.get(shown.geometry, "No geometry"),
            "labelsEnabled": "1"} if shown.layer else {"type": "raster"}  # fmt: skip
    layer = ET.SubElement(parent, "maplayer", kind | {"autoRefreshEnabled": "0"})
    ET.SubElement(layer, "id").text = key
    ET.SubElement(layer, "datasource").text = _source(shown)
    ET.SubElement(layer, "layername").text = shown.title
    if shown.geometry or not shown.layer:
        _crs(ET.SubElement(layer, "srs"), crs)
    if shown.layer:
        ET.SubElement(layer, "provider", {"encoding": "UTF-8"}).text = "ogr"
        if shown.look and shown.geometry and not isinstance(shown.look, RasterLook):
            add_style(layer, shown.look, shown.geometry)
        add_titles(layer, shown.titles)
    else:
        ET.SubElement(layer, "provider").text = "gdal"
        if isinstance(shown.look, RasterLook):
            add_raster_style(layer, shown.look)


def _crs(parent: ET.Element, crs: CRS) -> None:
    system = ET.SubElement(parent, "spatialrefsys", {"nativeFormat": "Wkt"})
    ET.SubElement(system, "wkt").text = crs.to_wkt()
    if (code := crs.to_authority()) is not None:
        ET.SubElement(system, "authid").text = ":".join(code)


def _canvas(root: ET.Element, crs: CRS, extent: Sequence[float]) -> None:
    """What is shown first."""
    canvas = ET.SubElement(root, "mapcanvas", {"name": "theMapCanvas", "annotationsVisible": "1"})
    is_foot = "foot" in crs.axis_info[0].unit_name
    ET.SubElement(canvas, "units").text = "feet" if is_foot else "meters"
    box = ET.SubElement(canvas, "extent")
    for name, value in zip(("xmin", "ymin", "xmax", "ymax"), extent, strict=True):
        ET.SubElement(box, name).text = repr(float(value))
    ET.SubElement(canvas, "rotation").text = "0"
    _crs(ET.SubElement(canvas, "destinationsrs"), crs)
