"""Earthworks and stakes on the field sheet: figures, scale of the drawings, size of the letters."""

import re
import shutil
import subprocess
from functools import cache

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from PIL import Image

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.drawings import field_sheet_bytes
from lotflow.outputs.field_sheet.content import FieldSheetContent
from lotflow.outputs.field_sheet.set_out import corner_letters

pytestmark = pytest.mark.skipif(
    not all(map(shutil.which, ("pdftotext", "pdftoppm"))),
    reason="poppler's pdftotext and pdftoppm are not installed",
)
HOSTILE = "<b>Rear</b> & </para>" + "W" * 60
#: A swale 20 m long, its bed 15 cm below ground that falls 1 %, dug over a pipe and a cable.
LENGTH, GROUND, DEEP = 20.0, 31.4, 0.15
POINTS_PER_METRE = 72 / 0.0254


def frame(layer, rows, shapes):
    names = [column.name for column in RESULT_LAYERS[layer].columns]
    assert all(set(row) <= set(names) for row in rows), layer
    return gpd.GeoDataFrame(pd.DataFrame(rows, columns=names), geometry=shapes)


def layers(name="Rear swale"):
    along = np.linspace(0, LENGTH, 81)
    line = shapely.LineString([(0, 0), (LENGTH, 0)])
    crossed = {20: "P1", 60: "Cable"}
    profile = [
        {"name": name, "distance_m": at, "ground_m": GROUND - 0.01 * at,
         "level_m": GROUND - DEEP - 0.01 * at, "water_m": GROUND - DEEP + 0.05 - 0.01 * at,
         "stands_m": np.nan, "crosses": crossed.get(n)}
        for n, at in enumerate(along)
    ]  # fmt: skip
    pipe = [
        {"scenario": "today", "name": "P1", "distance_m": at, "ground_m": 31.35,
         "invert_m": 31.0, "crown_m": 31.1}
        for at in range(3)
    ]  # fmt: skip
    pipes = [
        {
            "scenario": "proposed",
            "status": status,
            "diameter_m": bore,
            "slope_m_per_m": 0.0208,
            "name": f"L{bore}",
            "from_node": "a",
            "to_node": "b",
            "length_m": 18.0,
            "roughness": 0.01,
            "capacity_m3s": 0.01,
        }
        for status, bore in (("proposed", 0.1016), (None, 0.2))
    ]
    work = {
        "name": name, "kind": "swale", "status": "proposed", "length_m": LENGTH, "width_m": 0.3,
        "side_slope": 3.0, "lining": "grass", "depth_m": DEEP, "fall": 0.01, "cut_m3": 2.34,
        "leads_to": "CB1", "goes_to": "CB1", "crosses": "P1, Cable", "verdict": "works",
    }  # fmt: skip
    garden = {
        "name": "Garden", "kind": "rain garden", "status": "proposed", "holds_m3": 1.4,
        "deepest_m": 0.2, "area_m2": 12.0, "cut_m3": 2.0, "fill_m3": 0.0, "verdict": "works",
    }  # fmt: skip
    corners = {"corner_a": "north-east corner of House", "corner_a_x": 0.0, "corner_a_y": 8.0,
               "corner_b": "north-west corner of House", "corner_b_x": 12.0, "corner_b_y": 8.0,
               "between_m": 12.0, "side": "south"}  # fmt: skip
    stakes = [
        {"id": number, "subject": name, "part": part, "distance_m": at, "level_of": "bed",
         "level_m": GROUND - DEEP - 0.01 * at, "ground_m": GROUND - 0.01 * at, "cut_m": DEEP,
         "level_basis": "from ground", "x": at, "y": 0.0,
         "tie_a_m": np.hypot(at, 8), "tie_b_m": np.hypot(at - 12, 8), **corners}
        for number, part, at in zip((7, 8, 9), ("upper end", "between", "lower end"),
                                    (0.0, 10.0, 20.0), strict=True)
    ]  # fmt: skip
    stakes.append({"id": 10, "subject": "CB1", "part": "catch basin", "level_of": "invert",
                   "level_m": 30.9, "ground_m": 31.2, "cut_m": 0.3, "level_basis": "given",
                   "x": 20.0, "y": 0.0})  # fmt: skip
    places = shapely.points(along, np.zeros(81))
    return {
        "earthwork_lines": frame("earthwork_lines", [work], [line]),
        "earthwork_areas": frame("earthwork_areas", [garden], [shapely.box(3, -6, 6, -3)]),
        "earthwork_profiles": frame("earthwork_profiles", profile, places),
        "line_profiles": frame("line_profiles", pipe, shapely.points([5, 5, 5], [-1, 0, 1])),
        "drain_lines": frame("drain_lines", pipes, [
            shapely.LineString([(20, 0), (-5, 0), (-5, -3)]),
            shapely.LineString([(0, -9), (18, -9)]),
        ]),
        "stakes": frame("stakes", stakes, shapely.points([(s["x"], s["y"]) for s in stakes])),
        "buildings": frame("buildings", [{"name": "House"}], [shapely.box(0, 8, 12, 16)]),
    }  # fmt: skip


