"""
Styles in the native language of the open-source viewer QGIS, which opens layers with them.

A viewer of that kind reads the table "layer_styles" of a GeoPackage by itself; it takes the style
in its own language where there is one, and the open one beside it where it is another viewer.

References
----------
QGIS project, user guide 3.22, "Rule-based renderer", "Rule-based labels", "QML - The QGIS style
file format".
"""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from lotflow.outputs import palette

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from lotflow.outputs.styles import Rule

#: The oldest version that is tried; newer ones read it.
VERSION: Final = "3.22.0"
#: Sizes are given in points, which look alike on screen and paper, a pixel of the open style.
_UNIT: Final = "Point"
_POINTS_PER_PIXEL: Final = 0.75
_MARKS: Final = {
    "circle": "circle", "square": "square", "triangle": "triangle", "cross": "cross2",
}  # fmt: skip


def viewer_style_text(
    rules: Sequence[Rule], geometry: str, titles: Mapping[str, str] | None = None
) -> str:
    """
    Write the style of a layer.

    Parameters
    ----------
    rules
        In the order in which they are drawn, the last on top.
    geometry
        "point", "line" or "polygon": an area that is only outlined is an area here.
    titles
        What columns are called in forms and tables, by their name.

    Returns
    -------
    text
        One document, with symbols, labels and titles.

    Examples
    --------
    >>> from lotflow.outputs.styles import Rule
    >>> text = viewer_style_text((Rule("lot", stroke="#b3123f"),), "polygon")
    >>> "RuleRenderer" in text, '"179,18,63,255"' in text
    (True, True)
    """
    root = ET.Element("qgis", {"version": VERSION, "styleCategories": "Symbology|Labeling|Fields"})
    add_style(root, rules, geometry)
    add_titles(root, titles or {})
    ET.indent(root, " ")
    return ET.tostring(root, encoding="unicode") + "\n"


def add_style(root: ET.Element, rules: Sequence[Rule], geometry: str) -> None:
    """
    Add symbols and labels to a document of the viewer.

    Parameters
    ----------
    root
        Of a style, or of a layer in a project.
    rules, geometry
        As for `viewer_style_text`.
    """
    renderer = ET.SubElement(
        root, "renderer-v2", {"type": "RuleRenderer", "symbollevels": "1", "enableorderby": "0"}
    )
    listed = ET.SubElement(renderer, "rules", {"key": "{rules}"})
    symbols = ET.SubElement(renderer, "symbols")
    for number, rule in enumerate(rules):
        told = {"key": f"{{{number}}}", "label": rule.title, "symbol": str(number)}
        if condition := _condition(rule):
            told["filter"] = condition
        ET.SubElement(listed, "rule", told)
        _symbol(symbols, rule, str(number), level=number, geometry=geometry)
    _labels(root, [rule for rule in rules if rule.label or rule.figure])


def add_titles(root: ET.Element, titles: Mapping[str, str]) -> None:
    """
    Add titles of columns to a document of the viewer.

    Parameters
    ----------
    root
        Of a style, or of a layer in a project.
    titles
        By the name of the column.
    """
    listed = ET.SubElement(root, "aliases")
    for name, title in titles.items():
        ET.SubElement(listed, "alias", {"field": name, "index": "", "name": title})


def _condition(rule: Rule) -> str:
    """Which rows a rule is for, as the viewer's expression."""
    column = f'"{rule.column}"'
    parts = []
    if rule.equals:
        parts.append(f"{column} = '{rule.equals}'")
    if rule.low is not None:
        parts.append(f"{column} >= {rule.low:g}")
    if rule.high is not None:
        parts.append(f"{column} < {rule.high:g}")
    return " AND ".join(parts)


def _colour(hexadecimal: str, opacity: float = 1.0) -> str:
    """Red, green, blue and opacity, 0 to 255."""
    red, green, blue = (int(hexadecimal[at : at + 2], 16) for at in (1, 3, 5))
    return f"{red},{green},{blue},{round(255 * opacity)}"


def _points(pixels: float) -> str:
    return f"{_POINTS_PER_PIXEL * pixels:g}"


def _map(parent: ET.Element, values: dict[str, str]) -> ET.Element:
    """Write options by name."""
    options = ET.SubElement(parent, "Option", {"type": "Map"})
    for name, value in values.items():
        ET.SubElement(options, "Option", {"name": name, "type": "QString", "value": value})
    return options


