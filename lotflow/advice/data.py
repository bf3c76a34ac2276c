"""What is said of the data: elevation rasters, site layers, levels, the job's numbers and rain."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, get_args

from lotflow.inputs.site_checks import OTHER_UNIT
from lotflow.rainfall import rain_said, unit_remedy
from lotflow.text import clean_text
from lotflow.units import VerticalUnit, to_si

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.advice.say import Say, Sentence
    from lotflow.findings import Finding

#: Vertical RMSE of good public lidar: USGS Lidar Base Specification, quality level 2, from memory.
_GOOD_LIDAR_M: Final = 0.10
#: Most characters of a message that quotes a file.
_LONGEST: Final = 1000


def _of_file(file: str, text: str) -> str:
    """Begin with the file; names and text out of a file may hold whatever they like."""
    return clean_text(f"{file}: {text}"[:_LONGEST], longest=_LONGEST)


def _percent(share: float, decimals: int = 0) -> str:
    return f"{100 * share:.{decimals}f} %"


# ------------------------------------------------------------ what a raster says of itself


def _raster_header(_: Say, __: Finding, *, warning: str) -> str:
    return (
        f"On opening, the library warned: {warning}. The file's header may be damaged: compare it "
        "with its source."
    )


def _blocks_out_of_order(_: Say, __: Finding) -> str:
    return (
        "The blocks of the file stand in another order than usual, as some programs write them and "
        "some damage leaves them: compare it with its source."
    )


def _fetched(
    say: Say,
    _: Finding,
    *,
    hosts: tuple[str, ...],
    tiles: int,
    surveyed: tuple[str, ...],
    seam_step_m: float,
) -> str:
    files = "" if tiles == 1 else f", {tiles} files"
    when = " Nobody says when it was surveyed"
    if surveyed:
        days = surveyed[0] if surveyed[0] == surveyed[-1] else " to ".join(surveyed)
        when = f" Surveyed {days}"
    step = ""
    if seam_step_m:
        step = f" Where two of them meet the ground steps by {say(seam_step_m, 'elevation')}."
    return (
        f"Fetched from {', '.join(hosts)}{files}.{when}: what was built or graded since is not in "
        f"it.{step}"
    )


def _fetched_unverified(_: Say, __: Finding, *, tiles: int, of: int) -> str:
    which = "The file has" if of == 1 else f"{tiles} of {of} files have"
    return (
        f"{which} no checksum that could be verified when it was fetched: numbers that were wrong "
        "on the server or became so on the way would not show. Compare a level on site."
    )


def _gridded(
    say: Say,
    _: Finding,
    *,
    files: tuple[str, ...],
    far_share: float,
    off_at_1_m: float | None,
    off_at_3_m: float | None,
) -> str:
    said = (
        f"Gridded from the ground returns of {', '.join(files)}. {_percent(far_share)} of its cells"
        f" lie more than {say(1.0, 'length')} from every return, as under trees, houses and on "
        "water"
    )
    if off_at_1_m is None or off_at_3_m is None:
        return f"{said}: there were too few returns to tell how far levels may be off there."
    return (
        f"{said}: there nine in ten levels are within {say(off_at_1_m, 'elevation')} of the "
        f"ground, at {say(3.0, 'length')} within {say(off_at_3_m, 'elevation')}. Measure there "
        "where it matters."
    )


def _half_a_cell(_: Say, __: Finding) -> str:
    return (
        "Its lower left corner lies half a cell off whole cells. If it is the centre of the first "
        "cell, all ground is shifted by half a cell: write xllcenter and yllcenter then."
    )


def _side_file(_: Say, __: Finding, *, file: str, crs: str) -> str:
    states = f"the CRS ({crs})" if crs else "where the raster lies"
    return f"{file} beside it states {states}; the raster itself does not."


def _undeclared_nodata(_: Say, __: Finding, *, cells: int, number: str) -> str:
    hold = "cell holds" if cells == 1 else "cells hold"
    return (
        f"{cells:,} {hold} {number}, which the file does not declare as nodata; taken as missing."
    )


def _vertical_unit(_: Say, __: Finding, *, taken: str, where: str, says: str) -> str:
    said = says if says in get_args(VerticalUnit) else repr(says)
    return f"Elevations are taken in {taken} as declared, though {where} says {said}."


def _resampled(say: Say, _: Finding, *, cell_m: float, crs: str, why: str) -> str:
    cells = say(cell_m, "elevation")
    return f"Resampled bilinearly to cells of {cells} in {crs}, because {why}."


def _coarse_cell(say: Say, _: Finding, *, cell_m: float) -> str:
    return (
        f"Cells of {say(cell_m, 'elevation')} hide curbs, gutters and side yard swales: good for "
        "screening only. Use finer data where there are any."
    )


def _several_bands(_: Say, __: Finding, *, bands: int) -> str:
    return f"The file holds {bands} bands; the first is taken for elevation."


def _cells_not_square(_: Say, __: Finding, *, width: float, height: float) -> str:
    return (
        f"Its cells are not quite square, {width:.10g} by {height:.10g}, as one wrong bit in the "
        "file would make them. They are taken as they are; compare the file with the one it was "
        "copied from."
    )


# ------------------------------------------------------------ what its elevations tell


def _coarse_levels(say: Say, _: Finding, *, step_m: float) -> str:
    fine = say.either("centimetres", "hundredths of a foot", both="centimetres")
    return (
        f"The elevations are rounded to steps of {say(step_m, 'elevation')}: slopes and low spots "
        "of a lot hardly show. Their error is widened by that of the rounding. Use data with "
        f"{fine}."
    )


def _level_ground(_: Say, __: Finding, *, share: float) -> str:
    return (
        f"{_percent(share)} of the lot's ground is level to the last digit: which way water runs "
        "there, and so the catchments and paths on it, have no meaning. Use data that show the "
        "ground, or level it."
    )


def _missing_elevations(_: Say, __: Finding, *, share: float) -> str:
    return (
        f"{_percent(share, 2)} of the ground that was read has no elevation; nothing is computed "
        "there."
    )


def _elevation_steps(say: Say, _: Finding, *, places: int, limit_m: float, most_m: float) -> str:
    return (
        f"Neighbouring cells differ by more than {say(limit_m, 'length')} in {places:,} places, at "
        f"most by {say(most_m, 'length')}: buildings left in the data, a cliff, an undeclared "
        "nodata value, or a damaged file."
    )


def _lone_elevation(say: Say, _: Finding, *, cells: int, most_m: float) -> str:
    stand = "1 cell stands" if cells == 1 else f"{cells:,} cells stand"
    return (
        f"{stand} apart from all neighbours, at most by {say(most_m, 'length')}: a post, a shaft, "
        "a tree left in the data, or a damaged file. Look at the place: it may hold water that is "
        "not there."
    )


def _tile_seam_step(say: Say, _: Finding, *, step_m: float, first: str, second: str) -> str:
    return (
        f"The ground steps by {say(step_m, 'depth')} along the seam of {first} and {second}, more "
        "than the ground beside it explains: the tiles may come from different surveys."
    )


def _vertical_unit_doubted(
    say: Say, _: Finding, *, relief_m: float | None, house_m: float | None, map_in_feet: bool
) -> str:
    signs = []
    if relief_m is not None:
        signs.append(f"the lot rises by {say(relief_m, 'length')} over its breadth")
    if house_m is not None:
        signs.append(f"footprints stand {say(house_m, 'length')} above their ground")
    if map_in_feet:
        signs.append("its map is in feet")
    return (
        f"Elevations are taken in metres, but {'; '.join(signs)}. Are they in feet (a factor of "
        "3.28)? Compare one with a map, and state vertical_unit."
    )


# ------------------------------------------------------------ what reading a site layer left out


def _layers_ignored(_: Say, __: Finding, *, file: str, layers: Sequence[str]) -> str:
    return _of_file(file, f"layers that mean nothing here: {', '.join(layers)}")


def _columns_ignored(_: Say, __: Finding, *, file: str, columns: Sequence[str]) -> str:
    return _of_file(file, f"columns that mean nothing here: {', '.join(columns)}")


def _old_column_names(_: Say, __: Finding, *, file: str, names: Sequence[tuple[str, str]]) -> str:
    renamed = ", ".join(f"{other} ({name})" for other, name in names)
    return _of_file(file, f"columns were read by another name than theirs: {renamed}.")


def _reader_warning(_: Say, __: Finding, *, file: str, warning: str) -> str:
    return _of_file(file, warning)


def _text_encoding(
    _: Say, __: Finding, *, file: str, stated: str, is_known: bool, taken: str
) -> str:
    if not stated:
        return _of_file(file, f"the part .cpg is empty: text was read as {taken}")
    if not is_known:
        known = f"the part .cpg names no encoding that is known, {stated!r}"
        return _of_file(file, f"{known}: text was read as {taken}")
    return _of_file(
        file, f"the part .cpg says {stated}, but the text is {taken}, as which it was read"
    )


def _heights_ignored(say: Say, __: Finding, *, file: str, shapes: int, of: int) -> str:
    columns = "rim_m or invert_up_m"
    return _of_file(
        file,
        f"{shapes} of {of} shapes carry heights (Z), which are not used; give levels in columns "
        f"such as {say.either(columns, 'rim_ft or invert_up_ft', both=columns)}",
    )


def _outline_repaired(_: Say, __: Finding, *, file: str, problem: str) -> str:
    return _of_file(file, f"{problem}; it was repaired, look at it on the map")


def _coordinates_rounded(say: Say, _: Finding, *, file: str, decimals: int, off_m: float) -> str:
    return _of_file(
        file,
        f"its coordinates are rounded to {decimals} decimals of a degree, by up to "
        f"{say(off_m, 'length')}: export it with seven decimals, or draw it in metres",
    )


def _datum_shift(
    say: Say, _: Finding, *, file: str, own: str, raster: str, known_to_m: float | None
) -> str:
    known = "not known" if known_to_m is None else f"known to {say(known_to_m, 'length')}"
    return _of_file(
        file, f"the layer is in {own}, the raster in {raster}; the shift between the two is {known}"
    )


def _lot_in_parts(_: Say, __: Finding, *, file: str, rows: int, parts: int) -> str:
    return _of_file(
        file,
        f"the lot is drawn as {rows} rows and was united to one lot of {parts} separate parts; if "
        "some of it is not the lot, remove it",
    )


# ------------------------------------------------------------ whether the lot is one


def _lot_very_small(say: Say, _: Finding, *, area_m2: float) -> str:
    return (
        f"The lot measures {say(area_m2, 'area')}, less than any house stands on. Is it the house, "
        "a part of the lot, or drawn in feet and stored as metres (a factor of 3.28)? Give the "
        "whole lot in its own CRS."
    )


def _lot_has_hole(say: Say, _: Finding, *, area_m2: float, buildings: Sequence[str]) -> str:
    stands = ""
    if buildings:
        *most, last = buildings
        names = f"{', '.join(most)} and {last} stand" if most else f"{last} stands"
        stands = f" in which {names}"
    return (
        f"The lot has a hole of {say(area_m2, 'area')}{stands}: what lies in it is not judged as "
        "the lot's, neither a house nor the water at it. Is it another owner's? If not, fill the "
        "hole."
    )


def _lot_is_building(say: Say, _: Finding, *, building: str, share: float, lot_m2: float) -> str:
    return (
        f"{building} fills {_percent(share)} of the lot of {say(lot_m2, 'area')}. Is the outline "
        "the building's? Then neither the yard nor the water that stands in it is judged as the "
        "lot's: give the outline of the lot."
    )


def _lot_leaves_out_building(_: Say, __: Finding, *, share: float) -> str:
    return (
        f"The lot runs round it on {_percent(share)} of its sides and leaves it out: neither the "
        "house nor the water at it is judged as the lot's. Is it another owner's? If not, draw the "
        "lot round it."
    )


def _lot_line_through_building(say: Say, _: Finding, *, share: float, depth_m: float) -> str:
    return (
        f"The lot line runs through it: {_percent(share)} lies beyond, {say(depth_m, 'length')} "
        "deep or more. Lot and buildings may come from sources that are shifted against each "
        "other, and then all else is shifted too; or it stands on two lots. Check both against an "
        "aerial picture; draw a building of two lots as two."
    )


# ------------------------------------------------------------ levels, error and rain as stated


def _level_unit_doubted(
    say: Say, finding: Finding, *, what: str, away_m: float, ground_m: float, cause: str
) -> str:
    side = "above" if away_m > 0 else "below"
    return (
        f"The {what} of {finding.subject} lies {say(abs(away_m), 'length')} {side} its ground at "
        f"{say(ground_m, 'elevation')}. {OTHER_UNIT[cause]}."
    )


def _error_very_large(say: Say, _: Finding, *, rmse_m: float) -> str:
    return (
        f"The stated error of the elevation data is {say(rmse_m, 'length')}: nothing on a lot "
        "could be told by them. Are these centimetres or feet? Good public lidar has "
        f"{say(_GOOD_LIDAR_M, 'depth')}."
    )


def _stated_rain(say: Say, *, intensity_m_s: float, usual_mm_h: tuple[float, float]) -> str:
    low, high = (say.rough(to_si(bound, "mm_h"), "rain") for bound in usual_mm_h)
    return (
        f"A rain of {say(intensity_m_s, 'rain')} is stated: storms of design have {low} to "
        f"{high}. Check its unit: inches and millimetres differ by a factor of 25.4."
    )


def _rain_of_table(
    say: Say,
    *,
    duration_s: float,
    return_period_yr: float,
    depth_m: float,
    little: bool,
    taken_for: str,
) -> str:
    said = rain_said(duration_s, return_period_yr, depth_m, say.units)
    return (
        f"T{said[1:]}: hardly any place has so {'little' if little else 'much'}. "
        f"{unit_remedy(taken_for)}."
    )


def _rain_unit_doubted(say: Say, _: Finding, **facts: Any) -> str:
    """Of one stated intensity, or of a table or formula."""
    if "intensity_m_s" in facts:
        return _stated_rain(say, **facts)
    return _rain_of_table(say, **facts)


SENTENCES: Final[dict[str, Sentence]] = {
    "raster-header": _raster_header,
    "blocks-out-of-order": _blocks_out_of_order,
    "fetched": _fetched,
    "fetched-unverified": _fetched_unverified,
    "gridded": _gridded,
    "half-a-cell": _half_a_cell,
    "side-file": _side_file,
    "undeclared-nodata": _undeclared_nodata,
    "vertical-unit": _vertical_unit,
    "resampled": _resampled,
    "coarse-cell": _coarse_cell,
    "several-bands": _several_bands,
    "cells-not-square": _cells_not_square,
    "coarse-levels": _coarse_levels,
    "level-ground": _level_ground,
    "missing-elevations": _missing_elevations,
    "elevation-steps": _elevation_steps,
    "lone-elevation": _lone_elevation,
    "tile-seam-step": _tile_seam_step,
    "vertical-unit-doubted": _vertical_unit_doubted,
    "layers-ignored": _layers_ignored,
    "columns-ignored": _columns_ignored,
    "old-column-names": _old_column_names,
    "reader-warning": _reader_warning,
    "text-encoding": _text_encoding,
    "heights-ignored": _heights_ignored,
    "outline-repaired": _outline_repaired,
    "coordinates-rounded": _coordinates_rounded,
    "datum-shift": _datum_shift,
    "lot-in-parts": _lot_in_parts,
    "lot-very-small": _lot_very_small,
    "lot-has-hole": _lot_has_hole,
    "lot-is-building": _lot_is_building,
    "lot-leaves-out-building": _lot_leaves_out_building,
    "lot-line-through-building": _lot_line_through_building,
    "level-unit-doubted": _level_unit_doubted,
    "error-very-large": _error_very_large,
    "rain-unit-doubted": _rain_unit_doubted,
}
