"""The layers a result holds."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from lotflow.layers.columns import (
    Column,
    Geometry,
    Layer,
    bounds,
    level_from,
    number,
    position,
)
from lotflow.layers.result_drains import DRAIN_LAYERS
from lotflow.layers.result_ground import (
    AS_BUILT_TABLE,
    GROUND_LAYERS,
    QUANTITIES_TABLE,
    SHOTS_LAYER,
)
from lotflow.layers.result_water import WATER_LAYERS

_LABEL = Column("name", "Name shown in the result.")
_ID = Column("id", "Number of the row, largest or deepest first.", kind="whole", label="No.")
_XY = (
    position("x", "Easting."),
    position("y", "Northing."),
)


#: Titles of layers whose name does not say it in plain words.
_TITLES: Final = {
    "inner_low_spots": "Low spots within larger ones",
    "flow_paths_today": "Flow paths of today",
    "spill_points": "Where low spots run over",
    "lot_line_crossings": "Water over the lot line",
    "inlet_lines": "Channel drains and other long inlets",
    "inlet_areas": "Inlets drawn as areas",
    "catchments": "Catchments of inlets",
    "catchment_cells": "Catchments cell by cell",
    "water": "Open water",
    "outlet_options": "Ways for gravity to lower places",
    "earthwork_lines": "Swales and berms",
    "earthwork_areas": "Regraded and filled ground, rain gardens",
    "earthwork_profiles": "Profiles of swales and berms",
    "facades": "Ground at the walls",
    "swale_ways": "Ways for swales round buildings",
    "openings": "Openings of buildings",
    "levels_to_take": "Levels to take first",
    "stakes": "Stakes to set out",
    "nodes": "Ends and joints of drain lines",
    "line_profiles": "Profiles of drain lines",
    "line_storms": "Drain lines in each storm",
    "outlet_storms": "Outlets in each storm",
    "inlet_bypass": "Inlets in each storm",
    "runoff": "Runoff to inlets, nodes and low spots",
    "shots": "Levels measured on site",
    "falls": "Fall between places",
    "ponds": "Ponds after storms",
    "overflow_paths": "Overflow of ponds",
    "pond_cases": "Ponds with inlets open and blocked",
    "wall_water": "Water at walls and openings",
    "observations": "Water as it was seen",
    "inlet_intake": "What inlets take with others blocked",
    "quantities": "Quantities to order",
    "as_built": "Finished work as built",
    "layer_styles": "Looks of the layers",
}
#: Layers that every result has, with or without rows; others only where they have any.
CORE_LAYERS: Final = (
    "lot", "low_spots", "flow_paths", "inlets", "catchments", "runoff", "findings",
)  # fmt: skip


def _tables_last(*layers: Layer) -> list[Layer]:
    """Put tables behind the layers with geometry, as a GeoPackage lists them."""
    return sorted(layers, key=lambda layer: not layer.geometries)


def _shape_of_inlets(name: str, geometry: Geometry) -> Layer:
    """Declare inlets that were drawn longer than a point."""
    return Layer(
        name,
        "Of the inlets those that were drawn as "
        + ("lines." if geometry == "line" else "areas."),
        (geometry,),
        (
            Column("name", "Name."),
            Column("kind", "Kind of inlet."),
            number("catchment_m2", "area", "Ground and shed roofs that drain to it over the "
                   "surface."),
        ),
    )  # fmt: skip


def _flow_path_columns() -> tuple[Column, ...]:
    """Declare what is told of a flow path, in whichever state of the drains."""
    return (
        _ID,
        number("area_m2", "area", "Contributing area at the lower end.", label="Drains to its end"),
        number("length_m", "length", "Length."),
        number("fall_m", "elevation", "Fall of the filled surface from end to end."),
        number("slope", "ground_slope", "Fall divided by length."),
        Column("rank", "Strahler order.", kind="whole", label="Strahler order"),
        number("ponded_share", "share", "Share of it that crosses filled ground broader than "
               "about 3 m, where the course is uncertain.", label="Over filled ground"),
    )  # fmt: skip


#: The layers of a result, in the order in which they are written.
RESULT_LAYERS: Final[dict[str, Layer]] = {
    layer.name: replace(layer, title=_TITLES.get(layer.name, layer.title))
    for layer in _tables_last(
        Layer(
            "lot",
            "The lot as it was read.",
            ("polygon",),
            (_LABEL, number("area_m2", "area", "Area of the drawn boundary.")),
        ),
        Layer(
            "low_spots",
            "Where water can stand: whole depressions, all cells below their spill level.",
            ("polygon",),
            (
                _ID,
                *_XY,
                number("depth_m", "depth", "Greatest depth below the spill level."),
                number("area_m2", "area", "Area of all cells below the spill level."),
                number("volume_m3", "volume", "Volume below the spill level."),
                number("bed_elevation_m", "elevation", "Elevation of the deepest point.",
                       label="Deepest point"),
                number("spill_elevation_m", "elevation", "Elevation at which it overflows.",
                       label="Overflows at"),
                level_from("level_from", "its depth"),
                position("spill_x", "Easting of the spill point."),
                position("spill_y", "Northing of the spill point."),
                number("own_edge_m", "elevation", "Elevation of the lowest place on the way out "
                       "of it over the lot's own open ground: of its edge what an owner may cut "
                       "through. Empty where there is no such way.", label="Own edge"),
                position("own_edge_x", "Easting of that place."),
                position("own_edge_y", "Northing of that place."),
                number("behind_own_edge_m", "elevation", "Elevation to which water falls within "
                       "60 m behind that place: a cut to a lower level leads nowhere.",
                       label="Behind the own edge"),
                number("contributing_area_m2", "area", "Area that drains to it.",
                       label="Drains to it"),
                number("runoff_to_fill_mm", "rain_depth", "Runoff depth from that area that "
                       "fills it.", label="To fill"),
                number("on_lot_m2", "area", "Its area within the lot.", label="On the lot"),
                number("on_lot_depth_m", "depth", "Greatest depth below the spill level within "
                       "the lot.", label="Depth on the lot"),
                number("soak_away_h", "duration", "Time in which it soaks into the ground once "
                       "full; empty where the ground takes nothing, or was not looked at.",
                       label="Gone after"),
                number("building_distance_m", "distance", "Distance to the nearest building.",
                       label="To building"),
                Column("inner_low_spots", "Number of low spots nested in it.",
                       kind="whole", label="Nested in it"),
                Column("inlets", "Names of the inlets that drain it, joined by commas."),
                Column("artefact", "Why it may be no standing water at all; empty if nothing "
                       "speaks against it.", label="May be none"),
                Column("inside_building", "Whether it lies in a building: no water stands there.",
                       kind="yes_no"),
                Column("cut_by_edge", "Whether its catchment is cut by the edge of the data.",
                       kind="yes_no", label="Cut by the edge"),
                Column("not_closed", "Whether the data that were read end before its basin "
                       "closes: depth, area, volume and overflow level are at least what is "
                       "given.", kind="yes_no"),
                number("probability", "share", "Chance that it is there: from the share of "
                       "realisations in which water stands within its outline as deep as the "
                       "limit, and how much; empty where fewer than 20 were run, and under or "
                       "between buildings.", label="Chance"),
                *bounds("depth_m", "depth", "greatest depth within its outline"),
                *bounds("volume_m3", "volume", "volume within its outline"),
            ),
        ),
        Layer(
            "inner_low_spots",
            "Low spots nested in a larger one, up to the sill at which they join.",
            ("point",),
            (
                _ID,
                Column("low_spot", "The low spot they lie in.", kind="whole"),
                *_XY,
                number("depth_m", "depth", "Greatest depth below the sill."),
                number("volume_m3", "volume", "Volume below the sill."),
                number("bed_elevation_m", "elevation", "Elevation of the deepest point.",
                       label="Deepest point"),
                number("sill_elevation_m", "elevation", "Elevation at which it joins its "
                       "neighbour.", label="Joins at"),
            ),
        ),
        Layer(
            "spill_points",
            "Where low spots overflow.",
            ("point",),
            (
                _ID,
                number("spill_elevation_m", "elevation", "Elevation at which the low spot "
                       "overflows.", label="Overflows at"),
            ),
        ),
        Layer(
            "flow_paths",
            "Where water runs, drawn downhill from confluence to confluence; with all that is "
            "proposed.",
            ("line",),
            (
                *_flow_path_columns(),
                number("holds_share", "share", "Share of realisations in which the water on it "
                       "goes to the same inlet, or to none as here, mean of its cells; empty "
                       "without inlets or realisations.", label="Holds in"),
            ),
        ),
        Layer(
            "flow_paths_today",
            "Where water runs today, with the drains and the ground as they are; written where "
            "anything is proposed.",
            ("line",),
            _flow_path_columns(),
        ),
        Layer(
            "lot_line_crossings",
            "Where water comes onto the lot and leaves it. The same water may cross more than "
            "once: rows do not add up to the balance, which counts every cell once.",
            ("point",),
            (
                _ID,
                Column("direction", '"on" or "off" the lot.', label="Way", choices=("on", "off")),
                number("area_m2", "area", "Contributing area of the flow that crosses there.",
                       label="Drains to it"),
                number("elevation_m", "elevation", "Ground elevation.", label="Ground"),
                Column("bearing_deg", "Where the flow that crosses runs, clockwise from north.",
                       "number", unit="degrees", label="Runs towards"),
            ),
        ),
        Layer(
            "inlets",
            "The inlets, where they were drawn or at the middle of what was drawn, and what they "
            "take.",
            ("point",),
            (
                Column("name", "Name."),
                Column("kind", "Kind of inlet."),
                *_XY,
                position("set_x", "Easting of the cell whose catchment it is given."),
                position("set_y", "Northing of that cell."),
                number("moved_m", "length", "How far from its drawn place that cell was chosen, "
                       "where the water runs; 0 where it is its own."),
                number("ground_elevation_m", "elevation", "Ground elevation at the inlet.",
                       label="Ground"),
                number("rim_elevation_m", "elevation", "Level at which it takes water.",
                       label="Rim"),
                level_from("level_from", "that level"),
                number("catchment_m2", "area", "Ground and shed roofs that drain to it over the "
                       "surface."),
                number("catchment_before_move_m2", "area", "The same where it was drawn.",
                       label="Catchment where drawn"),
                number("roof_connected_m2", "area", "Roof area led to it by downspouts.",
                       label="Roofs led to it"),
                number("on_lot_m2", "area", "Part of the catchment on the lot.",
                       label="On the lot"),
                number("off_lot_m2", "area", "Part of the catchment off the lot.",
                       label="Off the lot"),
                Column("cut_by_edge", "Whether the catchment is cut by the edge of the data: at "
                       "least this much.", kind="yes_no", label="Cut by the edge"),
                Column("not_closed", "Whether its catchment, or the low spot it stands in, is "
                       "not closed by the data that were read.", kind="yes_no"),
                number("residual_depth_m", "depth", "Depth that stays standing because the rim "
                       "is above the low point.", label="Left standing"),
                number("runoff_coefficient", "ratio", "Composite runoff coefficient of all that "
                       "reaches it, without frequency factor."),
                number("flow_m3s", "flow", "Rational flow of the design storm, or for the stated "
                       "intensity; empty without rain."),
                number("flow_per_10mm_h_m3s", "flow", "Rational flow for 10 mm/h.",
                       label="Flow per 10 mm/h"),
                *bounds("catchment_m2", "area", "catchment over the surface"),
                *bounds("ground_flow_per_10mm_h_m3s", "flow", "rational flow over the surface "
                        "for 10 mm/h, roofs led into drains left out"),
                Column("is_open", "Whether the data leave its catchment open, bounds and "
                       "ground as routed apart by a factor of two or more: then read the bounds, "
                       "not catchment_m2 and the flows that follow from it.",
                       kind="yes_no", label="Left open"),
                Column("catchment_told", "What to read: the catchment, or the range left open; "
                       "empty where nothing was drawn of the error.", label="Catchment as told"),
            ),
        ),
        _shape_of_inlets("inlet_lines", "line"),
        _shape_of_inlets("inlet_areas", "polygon"),
        Layer(
            "catchments",
            "The catchment of each inlet, outlines simplified without gaps; area from cells.",
            ("polygon",),
            (
                Column("name", "Name of the inlet."),
                number("area_m2", "area", "Area, from cells."),
                Column("cut_by_edge", "Whether it is cut by the edge of the data.",
                       kind="yes_no", label="Cut by the edge"),
                Column("tint", "1 to 6 in the order of the inlets, to tell neighbours apart.",
                       kind="whole"),
            ),
        ),
        Layer(
            "catchment_cells",
            "The same catchments as exact cells.",
            ("polygon",),
            (
                Column("name", "Name of the inlet."),
                number("area_m2", "area", "Area, from cells."),
            ),
        ),
        Layer(
            "buildings",
            "Footprints as they were read.",
            ("polygon",),
            (_LABEL,),
        ),
        Layer(
            "water",
            "Open water and ground that always takes flow, as it was read.",
            ("polygon",),
            (_LABEL,),
        ),
        Layer(
            "contours",
            "Contours of the ground, no closer than the accuracy of the data bears.",
            ("line",),
            (
                number("elevation_m", "elevation", "Elevation."),
                Column("label", "Elevation in the units of the reports."),
                Column("kind", '"index" for every fifth, else "ordinary".',
                       choices=("index", "ordinary")),
            ),
        ),
        *GROUND_LAYERS,
        *DRAIN_LAYERS,
        SHOTS_LAYER,
        Layer(
            "runoff",
            "Runoff per inlet, node of the drains, downspout and low spot, storm and method.",
            (),
            (
                Column("subject", "Name of the inlet, node, downspout or low spot."),
                Column("kind", '"inlet", "node", "downspout" or "low spot".'),
                number("return_period_yr", "return_period", "Return period; empty for a stated "
                       "intensity.", label="Storm"),
                Column("method", '"rational" (peak), or "nrcs" (curve number, hydrograph of a '
                       "nested storm)."),
                number("area_m2", "area", "Area, roofs led to it included."),
                number("runoff_coefficient", "ratio", "Runoff coefficient with frequency factor."),
                number("time_of_concentration_min", "rain_time", "Time whose rain gives the "
                       "peak; for nrcs that of the slowest way."),
                number("intensity_mm_h", "rain", "Rainfall intensity."),
                number("flow_m3s", "flow", "Peak flow."),
                *bounds("flow_m3s", "flow", "catchment of the inlet, and so a smaller peak, at "
                        "this intensity"),
                number("volume_m3", "volume", "Runoff volume of the whole storm."),
                number("ca_m2", "area", "Runoff coefficient times area that has arrived at the "
                       "peak.", label="C times area"),
                number("total_ca_m2", "area", "The same of all parts."),
                number("longest_way_m", "distance", "Length of the slowest way."),
                number("kirpich_min", "rain_time", "Its time by Kirpich, to compare.",
                       label="Time by Kirpich"),
                number("faa_min", "rain_time", "Its time by the Federal Aviation Administration, "
                       "to compare.", label="Time by the FAA"),
                number("curve_number", "curve_number", "Composite curve number."),
                number("runoff_depth_mm", "rain_depth", "Mean depth of the runoff."),
                number("graphical_peak_m3s", "flow", "Peak by the graphical method of TR-55; "
                       "empty without a storm type.", label="Peak by TR-55"),
                number("release_m3s", "flow", "What the line that leaves it carries, flowing "
                       "full; empty where that is not known.", label="Released"),
                number("storage_m3", "volume", "Largest volume that is held back while no more "
                       "than the release leaves (modified rational method).", label="Held back"),
                number("storage_rain_min", "rain_time", "Duration of the rain that fills it.",
                       label="Rain that fills it"),
                Column("note", "What decides, or was assumed."),
            ),
        ),
        Layer(
            "falls",
            "Fall of the ground between any two inlets, outlets, openings and low spots, and how "
            "sure it is.",
            (),
            (
                Column("from_place", "The higher one, as measured."),
                Column("from_kind", '"inlet", "outlet", "opening" or "low spot".'),
                Column("to_place", "The lower one."),
                Column("to_kind", "As above."),
                number("distance_m", "distance", "In a straight line."),
                number("fall_m", "elevation", "Of the elevation data."),
                number("fall_m_p05", "elevation", "In 5 of 100 likely surfaces it is less; of "
                       "fewer than 20 empty."),
                number("fall_m_p50", "elevation", "In half of them it is less."),
                number("fall_m_p95", "elevation", "In 95 of 100 it is less; of fewer than 20 "
                       "empty."),
                number("slope", "ground_slope", "Fall divided by distance."),
                Column("is_certain", "Whether it falls that way in 95 of 100.",
                       kind="yes_no", label="Certain"),
            ),
        ),
        *WATER_LAYERS,
        QUANTITIES_TABLE,
        AS_BUILT_TABLE,
        Layer(
            "findings",
            "What the checks found, what can do most to people and house first.",
            (),
            (
                Column("rule", "Identifier of the rule."),
                Column("severity", '"fail", "warn" or "note".', label="Weight",
                       choices=("fail", "warn", "note")),
                Column("subject", "What it is about."),
                Column("message", "What was found and what to do.", label="Finding"),
                Column("measured", "What was measured.", "number", unit="see unit"),
                Column("limit_value", "The limit.", "number", unit="see unit", label="Limit",
                       key="limit"),
                Column("unit", "Unit of both."),
                Column("source", "Where the limit comes from."),
                number("area_m2", "area", "Area it is about, of water."),
                number("volume_m3", "volume", "Volume of it."),
                Column("touches", "What that water stands on or against, with semicolons "
                       "between.", label="Stands at or on"),
                Column("part_of", "Rule and subject of the finding of the same cause under which "
                       "it is listed; empty for one that stands for itself."),
                Column("today", "Whether it is so only of the drains as they are, and no longer "
                       "as proposed.", kind="yes_no"),
                position("x", "Easting, where it has a place."),
                position("y", "Northing, where it has a place."),
                Column("rests_on", "Where the levels come from that it rests on: given, below "
                       "rim, from line, from ground, proposed, unknown; of drains alone. No "
                       "failure rests on a level that nobody gave."),
            ),
        ),
        Layer(
            "layer_styles",
            "How viewers draw the layers: the style of the open-source viewer QGIS, which opens "
            "the layers with it, and beside it the open Styled Layer Descriptor.",
            (),
            (
                Column("f_table_catalog", "Empty.", label="Catalog"),
                Column("f_table_schema", "Empty.", label="Schema"),
                Column("f_table_name", "Layer.", label="Layer"),
                Column("f_geometry_column", "Column of its geometry.", label="Geometry column"),
                Column("styleName", "Name of the style.", label="Style"),
                Column("styleQML", "The style in the viewer's language.", label="Style as QML"),
                Column("styleSLD", "The style as Styled Layer Descriptor.", label="Style as SLD"),
                Column("useAsDefault", "Whether it is the style to start with.", kind="yes_no",
                       label="Default"),
                Column("description", "What it is for."),
                Column("owner", "Who made it."),
                Column("ui", "Empty.", label="Form"),
                Column("update_time", "A fixed date, so that the same result has the same bytes."),
            ),
        ),
    )
}  # fmt: skip