def _symbol(parent: ET.Element, rule: Rule, name: str, *, level: int, geometry: str) -> None:
    """Draw rows as marks, areas or lines."""
    if rule.mark:
        symbol = ET.SubElement(parent, "symbol", _is("marker", name))
        _mark(symbol, rule, level)
    elif rule.fill:
        symbol = ET.SubElement(parent, "symbol", _is("fill", name))
        edge = {"outline_style": "no"} if not rule.stroke else {
            "outline_style": "solid", "outline_color": _colour(rule.stroke),
            "outline_width": _points(rule.width), "outline_width_unit": _UNIT,
        }  # fmt: skip
        fill = {"color": _colour(rule.fill, rule.fill_opacity), "style": "solid"}
        _layer(symbol, "SimpleFill", level, fill | edge)
    elif geometry == "polygon":
        symbol = ET.SubElement(parent, "symbol", _is("fill", name))
        _line(symbol, rule, level)
    else:
        symbol = ET.SubElement(parent, "symbol", _is("line", name))
        _line(symbol, rule, level)


def _is(kind: str, name: str) -> dict[str, str]:
    return {"type": kind, "name": name, "alpha": "1", "clip_to_extent": "1", "force_rhr": "0"}


def _layer(parent: ET.Element, kind: str, level: int, values: dict[str, str]) -> ET.Element:
    """One layer of a symbol; a later rule lies on top of an earlier one."""
    layer = ET.SubElement(
        parent, "layer", {"class": kind, "enabled": "1", "locked": "0", "pass": str(level)}
    )
    _map(layer, values)
    return layer


def _line(symbol: ET.Element, rule: Rule, level: int) -> None:
    """A line with its dashes, and arrows along it where its direction is told."""
    values = {
        "line_color": _colour(rule.stroke), "line_width": _points(rule.width),
        "line_width_unit": _UNIT, "capstyle": "round" if not rule.dashes else "flat",
        "joinstyle": "round", "line_style": "solid",
    }  # fmt: skip
    if rule.dashes:
        dashes = ";".join(_points(float(length)) for length in rule.dashes.split())
        values |= {"use_custom_dash": "1", "customdash": dashes, "customdash_unit": _UNIT}
    _layer(symbol, "SimpleLine", level, values)
    if rule.arrows:
        arrow = _layer(symbol, "MarkerLine", level, {
            "placement": "interval", "interval": "36", "interval_unit": _UNIT,
            "offset_along_line": "18", "offset_along_line_unit": _UNIT, "rotate": "1",
        })  # fmt: skip
        inner = ET.SubElement(arrow, "symbol", _is("marker", f"@{symbol.get('name')}@1"))
        _layer(inner, "SimpleMarker", 0, {
            "name": "filled_arrowhead", "color": _colour(rule.stroke), "outline_style": "no",
            "size": _points(5.0 + 2.0 * rule.width), "size_unit": _UNIT,
        })  # fmt: skip


def _mark(symbol: ET.Element, rule: Rule, level: int) -> None:
    """A mark, turned by a column of degrees where one is named."""
    # an arrow tells its direction better than the triangle that the open style has
    is_arrow = bool(rule.turned_by) and rule.mark == "triangle"
    name, size = ("arrow", 1.5 * rule.size) if is_arrow else (_MARKS[rule.mark], rule.size)
    values = {
        "name": name, "color": _colour(rule.fill, rule.fill_opacity),
        "size": _points(size), "size_unit": _UNIT,
    }  # fmt: skip
    stroke = rule.stroke or (rule.fill if rule.mark == "cross" else "")
    if stroke:
        width = rule.width if rule.stroke else 2.0
        values |= {"outline_style": "solid", "outline_color": _colour(stroke),
                   "outline_width": _points(width), "outline_width_unit": _UNIT}  # fmt: skip
    else:
        values["outline_style"] = "no"
    layer = _layer(symbol, "SimpleMarker", level, values)
    if rule.turned_by:
        defined = ET.SubElement(layer, "data_defined_properties")
        _defined(defined, "angle", rule.turned_by)


def _defined(parent: ET.Element, name: str, column: str) -> None:
    """A property that is read from a column."""
    whole = ET.SubElement(parent, "Option", {"type": "Map"})
    ET.SubElement(whole, "Option", {"name": "name", "type": "QString", "value": ""})
    properties = ET.SubElement(whole, "Option", {"name": "properties", "type": "Map"})
    one = ET.SubElement(properties, "Option", {"name": name, "type": "Map"})
    for key, kind, value in (
        ("active", "bool", "true"), ("field", "QString", column), ("type", "int", "2"),
    ):  # fmt: skip
        ET.SubElement(one, "Option", {"name": key, "type": kind, "value": value})
    ET.SubElement(whole, "Option", {"name": "type", "type": "QString", "value": "collection"})


def _texts(rule: Rule) -> Iterator[str]:
    """Expressions of what is written beside a row; nothing where there is no value."""
    for column in rule.label:
        yield f"nullif(\"{column}\", '')"
    if one := rule.figure:
        number = f'"{one.column}"' + (f" * {one.factor!r}" if one.factor != 1.0 else "")
        yield f"format_number({number}, {one.decimals}) || '{one.unit}'"


