"""The layers of a result that are about drains."""

from __future__ import annotations

from typing import Final

from lotflow.layers.columns import Column, Layer, bounds, level_from, number

_CASE = Column(
    "scenario",
    'State of the drain system: "today" or "proposed".',
    label="System",
    key="case",
    choices=("today", "proposed"),
)
_BASIS: Final = (
    "Where it comes from: given; below rim, that was given; from line, given of another line that "
    "meets there; from ground, the elevation data, with or without a depth given below it; "
    "proposed; unknown."
)
_STORM = number("return_period_yr", "return_period", "Return period of the storm.", label="Storm")

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
            Column("from_node", "Node at the upper end.", label="From"),
            Column("to_node", "Node at the lower end.", label="To"),
            Column("outlet", "Where its water leaves the drains."),
            Column("material", "Material, given or assumed."),
            number("roughness", "roughness", "Manning n.", unit="s/m^(1/3)"),
            number("diameter_m", "diameter", "Inside diameter, of two ends the narrower one.",
                   label="Bore"),
            number("length_m", "length", "Length."),
            number("invert_up_m", "elevation", "Invert at the upper end."),
            number("invert_down_m", "elevation", "Invert at the lower end."),
            Column("invert_up_basis", _BASIS),
            Column("invert_down_basis", _BASIS),
            level_from("level_up_from", "the invert at the upper end", "Upper invert from"),
            level_from("level_down_from", "the invert at the lower end", "Lower invert from"),
            number("fall_m", "elevation", "Fall from end to end; negative uphill."),
            number("slope_m_per_m", "slope", "Fall divided by length."),
            number("minimum_slope_m_per_m", "slope", "Least slope for its size.",
                   label="Least slope"),
            number("least_cover_m", "elevation", "Least ground above the crown anywhere."),
            number("deepest_trench_m", "elevation", "Greatest depth of the invert below the "
                   "ground."),
            number("capacity_m3s", "flow", "Flowing full, clean.", label="Can carry"),
            number("capacity_as_found_m3s", "flow", "With the sediment and water found in it."),
            number("full_velocity_m_s", "velocity", "Velocity flowing full.",
                   label="Velocity when full"),
            number("design_storm_yr", "return_period", "Storm it is sized for; empty without "
                   "rain."),
            Column("required_size", "Smallest size on sale that carries that storm, as ordered; "
                   "empty where none does.", label="Needed"),
            number("rarest_storm_yr", "return_period", "Rarest storm that is computed; empty "
                   "without rain."),
            Column("rarest_storm_size", "Smallest size on sale that carries that one, as "
                   "ordered; empty where none does.", label="In the rarest storm"),
            number("required_invert_up_m", "elevation", "Invert at the upper end with that size."),
            number("required_invert_down_m", "elevation", "Invert at the lower end with that "
                   "size."),
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
            Column("kind", "inlet, outlet, junction or loose end.", label="Node"),
            Column("detail", "Kind of inlet or outlet.", label="Kind"),
            number("ground_m", "elevation", "Ground elevation."),
            number("rim_m", "elevation", "Level of the grate, or of the ground."),
            number("invert_m", "elevation", "Invert of an outlet, or lip of an emitter, as given."),
            number("level_m", "elevation", "Of an outlet: the best that is known of that level; "
                   "of others that of the rim or ground."),
            Column("level_source", _BASIS),
            level_from("level_from", "that level"),
            number("available_fall_m", "elevation", "From an inlet to its outlet."),
            number("available_fall_doubt_m", "elevation", "Half its 95 % interval."),
            number("required_fall_m", "elevation", "Cover, pipe and least fall on the way."),
            number("design_storm_yr", "return_period", "Storm of the following columns."),
            number("inflow_m3s", "flow", "Surface water that reaches an inlet."),
            number("grate_depth_m", "depth", "Water over the half clogged grate that takes it."),
            number("water_m", "elevation", "Level of the water in the drain."),
            number("below_rim_m", "depth", "From that water up to the rim; negative above it.",
                   label="Below the rim"),
            number("channel_depth_m", "depth", "Greatest depth of the water in a channel drain."),
            number("channel_freeboard_m", "depth", "From that water up to its grate."),
            number("longest_run_m", "length", "Longest run of it one outlet can serve."),
            number("depth_one_end_m", "depth", "Depth with the outlet at one end."),
            number("depth_both_ends_m", "depth", "Depth with outlets at both ends."),
            number("depth_middle_m", "depth", "Depth with the outlet in the middle."),
        ),
    ),
    Layer(
        "line_profiles",
        "Ground and pipe along each drain line, at steps of no more than a cell.",
        ("point",),
        (
            _CASE,
            Column("name", "Name of the line."),
            number("distance_m", "distance", "From its upper end."),
            number("ground_m", "elevation", "Ground elevation."),
            number("invert_m", "elevation", "Inside bottom of the pipe."),
            number("crown_m", "elevation", "Inside top of the pipe."),
            number("cover_m", "elevation", "Ground above the crown."),
            number("trench_depth_m", "elevation", "Ground above the invert."),
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
            number("flow_m3s", "flow", "Peak flow if inlets took all that comes: what it is "
                   "sized for."),
            *bounds("flow_m3s", "flow", "catchment above the line, and so a smaller peak, at "
                    "this intensity; of the main case alone"),
            number("time_min", "rain_time", "Duration of rain that gives it."),
            number("runoff_area_m2", "area", "Runoff coefficient times area that has arrived."),
            number("capacity_m3s", "flow", "Flowing full, clean.", label="Can carry"),
            number("flow_ratio", "ratio", "Flow beside capacity."),
            number("depth_m", "depth", "Depth of uniform flow; empty where surcharged."),
            number("velocity_m_s", "velocity", "Velocity.", label="Velocity"),
            Column("surcharged", "Whether it carries the flow only under pressure.", kind="yes_no"),
            number("required_diameter_m", "diameter", "Inside diameter that just carries the "
                   "flow when full, and no smaller than what runs in; empty without fall."),
            number("taken_flow_m3s", "flow", "Peak flow when inlets take no more than they can; "
                   "negative where water runs back up it."),
            number("water_up_m", "elevation", "Level of the water at its upper end, no higher "
                   "than water can stand there."),
            number("water_down_m", "elevation", "Level of the water at its lower end."),
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
            number("flow_m3s", "flow", "Peak flow out of the lines."),
            number("water_level_m", "elevation", "Water in what it runs into, as given."),
            number("gutter_flow_m3s", "flow", "At a curb: with the lot's other outlets there and "
                   "the gutter's own flow, where given."),
            number("gutter_spread_m", "length", "Width of the water along the curb."),
            number("gutter_depth_m", "depth", "Its depth at the curb."),
            number("gutter_slope", "slope", "Fall along the gutter."),
            Column("gutter_slope_basis", '"given" or "elevation data".'),
            number("storage_needed_m3", "volume", "What a dry well must hold."),
            number("storage_m3", "volume", "What it holds, as given."),
            number("rain_h", "duration", "Duration of the rain that fills it most."),
            number("empties_h", "duration", "Time in which that soaks away; empty where it never "
                   "does."),
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
            number("own_m3s", "flow", "Peak from its own catchment over the ground."),
            number("from_inlets_m3s", "flow", "What other inlets let pass to it."),
            number("backs_up_m3s", "flow", "Comes up out of it: water from roofs, pumps and "
                   "other inlets that finds no room in its line; those inlets count it as taken."),
            number("arriving_m3s", "flow", "All three; equal to taken, stands and passed."),
            number("depth_m", "depth", "How deep water stands over it before it goes on."),
            number("grate_m3s", "flow", "What its half clogged grate takes at most; empty where "
                   "its size is not known."),
            Column("grate_basis", "How the grate was judged: low point, gutter, slope (section "
                   "not known: between nothing and the most), not given."),
            number("line_m3s", "flow", "What its line takes from it by the grade line until the "
                   "water stands at its rim, while the others take what they do; empty where not "
                   "known."),
            number("taken_m3s", "flow", "What it takes; at most, where the grate is not known."),
            number("least_m3s", "flow", "What it takes at least."),
            number("stands_m3s", "flow", "Refused, and held in its low spot."),
            number("passed_m3s", "flow", "Refused, and gone on over the ground."),
            number("own_m3", "volume", "The same of the whole storm: own catchment; volumes are "
                   "empty without a storm of known duration."),
            number("from_inlets_m3", "volume", "From other inlets."),
            number("backs_up_m3", "volume", "Comes up out of it."),
            number("taken_m3", "volume", "Taken."),
            number("stands_m3", "volume", "Refused, and held in its low spot."),
            number("passed_m3", "volume", "Refused, and gone on."),
            Column("limited_by", "What takes no more: grate, line or dry well; empty where all "
                   "is taken."),
            Column("not_counted", "Old lines on its way down that are counted as taking nothing, "
                   "joined by commas: end not found, or bore or fall not known."),
            Column("runs_to", "Where water goes that it does not take: an inlet, off the lot, or "
                   "stays on the ground."),
        ),
    ),
)  # fmt: skip
