"""The layers a result holds."""

from __future__ import annotations

from typing import Final

from lotflow.layers.columns import Column, Layer, bounds, number
from lotflow.layers.result_drains import DRAIN_LAYERS
from lotflow.layers.result_ground import GROUND_LAYERS, QUANTITIES_TABLE
from lotflow.layers.result_water import WATER_LAYERS

_LABEL = Column("name", "Name shown in the result.")
_ID = Column("id", "Number of the row, largest or deepest first.", kind="whole")
_XY = (
    number("x", "unit of the CRS", "Easting."),
    number("y", "unit of the CRS", "Northing."),
)


def _tables_last(*layers: Layer) -> list[Layer]:
    """Put tables behind the layers with geometry, as a GeoPackage lists them."""
    return sorted(layers, key=lambda layer: not layer.geometries)


#: The layers of a result, in the order in which they are written.
RESULT_LAYERS: Final[dict[str, Layer]] = {
    layer.name: layer
    for layer in _tables_last(
        Layer(
            "lot",
            "The lot as it was read.",
            ("polygon",),
            (_LABEL, number("area_m2", "m2", "Area of the drawn boundary.")),
        ),
        Layer(
            "low_spots",
            "Where water can stand: whole depressions, all cells below their spill level.",
            ("polygon",),
            (
                _ID,
                *_XY,
                number("depth_m", "m", "Greatest depth below the spill level."),
                number("area_m2", "m2", "Area of all cells below the spill level."),
                number("volume_m3", "m3", "Volume below the spill level."),
                number("bed_elevation_m", "m", "Elevation of the deepest point."),
                number("spill_elevation_m", "m", "Elevation at which it overflows."),
                number("spill_x", "unit of the CRS", "Easting of the spill point."),
                number("spill_y", "unit of the CRS", "Northing of the spill point."),
                number("contributing_area_m2", "m2", "Area that drains to it."),
                number("runoff_to_fill_mm", "mm", "Runoff depth from that area that fills it."),
                number("on_lot_m2", "m2", "Its area within the lot."),
                number("soak_away_h", "h", "Time in which it soaks into the ground once full; "
                        "empty where the ground takes nothing, or was not looked at."),
                number("building_distance_m", "m", "Distance to the nearest building."),
                Column("inner_low_spots", "Number of low spots nested in it.", kind="whole"),
                Column("inlets", "Names of the inlets that drain it, joined by commas."),
                Column("artefact", "Why it may be no standing water at all; empty if nothing "
                       "speaks against it."),
                Column("cut_by_edge", "Whether its catchment is cut by the edge of the data.",
                       kind="yes_no"),
                Column("not_closed", "Whether the data that were read end before its basin "
                       "closes: depth, area, volume and overflow level are at least what is "
                       "given.", kind="yes_no"),
                number("probability", "1", "Share of realisations in which water stands within "
                        "its outline as deep as the limit; empty where fewer than 20 were run, "
                        "and under or between buildings."),
                *bounds("depth_m", "m", "greatest depth within its outline"),
                *bounds("volume_m3", "m3", "volume within its outline"),
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
                number("depth_m", "m", "Greatest depth below the sill."),
                number("volume_m3", "m3", "Volume below the sill."),
                number("bed_elevation_m", "m", "Elevation of the deepest point."),
                number("sill_elevation_m", "m", "Elevation at which it joins its neighbour."),
            ),
        ),
        Layer(
            "spill_points",
            "Where low spots overflow.",
            ("point",),
            (
                _ID,
                number("spill_elevation_m", "m", "Elevation at which the low spot overflows."),
            ),
        ),
        Layer(
            "flow_paths",
            "Where water runs, drawn downhill from confluence to confluence.",
            ("line",),
            (
                _ID,
                number("area_m2", "m2", "Contributing area at the lower end."),
                number("length_m", "m", "Length."),
                number("fall_m", "m", "Fall of the filled surface from end to end."),
                number("slope", "1", "Fall divided by length."),
                Column("order", "Strahler order.", kind="whole"),
                number("ponded_share", "1", "Share of it that crosses filled ground broader than "
                        "about 3 m, where the course is uncertain."),
                number("holds_share", "1", "Share of realisations in which the water on it goes to "
                        "the same inlet, or to none as here, mean of its cells; empty without "
                        "inlets or realisations."),
            ),
        ),
        Layer(
            "lot_line_crossings",
            "Where water comes onto the lot and leaves it. The same water may cross more than "
            "once: rows do not add up to the balance, which counts every cell once.",
            ("point",),
            (
                _ID,
                Column("direction", '"on" or "off" the lot.'),
                number("area_m2", "m2", "Contributing area of the flow that crosses there."),
                number("elevation_m", "m", "Ground elevation."),
            ),
        ),
        Layer(
            "inlets",
            "The inlets where they were drawn, and what they take.",
            ("point", "line", "polygon"),
            (
                Column("name", "Name."),
                Column("kind", "Kind of inlet."),
                *_XY,
                number("set_x", "unit of the CRS", "Easting of the cell whose "
                        "catchment it is given."),
                number("set_y", "unit of the CRS", "Northing of that cell."),
                number("moved_m", "m", "How far from its drawn place that cell was chosen, where "
                        "the water runs; 0 where it is its own."),
                number("ground_elevation_m", "m", "Ground elevation at the inlet."),
                number("rim_elevation_m", "m", "Level at which it takes water."),
                number("catchment_m2", "m2", "Ground and shed roofs that drain to it over the "
                        "surface."),
                number("catchment_before_move_m2", "m2", "The same where it was drawn."),
                number("roof_connected_m2", "m2", "Roof area led to it by downspouts."),
                number("on_lot_m2", "m2", "Part of the catchment on the lot."),
                number("off_lot_m2", "m2", "Part of the catchment off the lot."),
                Column("cut_by_edge", "Whether the catchment is cut by the edge of the data: at "
                       "least this much.", kind="yes_no"),
                Column("not_closed", "Whether its catchment, or the low spot it stands in, is "
                       "not closed by the data that were read.", kind="yes_no"),
                number("residual_depth_m", "m", "Depth that stays standing because the rim is "
                        "above the low point."),
                number("runoff_coefficient", "1", "Composite runoff coefficient of all that "
                        "reaches it, without frequency factor."),
                number("flow_m3s", "m3/s", "Rational flow of the design storm, or for the "
                        "stated intensity; empty without rain."),
                number("flow_per_10mm_h_m3s", "m3/s", "Rational flow for 10 mm/h."),
                *bounds("catchment_m2", "m2", "catchment over the surface"),
                *bounds("ground_flow_per_10mm_h_m3s", "m3/s", "rational flow over the surface for "
                        "10 mm/h, roofs led into drains left out"),
                Column("is_open", "Whether the data leave its catchment open, bounds and measured "
                       "surface apart by a factor of two or more: then read the bounds, not "
                       "catchment_m2 and the flows that follow from it.", kind="yes_no"),
                Column("catchment_told", "What to read: the catchment, or the range left open; "
                       "empty where nothing was drawn of the error."),
            ),
        ),
        Layer(
            "catchments",
            "The catchment of each inlet, outlines simplified without gaps; area from cells.",
            ("polygon",),
            (
                Column("name", "Name of the inlet."),
                number("area_m2", "m2", "Area, from cells."),
                Column("cut_by_edge", "Whether it is cut by the edge of the data.",
                       kind="yes_no"),
            ),
        ),
        Layer(
            "catchment_cells",
            "The same catchments as exact cells.",
            ("polygon",),
            (
                Column("name", "Name of the inlet."),
                number("area_m2", "m2", "Area, from cells."),
            ),
        ),
        Layer(
            "buildings",
            "Footprints as they were read.",
            ("polygon",),
            (_LABEL,),
        ),
        Layer(
            "contours",
            "Contours of the ground, no closer than the accuracy of the data bears.",
            ("line",),
            (
                number("elevation_m", "m", "Elevation."),
                Column("label", "Elevation in the units of the reports."),
                Column("kind", '"index" for every fifth, else "ordinary".'),
            ),
        ),
        *GROUND_LAYERS,
        *DRAIN_LAYERS,
        Layer(
            "runoff",
            "Runoff per inlet, node of the drains, downspout and low spot, storm and method.",
            (),
            (
                Column("subject", "Name of the inlet, node, downspout or low spot."),
                Column("kind", '"inlet", "node", "downspout" or "low spot".'),
                number("return_period_yr", "yr", "Return period; empty for a stated "
                        "intensity."),
                Column("method", '"rational" (peak), or "nrcs" (curve number, hydrograph of a '
                       "nested storm)."),
                number("area_m2", "m2", "Area, roofs led to it included."),
                number("runoff_coefficient", "1", "Runoff coefficient with frequency factor."),
                number("time_of_concentration_min", "min", "Time whose rain gives the peak; for "
                        "nrcs that of the slowest way."),
                number("intensity_mm_h", "mm/h", "Rainfall intensity."),
                number("flow_m3s", "m3/s", "Peak flow."),
                *bounds("flow_m3s", "m3/s", "catchment of the inlet, and so a smaller peak, at "
                        "this intensity"),
                number("volume_m3", "m3", "Runoff volume of the whole storm."),
                number("ca_m2", "m2", "Runoff coefficient times area that has arrived at the "
                        "peak."),
                number("total_ca_m2", "m2", "The same of all parts."),
                number("longest_way_m", "m", "Length of the slowest way."),
                number("kirpich_min", "min", "Its time by Kirpich, to compare."),
                number("faa_min", "min", "Its time by the Federal Aviation Administration, to "
                        "compare."),
                number("curve_number", "1", "Composite curve number."),
                number("runoff_depth_mm", "mm", "Mean depth of the runoff."),
                number("graphical_peak_m3s", "m3/s", "Peak by the graphical method of TR-55; "
                        "empty without a storm type."),
                number("release_m3s", "m3/s", "What the line that leaves it carries, flowing "
                        "full; empty where that is not known."),
                number("storage_m3", "m3", "Largest volume that is held back while no more than "
                        "the release leaves (modified rational method)."),
                number("storage_rain_min", "min", "Duration of the rain that fills it."),
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
                number("distance_m", "m", "In a straight line."),
                number("fall_m", "m", "Of the elevation data."),
                number("fall_m_p05", "m", "In 5 of 100 likely surfaces it is less; of fewer than "
                        "20 empty."),
                number("fall_m_p50", "m", "In half of them it is less."),
                number("fall_m_p95", "m", "In 95 of 100 it is less; of fewer than 20 empty."),
                number("slope", "1", "Fall divided by distance."),
                Column("is_certain", "Whether it falls that way in 95 of 100.", kind="yes_no"),
            ),
        ),
        *WATER_LAYERS,
        QUANTITIES_TABLE,
        Layer(
            "findings",
            "What the checks found, what can do most to people and house first.",
            (),
            (
                Column("rule", "Identifier of the rule."),
                Column("severity", '"fail", "warn" or "note".'),
                Column("subject", "What it is about."),
                Column("message", "What was found and what to do."),
                number("measured", "see unit", "What was measured."),
                number("limit", "see unit", "The limit."),
                Column("unit", "Unit of both."),
                Column("source", "Where the limit comes from."),
                number("area_m2", "m2", "Area it is about, of water."),
                number("volume_m3", "m3", "Volume of it."),
                Column("touches", "What that water stands on or against, with semicolons between."),
                Column(
                    "part_of",
                    "Rule and subject of the finding of the same cause under which it is listed; "
                    "empty for one that stands for itself.",
                ),
                Column("today", "Whether it is so only of the drains as they are, and no longer "
                       "as proposed.", kind="yes_no"),
                number("x", "unit of the CRS", "Easting, where it has a place."),
                number("y", "unit of the CRS", "Northing, where it has a place."),
                Column("rests_on", "Where the levels come from that it rests on: given, below rim, "
                       "from line, from ground, proposed, unknown; of drains alone. No failure "
                       "rests on a level that nobody gave."),
            ),
        ),
        Layer(
            "layer_styles",
            "How a viewer may draw the layers: open Styled Layer Descriptors.",
            (),
            (
                Column("f_table_name", "Layer."),
                Column("f_geometry_column", "Column of its geometry."),
                Column("styleName", "Name of the style."),
                Column("styleSLD", "The style."),
                Column("useAsDefault", "Whether it is the style to start with.", kind="yes_no"),
                Column("description", "What it is for."),
            ),
        ),
    )
}  # fmt: skip