def _labels(root: ET.Element, rules: Sequence[Rule]) -> None:
    """Names beside the rows, on maps large enough for them."""
    if not rules:
        return
    labeling = ET.SubElement(root, "labeling", {"type": "rule-based"})
    listed = ET.SubElement(labeling, "rules", {"key": "{labels}"})
    for number, rule in enumerate(rules):
        names = {"key": f"{{label {number}}}", "description": rule.title,
                "scalemaxdenom": str(rule.label_scale), "scalemindenom": "1"}  # fmt: skip
        if condition := _condition(rule):
            names["filter"] = condition
        one = ET.SubElement(listed, "rule", names)
        settings = ET.SubElement(one, "settings", {"calloutType": "simple"})
        # what is joined to nothing is nothing, and left out
        between = r", '\n' || " if rule.mark or rule.fill else ", ', ' || "
        told = f"trim(concat({between.join(_texts(rule))}))"
        style = ET.SubElement(settings, "text-style", {
            "fieldName": told,
            "isExpression": "1",
            "fontFamily": "sans-serif", "fontWeight": "50",
            "fontSize": "8", "fontSizeUnit": "Point",
            "textColor": _colour(palette.INK), "textOpacity": "1",
        })  # fmt: skip
        ET.SubElement(style, "text-buffer", {
            "bufferDraw": "1", "bufferSize": "1", "bufferSizeUnits": "Point",
            "bufferColor": _colour("#ffffff", 0.9), "bufferOpacity": "0.9",
        })  # fmt: skip
        placement = {"placement": "0" if rule.mark or rule.fill else "2", "dist": "2",
                     "distUnits": "Point"}  # fmt: skip
        ET.SubElement(settings, "placement", placement)
        ET.SubElement(settings, "rendering", {
            "scaleVisibility": "0", "drawLabels": "1", "displayAll": "0",
            "obstacle": "1" if rule.mark else "0",  # names may lie on areas
        })  # fmt: skip


@dataclass(frozen=True)
class RasterLook:
    """
    How a raster is coloured.

    Parameters
    ----------
    classes
        Upper bound of each class, its colour and what it is; none for shaded relief.
    opacity
        Of the whole.
    """

    classes: tuple[tuple[float, str, str], ...] = ()
    opacity: float = 1.0


def raster_style_text(look: RasterLook) -> str:
    """
    Write the style of a raster, to lie beside it.

    Parameters
    ----------
    look
        Its colours.

    Examples
    --------
    >>> "hillshade" in raster_style_text(RasterLook())
    True
    """
    root = ET.Element("qgis", {"version": VERSION, "styleCategories": "Symbology"})
    add_raster_style(root, look)
    ET.indent(root, " ")
    return ET.tostring(root, encoding="unicode") + "\n"


def add_raster_style(root: ET.Element, look: RasterLook) -> None:
    """
    Add the colours of a raster to a document of the viewer.

    Parameters
    ----------
    root
        Of a style, or of a layer in a project.
    look
        Its colours.
    """
    pipe = ET.SubElement(root, "pipe")
    told = {"opacity": f"{look.opacity:g}", "alphaBand": "-1", "band": "1"}
    if not look.classes:
        # between cells the ground is even: relief of cells as they are shows their edges alone
        ET.SubElement(ET.SubElement(pipe, "provider"), "resampling", {
            "enabled": "true", "zoomedInResamplingMethod": "cubicSpline",
            "zoomedOutResamplingMethod": "average", "maxOversampling": "4",
        })  # fmt: skip
        ET.SubElement(pipe, "rasterrenderer", told | {
            "type": "hillshade", "azimuth": "315", "angle": "45", "zfactor": "2",
            "multidirection": "1",
        })  # fmt: skip
        ET.SubElement(pipe, "resamplingStage").text = "provider"
        return
    renderer = ET.SubElement(pipe, "rasterrenderer", told | {
        "type": "singlebandpseudocolor", "classificationMin": "0",
        "classificationMax": f"{look.classes[-1][0]:g}",
    })  # fmt: skip
    shader = ET.SubElement(ET.SubElement(renderer, "rastershader"), "colorrampshader", {
        "colorRampType": "DISCRETE", "classificationMode": "1", "clip": "0",
    })  # fmt: skip
    for upper, colour, label in look.classes:
        ET.SubElement(shader, "item", {
            "value": "inf" if math.isinf(upper) else f"{upper:g}", "color": colour,
            "alpha": "255" if upper > 0 else "0", "label": label,
        })  # fmt: skip
