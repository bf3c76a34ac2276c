"""
Styles of the result's layers as Styled Layer Descriptors, for any viewer that reads the standard.

References
----------
OGC 02-070, Styled Layer Descriptor Implementation Specification 1.0.0; OGC 02-059, Filter
Encoding 1.0.0.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final, Literal

from lotflow.outputs import palette
from lotflow.scenarios import ALL_BLOCKED, LIMITED, OPEN
from lotflow.units import CARRIED, SHOWN, UnitSystem, after_number, from_si, shown, to_si

_SLD: Final = "http://www.opengis.net/sld"
_OGC: Final = "http://www.opengis.net/ogc"
_NAMESPACES: Final = {"": _SLD, "ogc": _OGC}

#: Labels of points and contours are shown from this scale on.
_LABEL_SCALE: Final = 1_000
#: Labels of outlines.
_OUTLINE_LABEL_SCALE: Final = 2_500

_Shape = Literal["circle", "square", "triangle", "cross"]


@dataclass(frozen=True)
class Figure:
    """A number of a row as a label shows it."""

    #: Its column.
    column: str
    #: What it is multiplied by, the decimals that are shown, and the unit that follows.
    factor: float
    decimals: int
    unit: str


def figure(column: str, quantity: str, units: UnitSystem) -> Figure:
    """
    Show a column as the reports do.

    Parameters
    ----------
    quantity
        Key of `lotflow.units.SHOWN`.

    Examples
    --------
    >>> figure("depth_m", "depth", "metric")
    Figure(column='depth_m', factor=1.0, decimals=2, unit=' m')
    """
    unit, decimals = SHOWN[quantity][units]
    factor = from_si(to_si(1.0, CARRIED[quantity]), unit)
    return Figure(column, float(f"{factor:.9g}"), decimals, after_number(unit))


@dataclass(frozen=True)
class Rule:
    """One rule of a style: which rows, and how they are drawn."""

    #: Shown in a legend.
    title: str
    #: Rows whose number lies from `low` up to below `high`; None for no bound. Without a
    #: column all rows.
    column: str = ""
    low: float | None = None
    high: float | None = None
    #: Rows whose text is this, instead of a range.
    equals: str = ""
    #: Colour of areas and points; empty for none.
    fill: str = ""
    fill_opacity: float = 1.0
    #: Colour, width [pixels] and dashes of lines and outlines; empty for none.
    stroke: str = ""
    width: float = 1.0
    dashes: str = ""
    #: Shape and size [pixels] of points; empty for lines and areas.
    mark: _Shape | Literal[""] = ""
    size: float = 10.0
    #: Column of degrees, clockwise from north, by which marks are turned; empty for none.
    turned_by: str = ""
    #: Whether lines bear arrows in the direction in which they are drawn.
    arrows: bool = False
    #: Columns whose texts are written beside, one below the other.
    label: tuple[str, ...] = ()
    #: Number written below them in the units of the reports, where a viewer can format numbers.
    figure: Figure | None = None
    #: Denominator of the smallest scale at which it is written.
    label_scale: int = _LABEL_SCALE


def depth_rules(units: UnitSystem, *label: str) -> tuple[Rule, ...]:
    """
    Give one rule per class of depth.

    Parameters
    ----------
    units
        "us" or "metric", of titles and labels.
    label
        Columns written beside, above the depth.
    """
    rules = []
    bounds = [bound for bound, _ in palette.DEPTHS]
    for position, (low, colour) in enumerate(palette.DEPTHS):
        high = bounds[position + 1] if position + 1 < len(bounds) else None
        upper = "" if high is None else f" to {shown(high, 'depth', units)}"
        rules.append(
            Rule(
                f"deep {shown(low, 'depth', units)}{upper}" if upper
                else f"deeper than {shown(low, 'depth', units)}",
                "depth_m", low, high, fill=colour, fill_opacity=0.75, stroke=palette.WATER_EDGE,
                width=0.7, label=label, label_scale=_OUTLINE_LABEL_SCALE,
                figure=figure("depth_m", "depth", units),
            )
        )  # fmt: skip
    return tuple(rules)


def _flow_rules(units: UnitSystem) -> tuple[Rule, ...]:
    """Wider lines where more ground drains to them."""
    bounds = (0.0, 200.0, 1_000.0, 5_000.0)
    rules = []
    for position, low in enumerate(bounds):
        high = bounds[position + 1] if position + 1 < len(bounds) else None
        upper = "" if high is None else f" to {shown(high, 'area', units)}"
        title = f"from {shown(low, 'area', units)}{upper}"
        rules.append(
            Rule(
                title,
                "area_m2",
                low,
                high,
                stroke=palette.FLOW,
                width=0.8 + 0.8 * position,
                arrows=position > 0,
            )
        )
    return tuple(rules)


#: Layers that have a style.
STYLED: Final = (
    "contours", "water", "catchments", "low_spots", "inner_low_spots", "buildings",
    "flow_paths", "flow_paths_today", "lot", "spill_points", "lot_line_crossings", "inlet_areas",
    "inlet_lines", "inlets", "drain_lines", "line_profiles", "nodes", "outlet_options",
    "observations", "ponds", "overflow_paths", "facades", "swale_ways", "openings",
    "levels_to_take", "shots", "earthwork_areas", "earthwork_lines",
    "earthwork_profiles", "stakes", "catchment_cells",
)  # fmt: skip


def layer_rules(units: UnitSystem) -> dict[str, tuple[Rule, ...]]:
    """
    Give the style of every layer that has one.

    Parameters
    ----------
    units
        "us" or "metric", of titles.
    """
    ink, drains = palette.INK, figure("area_m2", "area", units)
    return {
        "contours": (
            Rule("index contour", "kind", equals="index", stroke=palette.CONTOUR, width=1.1,
                 label=("label",)),
            Rule("contour", "kind", equals="ordinary", stroke=palette.CONTOUR, width=0.5),
        ),
        "water": (
            Rule("open water", fill=palette.OPEN_WATER, stroke=palette.WATER_EDGE, width=0.7,
                 label=("name",), label_scale=_OUTLINE_LABEL_SCALE),
        ),
        "catchments": tuple(
            Rule(f"catchment, tint {tint}", "tint", tint, tint + 1, fill=colour, fill_opacity=0.18,
                 stroke=colour, width=1.4, label_scale=_OUTLINE_LABEL_SCALE, label=("name",))
            for tint, colour in enumerate(palette.CATCHMENTS, 1)
        ),
        "low_spots": depth_rules(units, "id"),
        "inner_low_spots": (
            Rule("low spot within a larger one", fill=palette.WATER_EDGE, mark="circle", size=5),
        ),
        "buildings": (
            Rule("building", fill=palette.BUILDING, stroke=palette.BUILDING_EDGE),
        ),
        "flow_paths": _flow_rules(units),
        "flow_paths_today": tuple(
            replace(rule, dashes=palette.SHORT_DASHES) for rule in _flow_rules(units)
        ),
        "lot": (Rule("lot", stroke=palette.LOT, width=2.2, dashes=palette.LOT_DASHES),),
        "spill_points": (
            Rule("spill point", fill=palette.WATER_EDGE, mark="cross", size=8),
        ),
        "lot_line_crossings": (
            Rule("water comes onto the lot", "direction", equals="on", fill=palette.RUN_ON,
                 stroke=ink, mark="triangle", size=13, turned_by="bearing_deg", figure=drains),
            Rule("water leaves the lot", "direction", equals="off", fill=palette.RUN_OFF,
                 stroke=ink, mark="triangle", size=11, turned_by="bearing_deg", figure=drains),
        ),
        "inlet_areas": (Rule("inlet drawn as an area", fill=ink, fill_opacity=0.6, stroke=ink),),
        "inlet_lines": (Rule("channel drain", stroke=ink, width=4.0),),
        "inlets": (
            Rule("inlet", fill=ink, stroke="#ffffff", width=2.0, mark="square", size=10,
                 label=("name", "catchment_told")),
        ),
        **_drain_rules(units),
        **_water_rules(units),
        **_house_rules(units),
        "shots": (
            Rule("level that counts", "counts", equals="yes", fill=ink, mark="cross", size=8,
                 label=("name",), figure=figure("level_m", "elevation", units)),
            Rule("level that is compared", "counts", equals="check", fill=palette.NOT_TOLD,
                 mark="cross", size=8, label=("name",)),
            Rule("level left out", "counts", equals="no", fill=palette.NOT_TOLD, mark="cross",
                 size=5),
        ),
        **_earthwork_rules(units),
        "catchment_cells": (
            Rule("catchment, cell by cell", stroke=palette.NOT_TOLD, width=0.6),
        ),
    }  # fmt: skip


def _drain_rules(units: UnitSystem) -> dict[str, tuple[Rule, ...]]:
    """Drain lines with their nodes, and the ways that gravity might reach lower places."""
    pipe = palette.PIPE
    return {
        "drain_lines": (
            Rule("drain line as it is today", "scenario", equals="today", stroke=pipe, width=1.4,
                 dashes="5 4", arrows=True),
            Rule("drain line of the proposed system", "scenario", equals="proposed", stroke=pipe,
                 width=2.4, arrows=True, label=("name",),
                 figure=figure("slope_m_per_m", "slope", units)),
        ),
        "line_profiles": (
            Rule("step of a profile", fill=pipe, mark="circle", size=3),
        ),
        "nodes": (
            Rule("inlet", "kind", equals="inlet", fill=palette.INK, stroke="#ffffff",
                 mark="square", size=7),
            Rule("junction", "kind", equals="junction", fill="#ffffff", stroke=pipe,
                 mark="circle", size=7),
            Rule("loose end", "kind", equals="loose end", fill=palette.FAULT, mark="cross",
                 size=9),
            Rule("outlet", "kind", equals="outlet", fill=pipe, stroke="#ffffff", mark="circle",
                 size=11, label=("name",)),
        ),
        "outlet_options": _verdict_rules(
            ("not reachable", palette.FAULT, palette.SHORT_DASHES),
            ("cannot tell", palette.UNSURE, palette.UNSURE_DASHES),
            ("reachable", palette.NO_FAULT, ""), width=1.4,
        ),
    }  # fmt: skip


def _water_rules(units: UnitSystem) -> dict[str, tuple[Rule, ...]]:
    """Water that stands after storms and runs over, inlets open and all of them blocked."""
    cases = (
        ("with all inlets blocked", ALL_BLOCKED, palette.BLOCKED),
        ("with every inlet open", OPEN, palette.WATER_EDGE),
        ("with inlets that take no more than they can", LIMITED, palette.FLOW),
    )
    return {
        "observations": (
            Rule("water as it was seen", fill=palette.RUN_ON, stroke=palette.INK, mark="circle",
                 size=9, label=("name", "verdict"), figure=figure("depth_m", "depth", units)),
        ),
        "ponds": tuple(
            Rule(f"pond {words}", "scenario", equals=case, fill=colour, fill_opacity=0.4,
                 stroke=colour, width=0.8, label_scale=_LABEL_SCALE,
                 figure=figure("depth_m", "depth", units))
            for words, case, colour in cases
        ),
        "overflow_paths": tuple(
            Rule(f"overflow {words}", "scenario", equals=case, stroke=colour, width=1.8,
                 dashes="2 4", arrows=True)
            for words, case, colour in cases
        ),
    }  # fmt: skip


def _house_rules(units: UnitSystem) -> dict[str, tuple[Rule, ...]]:
    """Ground at the walls, and openings."""
    return {
        "facades": _verdict_rules(
            ("too narrow to tell", palette.NOT_TOLD, palette.DOTS),
            ("no fault seen", palette.NO_FAULT, palette.SHORT_DASHES),
            ("cannot tell", palette.UNSURE, palette.UNSURE_DASHES),
            ("too flat", palette.FAULT, ""), width=3.0,
        ),
        "swale_ways": (
            Rule("way for a swale", stroke=palette.SWALE, width=2.0, dashes="5 4", arrows=True),
        ),
        "openings": (
            Rule("opening of a building", fill="#ffffff", stroke=palette.FAULT, mark="square",
                 size=8, label=("name",), figure=figure("freeboard_m", "depth", units)),
        ),
        "levels_to_take": (
            Rule("level to take first", fill="#ffffff", stroke=palette.UNSURE, mark="circle",
                 size=8, label=("rank",)),
        ),
    }  # fmt: skip


def _earthwork_rules(units: UnitSystem) -> dict[str, tuple[Rule, ...]]:
    """Swales and berms, ground that is raised, rain gardens, and stakes to set out."""
    earth = palette.EARTH
    return {
        "earthwork_areas": (
            Rule("regraded ground", "kind", equals="regrade", fill=earth, fill_opacity=0.2,
                 stroke=earth, dashes="5 4", label=("name",)),
            Rule("fill", "kind", equals="fill", fill=earth, fill_opacity=0.4, stroke=earth,
                 label=("name",)),
            Rule("rain garden", "kind", equals="rain garden", fill=palette.NO_FAULT,
                 fill_opacity=0.3, stroke=palette.NO_FAULT, label=("name",)),
        ),
        "earthwork_lines": (
            Rule("berm", "kind", equals="berm", stroke=earth, width=4.0, label=("name",)),
            Rule("swale", "kind", equals="swale", stroke=palette.SWALE, width=3.0, arrows=True,
                 label=("name",), figure=figure("fall", "slope", units)),
        ),
        "earthwork_profiles": (
            Rule("step of a profile", fill=palette.SWALE, mark="circle", size=3),
        ),
        "stakes": (
            Rule("stake to set out", fill=palette.INK, mark="cross", size=7, label=("id",)),
        ),
    }  # fmt: skip


def _verdict_rules(*looks: tuple[str, str, str], width: float) -> tuple[Rule, ...]:
    """Lines by what a check found: verdict, colour and dashes; the last is drawn on top."""
    return tuple(
        Rule(verdict, "verdict", equals=verdict, stroke=colour, width=width, dashes=dashes)
        for verdict, colour, dashes in looks
    )


def sld_text(layer: str, rules: tuple[Rule, ...]) -> str:
    """
    Write the style of a layer.

    Parameters
    ----------
    rules
        In the order in which they are drawn.

    Examples
    --------
    >>> text = sld_text("lot", (Rule("lot", stroke="#b3123f"),))
    >>> "<Name>lot</Name>" in text, '<CssParameter name="stroke">#b3123f</CssParameter>' in text
    (True, True)
    """
    for prefix, address in _NAMESPACES.items():
        ET.register_namespace(prefix, address)
    root = ET.Element(f"{{{_SLD}}}StyledLayerDescriptor", {"version": "1.0.0"})
    named = _within(root, "NamedLayer")
    _within(named, "Name", layer)
    style = _within(named, "UserStyle")
    _within(style, "Name", layer)
    type_style = _within(style, "FeatureTypeStyle")
    for rule in rules:
        _rule(type_style, rule)
        if rule.label:
            _rule(type_style, rule, with_name=True)
    ET.indent(root, " ")
    return ET.tostring(root, encoding="unicode", xml_declaration=False) + "\n"


def _within(
    parent: ET.Element, name: str, text: str | None = None, **attributes: str
) -> ET.Element:
    """Add an element of the style language."""
    element = ET.SubElement(parent, f"{{{_SLD}}}{name}", attributes)
    element.text = text
    return element


def _rule(parent: ET.Element, rule: Rule, *, with_name: bool = False) -> None:
    """
    Write a rule, or the one for the same rows on maps large enough to name them.

    Each draws the whole symbol, at scales of its own: some viewers draw a row by one rule only.
    """
    element = _within(parent, "Rule")
    title = f"{rule.title}, with name" if with_name else rule.title
    _within(element, "Name", title)
    _within(element, "Title", title)
    _filter(element, rule)
    if rule.label:
        side = "MaxScaleDenominator" if with_name else "MinScaleDenominator"
        _within(element, side, str(rule.label_scale))
    _symbol(element, rule)
    if with_name:
        _label(element, rule)


def _symbol(element: ET.Element, rule: Rule) -> None:
    """Draw rows as marks, areas or lines."""
    if rule.mark:
        _point(element, rule)
    elif rule.fill:
        polygon = _within(element, "PolygonSymbolizer")
        _parameters(_within(polygon, "Fill"), _fill(rule))
        if rule.stroke:
            _parameters(_within(polygon, "Stroke"), _stroke(rule))
    else:
        _parameters(_within(_within(element, "LineSymbolizer"), "Stroke"), _stroke(rule))
        if rule.arrows:
            _arrows(element, rule)


def _arrows(element: ET.Element, rule: Rule) -> None:
    """Lay triangles along a line, turned with it; one stands on its base, so it is laid down."""
    stroke = _within(_within(element, "LineSymbolizer"), "Stroke")
    graphic = _within(_within(stroke, "GraphicStroke"), "Graphic")
    mark = _within(graphic, "Mark")
    _within(mark, "WellKnownName", "triangle")
    _parameters(_within(mark, "Fill"), {"fill": rule.stroke})
    _within(graphic, "Size", f"{5 + 2 * rule.width:g}")
    _within(graphic, "Rotation", "90")


def _filter(element: ET.Element, rule: Rule) -> None:
    """Write which rows a rule is for."""
    comparisons = list(_comparisons(rule))
    if not comparisons:
        return
    parent = ET.SubElement(element, f"{{{_OGC}}}Filter")
    if len(comparisons) > 1:
        parent = ET.SubElement(parent, f"{{{_OGC}}}And")
    for name, value in comparisons:
        comparison = ET.SubElement(parent, f"{{{_OGC}}}{name}")
        ET.SubElement(comparison, f"{{{_OGC}}}PropertyName").text = rule.column
        ET.SubElement(comparison, f"{{{_OGC}}}Literal").text = value


def _comparisons(rule: Rule) -> Iterator[tuple[str, str]]:
    """Give the comparisons of a rule."""
    if rule.equals:
        yield "PropertyIsEqualTo", rule.equals
    if rule.low is not None:
        yield "PropertyIsGreaterThanOrEqualTo", f"{rule.low:g}"
    if rule.high is not None:
        yield "PropertyIsLessThan", f"{rule.high:g}"


def _fill(rule: Rule) -> dict[str, str]:
    return {"fill": rule.fill, "fill-opacity": f"{rule.fill_opacity:g}"}


def _stroke(rule: Rule) -> dict[str, str]:
    stroke = {"stroke": rule.stroke or rule.fill, "stroke-width": f"{rule.width:g}"}
    return stroke | ({"stroke-dasharray": rule.dashes} if rule.dashes else {})


def _parameters(parent: ET.Element, parameters: dict[str, str]) -> None:
    """Write the parameters of a symbol."""
    for name, value in parameters.items():
        _within(parent, "CssParameter", value).set("name", name)


def _point(element: ET.Element, rule: Rule) -> None:
    """Draw rows as marks; on a line a viewer sets the mark at its middle."""
    graphic = _within(_within(element, "PointSymbolizer"), "Graphic")
    mark = _within(graphic, "Mark")
    _within(mark, "WellKnownName", rule.mark)
    _parameters(_within(mark, "Fill"), _fill(rule))
    if rule.stroke or rule.mark == "cross":
        _parameters(_within(mark, "Stroke"), _stroke(rule))
    _within(graphic, "Size", f"{rule.size:g}")
    if rule.turned_by:
        ET.SubElement(_within(graphic, "Rotation"), f"{{{_OGC}}}PropertyName").text = rule.turned_by


def _label(element: ET.Element, rule: Rule) -> None:
    """Write a column beside each row, with a pale halo."""
    symbol = _within(element, "TextSymbolizer")
    label = _within(symbol, "Label")
    for number, column in enumerate(rule.label):
        named = ET.SubElement(label, f"{{{_OGC}}}PropertyName")
        named.text, named.tail = column, "\n" if number + 1 < len(rule.label) else None
    _parameters(_within(symbol, "Font"), {"font-family": "sans-serif", "font-size": "11"})
    if rule.mark:
        point = _within(_within(symbol, "LabelPlacement"), "PointPlacement")
        shift = _within(point, "Displacement")
        _within(shift, "DisplacementX", "8")
        _within(shift, "DisplacementY", "8")
    halo = _within(symbol, "Halo")
    _within(halo, "Radius", "1.5")
    _parameters(_within(halo, "Fill"), {"fill": "#ffffff", "fill-opacity": "0.9"})
    _parameters(_within(symbol, "Fill"), {"fill": palette.INK})