@cache
def sheet(units="metric", name="Rear swale", *, bare=False):
    names = ("low_spots", "inlets", "lot_line_crossings", "findings", "outlet_options", "facades",
             "openings")  # fmt: skip
    summary = {**{name: [] for name in names}, "accuracy": {"rmse_m": 0.1}, "answer": []}
    content = FieldSheetContent(
        summary=summary, title="Lot", note="dem.tif", units=units,
        layers={key: one for key, one in layers(name).items() if not bare or key == "buildings"},
    )  # fmt: skip
    return field_sheet_bytes(content)


def text(document, tmp_path, *options):
    path = tmp_path / "sheet.pdf"
    path.write_bytes(document)
    done = subprocess.run(
        ["pdftotext", *options, str(path), "-"], capture_output=True, text=True, check=True
    )
    return done.stdout


def words(document, tmp_path):
    """Words of the page of the earthworks with their boxes: text, left, right, top, bottom."""
    told = text(document, tmp_path, "-bbox")
    pages = [page for page in told.split("<page ") if "Earthworks<" in page]
    found = re.findall(
        r'xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">([^<]*)<', pages[0]
    )
    return [(word, *map(float, box)) for *box, word in found]


def test_a_swale_is_told_with_its_levels_at_the_stakes(tmp_path):
    told = " ".join(text(sheet(), tmp_path, "-layout").split())
    for fact in ("Rear swale", "Leads to", "CB1", "bed 0.3 m wide", "3 to 1", "0.15 m", "2.34 m³",
                 "by hand over", "holds 1.40 m³"):  # fmt: skip
        assert fact in told, fact
    assert "P1, top 31.10" in told
    assert "Cable, depth not known" in told
    metres = r" ([\d.]+) m" * 4
    rows = re.findall(rf"(\d+) (upper end|between|lower end){metres}", told)
    assert rows == [
        ("7", "upper end", "0.0", "31.40", "31.25", "0.15"),
        ("8", "between", "10.0", "31.30", "31.15", "0.15"),
        ("9", "lower end", "20.0", "31.20", "31.05", "0.15"),
    ]


def test_stakes_are_told_with_both_tapes_and_the_side(tmp_path):
    told = " ".join(text(sheet(), tmp_path, "-layout").split())
    assert "A: north-east corner of House; B: north-west corner of House" in told
    assert "A to B 12.00 m (taped" in told
    # tapes of the stake 10 m along: hypot(10, 8) and hypot(2, 8)
    assert re.search(r"bed 31.15 m\* 0.15 m A 12.81 m B 8.25 m south of A-B", told)
    # its level was given: no mark; and it has no corners in sight
    assert "invert 30.90 m" in told
    assert "invert 30.90 m*" not in told
    assert "no two corners" in told
    assert "Nobody gave this level" in told
    # on the plan, along the line to be laid; what is there has none
    assert "102 mm, 2.08%" in told
    assert "200 mm" not in told


