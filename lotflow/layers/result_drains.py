"""The layers of a result that are about drains."""

from __future__ import annotations

from typing import Final

from lotflow.layers.columns import Column, Layer, bounds, number

_CASE = Column("case", 'State of the drain system: "today" or "proposed".')
_BASIS: Final = (
    "Where it comes from: given; below rim, that was given; from line, given of another line that "
    "meets there; from ground, the elevation data, with or without a depth given below it; "
    "proposed; unknown."
)
_STORM = number("return_period_yr", "yr", "Return period of the storm.")

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
            number("roughness", "s/m^(1/3)", "Manning n."),
            number("diameter_m", "m", "Inside diameter, of two ends the narrower one."),
            number("length_m", "m", "Length."),
            number("invert_up_m", "m", "Invert at the upper end."),
            number("invert_down_m", "m", "Invert at the lower end."),
            Column("invert_up_basis", _BASIS),
            Column("invert_down_basis", _BASIS),
            number("fall_m", "m", "Fall from end to end; negative uphill."),
            number("slope_m_per_m", "1", "Fall divided by length."),
            number("minimum_slope_m_per_m", "1", "Least slope for its size."),
            number("least_cover_m", "m", "Least ground above the crown anywhere."),
            number("deepest_trench_m", "m", "Greatest depth of the invert below the ground."),
            number("capacity_m3s", "m3/s", "Flowing full, clean."),
            number("capacity_as_found_m3s", "m3/s", "With the sediment and water found in it."),
            number("full_velocity_m_s", "m/s", "Velocity flowing full."),
            number("design_storm_yr", "yr", "Storm it is sized for; empty without rain."),
            Column("required_size", "Smallest size on sale that carries that storm, as ordered; "
                   "empty where none does."),
            number("rarest_storm_yr", "yr", "Rarest storm that is computed; empty without rain."),
            Column("rarest_storm_size", "Smallest size on sale that carries that one, as ordered; "
                   "empty where none does."),
            number("required_invert_up_m", "m", "Invert at the upper end with that size."),
            number("required_invert_down_m", "m", "Invert at the lower end with that size."),
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
            number("ground_m", "m", "Ground elevation."),
            number("rim_m", "m", "Level of the grate, or of the ground."),
            number("invert_m", "m", "Invert of an outlet, or lip of an emitter, as given."),
            number("level_m", "m", "Of an outlet: the best that is known of that level; of others "
                   "that of the rim or ground."),
            Column("level_source", _BASIS),
            number("available_fall_m", "m", "From an inlet to its outlet."),
            number("available_fall_doubt_m", "m", "Half its 95 % interval."),
            number("required_fall_m", "m", "Cover, pipe and least fall on the way."),
            number("design_storm_yr", "yr", "Storm of the following columns."),
            number("inflow_m3s", "m3/s", "Surface water that reaches an inlet."),
            number("grate_depth_m", "m", "Water over the half clogged grate that takes it."),
            number("water_m", "m", "Level of the water in the drain."),
            number("below_rim_m", "m", "From that water up to the rim; negative above it."),
            number("channel_depth_m", "m", "Greatest depth of the water in a channel drain."),
            number("channel_freeboard_m", "m", "From that water up to its grate."),
            number("longest_run_m", "m", "Longest run of it one outlet can serve."),
            number("depth_one_end_m", "m", "Depth with the outlet at one end."),
            number("depth_both_ends_m", "m", "Depth with outlets at both ends."),
            number("depth_middle_m", "m", "Depth with the outlet in the middle."),
        ),
    ),
    Layer(
        "line_profiles",
        "Ground and pipe along each drain line, at steps of no more than a cell.",
        ("point",),
        (
            _CASE,
            Column("name", "Name of the line."),
            number("distance_m", "m", "From its upper end."),
            number("ground_m", "m", "Ground elevation."),
            number("invert_m", "m", "Inside bottom of the pipe."),
            number("crown_m", "m", "Inside top of the pipe."),
            number("cover_m", "m", "Ground above the crown."),
            number("trench_depth_m", "m", "Ground above the invert."),
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
            number("flow_m3s", "m3/s", "Peak flow if inlets took all that comes: what it is sized "
                    "for."),
            *bounds("flow_m3s", "m3/s", "catchment above the line, and so a smaller peak, "
                    "at this intensity; of the main case alone"),
            number("time_min", "min", "Duration of rain that gives it."),
            number("runoff_area_m2", "m2", "Runoff coefficient times area that has arrived."),
            number("capacity_m3s", "m3/s", "Flowing full, clean."),
            number("flow_ratio", "1", "Flow beside capacity."),
            number("depth_m", "m", "Depth of uniform flow; empty where surcharged."),
            number("velocity_m_s", "m/s", "Velocity."),
            Column("surcharged", "Whether it carries the flow only under pressure.",
                   kind="yes_no"),
            number("required_diameter_m", "m", "Inside diameter that just carries the flow when "
                    "full, and no smaller than what runs in; empty without fall."),
            number("taken_flow_m3s", "m3/s", "Peak flow when inlets take no more than they can; "
                    "negative where water runs back up it."),
            number("water_up_m", "m", "Level of the water at its upper end, no higher than water "
                    "can stand there."),
            number("water_down_m", "m", "Level of the water at its lower end."),
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
            number("flow_m3s", "m3/s", "Peak flow out of the lines."),
            number("water_level_m", "m", "Water in what it runs into, as given."),
            number("gutter_flow_m3s", "m3/s", "At a curb: with the lot's other outlets there and "
                    "the gutter's own flow, where given."),
            number("gutter_spread_m", "m", "Width of the water along the curb."),
            number("gutter_depth_m", "m", "Its depth at the curb."),
            number("gutter_slope", "1", "Fall along the gutter."),
            Column("gutter_slope_basis", '"given" or "elevation data".'),
            number("storage_needed_m3", "m3", "What a dry well must hold."),
            number("storage_m3", "m3", "What it holds, as given."),
            number("rain_h", "h", "Duration of the rain that fills it most."),
            number("empties_h", "h", "Time in which that soaks away; empty where it never does."),
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
            number("own_m3s", "m3/s", "Peak from its own catchment over the ground."),
            number("from_inlets_m3s", "m3/s", "What other inlets let pass to it."),
            number("backs_up_m3s", "m3/s", "Comes up out of it: water from roofs, pumps and other "
                    "inlets that finds no room in its line; those inlets count it as taken."),
            number("arriving_m3s", "m3/s", "All three; equal to taken, stands and passed."),
            number("depth_m", "m", "How deep water stands over it before it goes on."),
            number("grate_m3s", "m3/s", "What its half clogged grate takes at most; empty "
                    "where its size is not known."),
            Column("grate_basis", "How the grate was judged: low point, gutter, slope (section "
                   "not known: between nothing and the most), not given."),
            number("line_m3s", "m3/s", "What its line takes from it by the grade line until the "
                    "water stands at its rim, while the others take what they do; empty where not "
                    "known."),
            number("taken_m3s", "m3/s", "What it takes; at most, where the grate is not known."),
            number("least_m3s", "m3/s", "What it takes at least."),
            number("stands_m3s", "m3/s", "Refused, and held in its low spot."),
            number("passed_m3s", "m3/s", "Refused, and gone on over the ground."),
            number("own_m3", "m3", "The same of the whole storm: own catchment; volumes are "
                    "empty without a storm of known duration."),
            number("from_inlets_m3", "m3", "From other inlets."),
            number("backs_up_m3", "m3", "Comes up out of it."),
            number("taken_m3", "m3", "Taken."),
            number("stands_m3", "m3", "Refused, and held in its low spot."),
            number("passed_m3", "m3", "Refused, and gone on."),
            Column("limited_by", "What takes no more: grate, line or dry well; empty where all is "
                   "taken."),
            Column("runs_to", "Where water goes that it does not take: an inlet, off the lot, or "
                   "stays on the ground."),
        ),
    ),
)  # fmt: skip
