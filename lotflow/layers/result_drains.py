"""The layers of a result that are about drains."""

from __future__ import annotations

from typing import Final

from lotflow.layers.columns import Column, Layer


def _number(name: str, unit: str, meaning: str) -> Column:
    return Column(name, meaning, kind="number", unit=unit)


_CASE = Column("case", 'State of the drain system: "today" or "proposed".')
_STORM = _number("return_period_yr", "yr", "Return period of the storm.")

#: In the order in which they are written: a GeoPackage lists tables without shapes last.
DRAIN_LAYERS: Final[tuple[Layer, ...]] = (
    Layer(
        "drain_lines",
        "The drain lines, drawn downstream, with the levels they have or were proposed.",
        ("line",),
        (
            _CASE,
            Column("name", "Name."),
            Column("status", "As drawn."),
            Column("from_node", "Node at the upper end."),
            Column("to_node", "Node at the lower end."),
            Column("outlet", "Where its water leaves the drains."),
            Column("material", "Material, given or assumed."),
            _number("roughness", "s/m^(1/3)", "Manning n."),
            _number("diameter_m", "m", "Inside diameter, of two ends the narrower one."),
            _number("length_m", "m", "Length."),
            _number("invert_up_m", "m", "Invert at the upper end."),
            _number("invert_down_m", "m", "Invert at the lower end."),
            Column("invert_up_basis", "Where it comes from: given, below rim, proposed."),
            Column("invert_down_basis", "Where it comes from: given, below rim, proposed."),
            _number("fall_m", "m", "Fall from end to end; negative uphill."),
            _number("slope_m_per_m", "1", "Fall divided by length."),
            _number("minimum_slope_m_per_m", "1", "Least slope for its size."),
            _number("least_cover_m", "m", "Least ground above the crown anywhere."),
            _number("deepest_trench_m", "m", "Greatest depth of the invert below the ground."),
            _number("capacity_m3s", "m3/s", "Flowing full, clean."),
            _number("capacity_as_found_m3s", "m3/s", "With the sediment and water found in it."),
            _number("full_velocity_m_s", "m/s", "Velocity flowing full."),
            _number("design_storm_yr", "yr", "Storm it is sized for; empty without rain."),
            Column("required_size", "Smallest size on sale that carries that storm, as ordered; "
                   "empty where none does."),
            _number("required_invert_up_m", "m", "Invert at the upper end with that size."),
            _number("required_invert_down_m", "m", "Invert at the lower end with that size."),
            Column("failures", "Number of failures found about it.", kind="whole"),
        ),
    ),
    Layer(
        "nodes",
        "Inlets, junctions and outlets of the drains.",
        ("point",),
        (
            _CASE,
            Column("name", "Name."),
            Column("kind", "inlet, outlet, junction or loose end."),
            Column("detail", "Kind of inlet or outlet."),
            _number("ground_m", "m", "Ground elevation."),
            _number("rim_m", "m", "Level of the grate, or of the ground."),
            _number("invert_m", "m", "Invert of an outlet, or lip of an emitter, as given."),
            _number("available_fall_m", "m", "From an inlet to its outlet."),
            _number("available_fall_doubt_m", "m", "Half its 95 % interval."),
            _number("required_fall_m", "m", "Cover, pipe and least fall on the way."),
            _number("design_storm_yr", "yr", "Storm of the following columns."),
            _number("inflow_m3s", "m3/s", "Surface water that reaches an inlet."),
            _number("grate_depth_m", "m", "Water over the half clogged grate that takes it."),
            _number("water_m", "m", "Level of the water in the drain."),
            _number("below_rim_m", "m", "From that water up to the rim; negative above it."),
            _number("channel_depth_m", "m", "Greatest depth of the water in a channel drain."),
            _number("channel_freeboard_m", "m", "From that water up to its grate."),
            _number("longest_run_m", "m", "Longest run of it one outlet can serve."),
            _number("depth_one_end_m", "m", "Depth with the outlet at one end."),
            _number("depth_both_ends_m", "m", "Depth with outlets at both ends."),
            _number("depth_middle_m", "m", "Depth with the outlet in the middle."),
        ),
    ),
    Layer(
        "line_profiles",
        "Ground and pipe along each drain line, at steps of no more than a cell.",
        ("point",),
        (
            _CASE,
            Column("name", "Name of the line."),
            _number("distance_m", "m", "From its upper end."),
            _number("ground_m", "m", "Ground elevation."),
            _number("invert_m", "m", "Inside bottom of the pipe."),
            _number("crown_m", "m", "Inside top of the pipe."),
            _number("cover_m", "m", "Ground above the crown."),
            _number("trench_depth_m", "m", "Ground above the invert."),
        ),
    ),
    Layer(
        "line_storms",
        "What each drain line does in each storm.",
        (),
        (
            _CASE,
            Column("name", "Name of the line."),
            _STORM,
            _number("flow_m3s", "m3/s", "Peak flow."),
            _number("time_min", "min", "Duration of rain that gives it."),
            _number("runoff_area_m2", "m2", "Runoff coefficient times area that has arrived."),
            _number("capacity_m3s", "m3/s", "Flowing full, clean."),
            _number("flow_ratio", "1", "Flow beside capacity."),
            _number("depth_m", "m", "Depth of uniform flow; empty where surcharged."),
            _number("velocity_m_s", "m/s", "Velocity."),
            Column("surcharged", "Whether it carries the flow only under pressure.",
                   kind="yes_no"),
            _number("required_diameter_m", "m", "Inside diameter that just carries the flow when "
                    "full; empty without fall."),
            _number("water_up_m", "m", "Level of the water at its upper end."),
            _number("water_down_m", "m", "Level of the water at its lower end."),
        ),
    ),
    Layer(
        "outlet_storms",
        "What each storm brings to each outlet, and what that does there.",
        (),
        (
            _CASE,
            Column("name", "Name of the outlet."),
            Column("kind", "Kind of outlet."),
            _STORM,
            _number("flow_m3s", "m3/s", "Peak flow out of the lines."),
            _number("water_level_m", "m", "Water in what it runs into, as given."),
            _number("gutter_flow_m3s", "m3/s", "At a curb: with the lot's other outlets there and "
                    "the gutter's own flow, where given."),
            _number("gutter_spread_m", "m", "Width of the water along the curb."),
            _number("gutter_depth_m", "m", "Its depth at the curb."),
            _number("gutter_slope", "1", "Fall along the gutter."),
            Column("gutter_slope_basis", '"given" or "elevation data".'),
            _number("storage_needed_m3", "m3", "What a dry well must hold."),
            _number("storage_m3", "m3", "What it holds, as given."),
            _number("rain_h", "h", "Duration of the rain that fills it most."),
            _number("empties_h", "h", "Time in which that soaks away; empty where it never does."),
        ),
    ),
    Layer(
        "inlet_bypass",
        "What each inlet takes in each storm, and where the rest goes.",
        (),
        (
            _CASE,
            Column("name", "Name of the inlet."),
            _STORM,
            _number("arriving_m3s", "m3/s", "Peak from its own catchment over the ground; what "
                    "passes other inlets by is not added."),
            _number("depth_m", "m", "How deep water stands over it before it goes on."),
            _number("grate_m3s", "m3/s", "What its half clogged grate takes under that; empty "
                    "where its size is not known."),
            _number("line_m3s", "m3/s", "What its line carries, flowing full, less what is piped "
                    "to it; empty where not known."),
            _number("taken_m3s", "m3/s", "What it takes; empty where neither is known."),
            _number("passed_m3s", "m3/s", "What goes on over the ground; still counted in the "
                    "line's flow, on the safe side."),
            Column("limited_by", "What takes no more: grate or line; empty where all is taken."),
            Column("runs_to", "Where water goes that it does not take: an inlet, off the lot, or "
                   "stays on the ground."),
        ),
    ),
)  # fmt: skip