def test_the_units_are_those_of_the_report(tmp_path):
    told = " ".join(text(sheet("us"), tmp_path, "-layout").split())
    assert "A 42.02 ft B 27.05 ft" in told  # 12.806 m and 8.246 m by .3048
    assert re.search(r"Along 1 in = \d+ ft, heights \d+ times larger; levels in ft", told)


@pytest.mark.parametrize("units", ["metric", "us"])
def test_the_scale_of_a_section_holds_on_paper(units, tmp_path):
    """Numbers on the axis stand as far apart as the scale printed above says."""
    found = words(sheet(units), tmp_path)
    line = " ".join(word for word, *_ in found)
    if units == "metric":
        scale, metres = float(re.search(r"Along 1 : (\d+),", line)[1]), 1.0
    else:
        scale, metres = float(re.search(r"Along 1 in = (\d+) ft", line)[1]) * 12, 0.3048
    # the axis of distances begins with 0, its numbers stand in one row
    _, left, top, right, _ = next(one for one in found if one[0] == "0")
    row = [
        ((a + b) / 2, float(word)) for word, a, high, b, _ in found
        if abs(high - top) < 0.5 and re.fullmatch(r"\d+", word)
    ]  # fmt: skip
    assert len(row) >= 5
    origin = (left + right) / 2
    for x, distance in row:
        on_paper = distance * metres / scale * POINTS_PER_METRE
        assert x - origin == pytest.approx(on_paper, abs=0.6)
    # levels stand as many times higher
    times = float(re.search(r"heights (\d+) times", line)[1])
    levels = sorted(
        (float(word), (high + low) / 2) for word, a, high, b, low in found
        if b < origin and high < top and re.fullmatch(r"\d+\.\d", word)
    )  # fmt: skip
    (low, down), *_, (high, up) = levels
    assert down - up == pytest.approx(
        (high - low) * metres * times / scale * POINTS_PER_METRE, abs=1.0
    )


def test_no_letter_is_smaller_than_nine_points_and_none_leaves_the_page(tmp_path):
    for document in (sheet(), sheet("us", HOSTILE)):
        told = text(document, tmp_path, "-bbox")
        wide = float(re.search(r'<page width="([\d.]+)"', told)[1])
        boxes = [
            tuple(map(float, one))
            for one in re.findall(
                r'xMin="([-\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)"', told
            )
        ]
        assert min(low - high for _, high, _, low in boxes) > 8.95
        assert min(left for left, *_ in boxes) > 20
        assert max(right for _, _, right, _ in boxes) < wide - 20


def test_a_hostile_name_stays_text(tmp_path):
    told = re.sub(r"\s", "", text(sheet("us", HOSTILE), tmp_path, "-raw"))
    assert re.sub(r"\s", "", HOSTILE)[:40] in told


def test_in_a_grey_print_the_bed_the_ground_and_the_earth_are_told_apart(tmp_path):
    """Dark lines on light earth: what is printed has black, a light grey, and white."""
    document = sheet()
    path = tmp_path / "sheet.pdf"
    path.write_bytes(document)
    told = text(document, tmp_path, "-bbox").split("<page ")[1:]
    page = next(n for n, one in enumerate(told, start=1) if "Earthworks<" in one)
    command = ["pdftoppm", "-gray", "-r", "60", "-f", str(page), "-l", str(page), "-singlefile",
               str(path), str(tmp_path / "page")]  # fmt: skip
    subprocess.run(command, check=True)
    grey = np.asarray(Image.open(tmp_path / "page.pgm"))
    earth = (grey > 210) & (grey < 235)  # the fill of the section, lighter than all that is on it
    assert earth.sum() > 2000
    assert (grey < 80).sum() > 1000


def test_letters_of_corners_go_on_after_z():
    rows = [{"corner_a": f"c{n}", "corner_b": None} for n in range(28)]
    letters = corner_letters(rows)
    assert [letters["c0"], letters["c25"], letters["c26"], letters["c27"]] == ["A", "Z", "AA", "AB"]


def test_a_sheet_without_anything_proposed_has_neither_part(tmp_path):
    told = text(sheet(bare=True), tmp_path)
    assert "Earthworks to dig" not in told
    assert "Stakes to set out" not in told
