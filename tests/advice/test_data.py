"""What is said of the data, read aloud once."""

import pytest

from lotflow.advice.data import SENTENCES
from lotflow.advice.sentences import message
from lotflow.findings import Finding

#: Rule, facts, and what is said where it is not known in which units a reader thinks.
SAID = [
    ("raster-header", {"warning": "TIFFFetchNormalTag: ASCII value is damaged"},
     "On opening, the library warned: TIFFFetchNormalTag: ASCII value is damaged. The file's "
     "header may be damaged: compare it with its source."),
    ("blocks-out-of-order", {},
     "The blocks of the file stand in another order than usual, as some programs write them and "
     "some damage leaves them: compare it with its source."),
    ("fetched", {"hosts": ("data.example",), "tiles": 1, "seam_step_m": 0.0,
                 "surveyed": ("2022-12-09", "2022-12-28")},
     "Fetched from data.example. Surveyed 2022-12-09 to 2022-12-28: what was built or graded since "
     "is not in it."),
    ("fetched", {"hosts": ("a.example", "b.example"), "tiles": 3, "surveyed": (),
                 "seam_step_m": 0.2},
     "Fetched from a.example, b.example, 3 files. Nobody says when it was surveyed: what was built "
     "or graded since is not in it. Where two of them meet the ground steps by 0.20 m (0.66 ft)."),
    ("fetched-unverified", {"tiles": 1, "of": 1},
     "The file has no checksum that could be verified when it was fetched: numbers that were wrong "
     "on the server or became so on the way would not show. Compare a level on site."),
    ("gridded", {"files": ("a.laz",), "far_share": 0.31, "off_at_1_m": 0.1, "off_at_3_m": 0.19},
     "Gridded from the ground returns of a.laz. 31 % of its cells lie more than 1.0 m (3.3 ft) "
     "from every return, as under trees, houses and on water: there nine in ten levels are within "
     "0.10 m (0.33 ft) of the ground, at 3.0 m (9.8 ft) within 0.19 m (0.62 ft). Measure there "
     "where it matters."),
    ("gridded", {"files": ("a.laz", "b.laz"), "far_share": 0.0, "off_at_1_m": None,
                 "off_at_3_m": None},
     "Gridded from the ground returns of a.laz, b.laz. 0 % of its cells lie more than 1.0 m "
     "(3.3 ft) from every return, as under trees, houses and on water: there were too few returns "
     "to tell how far levels may be off there."),
    ("half-a-cell", {},
     "Its lower left corner lies half a cell off whole cells. If it is the centre of the first "
     "cell, all ground is shifted by half a cell: write xllcenter and yllcenter then."),
    ("side-file", {"file": "dem.tfw", "crs": ""},
     "dem.tfw beside it states where the raster lies; the raster itself does not."),
    ("side-file", {"file": "dem.prj", "crs": "NAD83 / UTM zone 18N"},
     "dem.prj beside it states the CRS (NAD83 / UTM zone 18N); the raster itself does not."),
    ("undeclared-nodata", {"cells": 1, "number": "-9999"},
     "1 cell holds -9999, which the file does not declare as nodata; taken as missing."),
    ("undeclared-nodata", {"cells": 1200, "number": "3.4e+38"},
     "1,200 cells hold 3.4e+38, which the file does not declare as nodata; taken as missing."),
    ("vertical-unit", {"taken": "us-ft", "where": "its vertical CRS", "says": "m"},
     "Elevations are taken in us-ft as declared, though its vertical CRS says m."),
    ("vertical-unit", {"taken": "m", "where": "its unit tag", "says": "NAVD88"},
     "Elevations are taken in m as declared, though its unit tag says 'NAVD88'."),
    ("resampled", {"cell_m": 0.833, "crs": "WGS 84 / UTM zone 18N", "why": "WGS 84 is in degrees"},
     "Resampled bilinearly to cells of 0.83 m (2.73 ft) in WGS 84 / UTM zone 18N, because WGS 84 "
     "is in degrees."),
    ("coarse-cell", {"cell_m": 1.5},
     "Cells of 1.50 m (4.92 ft) hide curbs, gutters and side yard swales: good for screening "
     "only. Use finer data where there are any."),
    ("several-bands", {"bands": 3},
     "The file holds 3 bands; the first is taken for elevation."),
    ("cells-not-square", {"width": 0.5, "height": 0.500003},
     "Its cells are not quite square, 0.5 by 0.500003, as one wrong bit in the file would make "
     "them. They are taken as they are; compare the file with the one it was copied from."),
    ("coarse-levels", {"step_m": 0.1},
     "The elevations are rounded to steps of 0.10 m (0.33 ft): slopes and low spots of a lot "
     "hardly show. Their error is widened by that of the rounding. Use data with centimetres."),
    ("level-ground", {"share": 0.61},
     "61 % of the lot's ground is level to the last digit: which way water runs there, and so the"
     " catchments and paths on it, have no meaning. Use data that show the ground, or level it."),
    ("missing-elevations", {"share": 0.0312},
     "3.12 % of the ground that was read has no elevation; nothing is computed there."),
    ("elevation-steps", {"places": 1204, "limit_m": 5.0, "most_m": 12.3},
     "Neighbouring cells differ by more than 5.0 m (16.4 ft) in 1,204 places, at most by 12.3 m "
     "(40.4 ft): buildings left in the data, a cliff, an undeclared nodata value, or a damaged "
     "file."),
    ("lone-elevation", {"cells": 1, "most_m": 0.5},
     "1 cell stands apart from all neighbours, at most by 0.5 m (1.6 ft): a post, a shaft, a tree"
     " left in the data, or a damaged file. Look at the place: it may hold water that is not "
     "there."),
    ("lone-elevation", {"cells": 3, "most_m": 0.5},
     "3 cells stand apart from all neighbours, at most by 0.5 m (1.6 ft): a post, a shaft, a tree"
     " left in the data, or a damaged file. Look at the place: it may hold water that is not "
     "there."),
    ("tile-seam-step", {"step_m": 0.21, "first": "a.tif", "second": "b.tif"},
     "The ground steps by 0.21 m (8.3 in) along the seam of a.tif and b.tif, more than the ground"
     " beside it explains: the tiles may come from different surveys."),
    ("vertical-unit-doubted", {"relief_m": 12.0, "house_m": 25.0, "map_in_feet": True},
     "Elevations are taken in metres, but the lot rises by 12.0 m (39.4 ft) over its breadth; "
     "footprints stand 25.0 m (82.0 ft) above their ground; its map is in feet. Are they in feet "
     "(a factor of 3.28)? Compare one with a map, and state vertical_unit."),
    ("vertical-unit-doubted", {"relief_m": None, "house_m": 25.0, "map_in_feet": False},
     "Elevations are taken in metres, but footprints stand 25.0 m (82.0 ft) above their ground. "
     "Are they in feet (a factor of 3.28)? Compare one with a map, and state vertical_unit."),
    ("layers-ignored", {"file": "site.gpkg", "layers": ("trees", "parcels")},
     "site.gpkg: layers that mean nothing here: trees, parcels"),
    ("old-column-names", {"file": "site.gpkg", "names": (("to", "leads_to"),)},
     "site.gpkg: columns were read by another name than theirs: to (leads_to)."),
    ("columns-ignored", {"file": "site.gpkg", "columns": ("fid", "OBJECTID")},
     "site.gpkg: columns that mean nothing here: fid, OBJECTID"),
    ("reader-warning", {"file": "site.gpkg",
                        "warning": "site.gpkg contains polygons with odd rings"},
     "site.gpkg: site.gpkg contains polygons with odd rings"),
    ("text-encoding", {"file": "lot.shp", "stated": "", "is_known": False, "taken": "UTF-8"},
     "lot.shp: the part .cpg is empty: text was read as UTF-8"),
    ("text-encoding", {"file": "lot.shp", "stated": "Klingon", "is_known": False,
                       "taken": "UTF-8"},
     "lot.shp: the part .cpg names no encoding that is known, 'Klingon': text was read as UTF-8"),
    ("text-encoding", {"file": "lot.shp", "stated": "ISO-8859-1", "is_known": True,
                       "taken": "UTF-8"},
     "lot.shp: the part .cpg says ISO-8859-1, but the text is UTF-8, as which it was read"),
    ("heights-ignored", {"file": "site.gpkg", "shapes": 1, "of": 2},
     "site.gpkg: 1 of 2 shapes carry heights (Z), which are not used; give levels in columns such"
     " as rim_m or invert_up_m"),
    ("outline-repaired", {"file": "site.gpkg", "problem": "the outline crosses itself at (1, 1)"},
     "site.gpkg: the outline crosses itself at (1, 1); it was repaired, look at it on the map"),
    ("coordinates-rounded", {"file": "site.gpkg", "decimals": 5, "off_m": 0.56},
     "site.gpkg: its coordinates are rounded to 5 decimals of a degree, by up to 0.6 m (1.8 ft): "
     "export it with seven decimals, or draw it in metres"),
    ("datum-shift", {"file": "site.gpkg", "own": "WGS 84", "raster": "NAD83 / UTM zone 18N",
                     "known_to_m": 4.0},
     "site.gpkg: the layer is in WGS 84, the raster in NAD83 / UTM zone 18N; the shift between "
     "the two is known to 4.0 m (13.1 ft)"),
    ("datum-shift", {"file": "site.gpkg", "own": "NAD27", "raster": "NAD83 / UTM zone 18N",
                     "known_to_m": None},
     "site.gpkg: the layer is in NAD27, the raster in NAD83 / UTM zone 18N; the shift between the"
     " two is not known"),
    ("lot-in-parts", {"file": "site.gpkg", "rows": 3, "parts": 2},
     "site.gpkg: the lot is drawn as 3 rows and was united to one lot of 2 separate parts; if "
     "some of it is not the lot, remove it"),
    ("lot-very-small", {"area_m2": 32.0},
     "The lot measures 32 m² (344 ft²), less than any house stands on. Is it the house, a part of"
     " the lot, or drawn in feet and stored as metres (a factor of 3.28)? Give the whole lot in "
     "its own CRS."),
    ("lot-has-hole", {"area_m2": 80.0, "buildings": ("House", "Shed")},
     "The lot has a hole of 80 m² (861 ft²) in which House and Shed stand: what lies in it is not"
     " judged as the lot's, neither a house nor the water at it. Is it another owner's? If not, "
     "fill the hole."),
    ("lot-has-hole", {"area_m2": 80.0, "buildings": ()},
     "The lot has a hole of 80 m² (861 ft²): what lies in it is not judged as the lot's, neither "
     "a house nor the water at it. Is it another owner's? If not, fill the hole."),
    ("lot-is-building", {"building": "House", "share": 0.96, "lot_m2": 150.0},
     "House fills 96 % of the lot of 150 m² (1,615 ft²). Is the outline the building's? Then "
     "neither the yard nor the water that stands in it is judged as the lot's: give the outline "
     "of the lot."),
    ("lot-leaves-out-building", {"share": 0.75},
     "The lot runs round it on 75 % of its sides and leaves it out: neither the house nor the "
     "water at it is judged as the lot's. Is it another owner's? If not, draw the lot round it."),
    ("lot-line-through-building", {"share": 0.25, "depth_m": 2.0},
     "The lot line runs through it: 25 % lies beyond, 2.0 m (6.6 ft) deep or more. Lot and "
     "buildings may come from sources that are shifted against each other, and then all else is "
     "shifted too; or it stands on two lots. Check both against an aerial picture; draw a "
     "building of two lots as two."),
    ("level-unit-doubted", {"what": "rim", "away_m": -1.2, "ground_m": 31.4, "cause": "benchmark"},
     "The rim of CB 1 lies 1.2 m (3.9 ft) below its ground at 31.40 m (103.02 ft). It fits with "
     "the benchmark in the other unit, a factor of 3.28: state its unit."),
    ("level-unit-doubted", {"what": "sill", "away_m": 0.9, "ground_m": 31.4,
                            "cause": "noted in feet"},
     "The sill of CB 1 lies 0.9 m (3.0 ft) above its ground at 31.40 m (103.02 ft). It fits if it"
     " was noted in feet and stated as metres, a factor of 3.28: correct it."),
    ("level-unit-doubted", {"what": "sill", "away_m": 0.9, "ground_m": 31.4,
                            "cause": "noted in metres"},
     "The sill of CB 1 lies 0.9 m (3.0 ft) above its ground at 31.40 m (103.02 ft). It fits if it"
     " was noted in metres and stated as feet, a factor of 3.28, or if the raster is in feet and "
     "said to be in metres: correct the one that is wrong."),
    ("error-very-large", {"rmse_m": 10.0},
     "The stated error of the elevation data is 10.0 m (32.8 ft): nothing on a lot could be told "
     "by them. Are these centimetres or feet? Good public lidar has 0.10 m (3.9 in)."),
    ("rain-unit-doubted", {"intensity_m_s": 1e-06, "usual_mm_h": (10.0, 500.0)},
     "A rain of 3.6 mm/h (0.14 in/h) is stated: storms of design have 10 mm/h (0.39 "
     "in/h) to 500 mm/h (20 in/h). Check its "
     "unit: inches and millimetres differ by a factor of 25.4."),
    ("rain-unit-doubted", {"duration_s": 3600.0, "return_period_yr": 10.0, "depth_m": 1.2,
                           "little": False, "taken_for": "inches"},
     "The 10-year rain of 60 min is 1,200 mm (47.2 in): hardly any place has so much. Figures in "
     "millimetres that are said to be inches would explain it (a factor of 25.4): check the unit "
     "against the source."),
    ("rain-unit-doubted", {"duration_s": 3600.0, "return_period_yr": 10.0, "depth_m": 0.002,
                           "little": True, "taken_for": "millimetres"},
     "The 10-year rain of 60 min is 2 mm (0.0787 in): hardly any place has so little. Figures in "
     "inches that are said to be millimetres would explain it (a factor of 25.4): check the unit "
     "against the source."),
    ("rain-unit-doubted", {"duration_s": 300.0, "return_period_yr": 2.0, "depth_m": 0.0008,
                           "little": True, "taken_for": ""},
     "The 2-year rain of 5 min is 0.8 mm (0.0315 in): hardly any place has so little. Check "
     "figures, unit and durations against the source."),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "facts", "said"), SAID)
def test_each_sentence_says_its_facts(rule, facts, said):
    assert message(Finding(rule, "note", "CB 1", facts=facts)) == said


def test_every_sentence_of_the_room_is_read_here():
    assert {rule for rule, *_ in SAID} == set(SENTENCES)


def test_text_of_a_file_is_cleaned_and_cut():
    """Names of columns hold whatever somebody wrote into them."""
    columns = ("\u202egnol", "x" * 2000)
    said = message(Finding("columns-ignored", "note", "x", facts={"file": "a", "columns": columns}))
    assert said.startswith("a: columns that mean nothing here: gnol, xxx")
    assert len(said) < 1000


def test_units_are_those_of_the_report():
    finding = Finding("coarse-cell", "warn", "dem.tif", facts={"cell_m": 1.524})
    assert message(finding, "us").startswith("Cells of 5.00 ft hide curbs")
