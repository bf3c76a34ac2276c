"""The field sheet as a PDF: what is on it, whatever the names are."""

import re
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from reportlab import rl_config

import lotflow
from lotflow.errors import OutputError
from lotflow.layers import RESULT_LAYERS, SITE_LAYERS
from lotflow.outputs.drawings import field_sheet_bytes
from lotflow.outputs.field_sheet.content import FieldSheetContent
from lotflow.outputs.field_sheet.typesetting import in_visual_order
from lotflow.outputs.result_file import bytes_file
from lotflow.study import write

SAMPLE = Path(lotflow.__file__).parents[1] / "data_samples" / "alder_court"

needs_poppler = pytest.mark.skipif(
    not all(map(shutil.which, ("pdftotext", "pdfinfo", "pdffonts"))),
    reason="poppler's pdftotext, pdfinfo and pdffonts are not installed",
)
HOSTILE = (
    "<script>alert(1)</script>",
    "<b>bold</b> & <font size=99>",
    "</para><img src=x>",
    "&amp; &#0; &undefined;",
    "W" * 200,
    "Größe Ñandú Łódź",
    "Αυλή",
    "Двор",
    "50% {x} \\n %s",
)


def spot(number, **more):
    usual = {
        "id": number, "depth_m": 0.2, "area_m2": 9.0, "building_distance_m": 3.0,
        "on_lot_m2": 9.0, "artefact": "", "inside_building": False, "probability": None,
        "inlets": "",
        "bed_elevation_m": 31.2, "spill_elevation_m": 31.4,
    }  # fmt: skip
    return usual | more


def summary(**more):
    lists = ("low_spots", "inlets", "lot_line_crossings", "findings", "outlet_options", "facades",
             "openings")  # fmt: skip
    return {**{name: [] for name in lists}, "accuracy": {"rmse_m": 0.1}, **more}


def item(number, **more):
    """An item of the answer."""
    usual = {
        "rank": number, "theme": "low spot", "harm": f"Water stands in low spot {number}.",
        "causes": [{"source": "roof", "share": 1.0, "subject": "DS1"}],
        "steps": ["Lead DS1 away.", "Fill it."], "check": "Level its lowest point.",
        "grade_means": "the data shows it",
    }  # fmt: skip
    return usual | more


def named_site(names):
    """Layers of a site in which every name is given to every kind of thing."""
    many = {"name": list(names), "status": [None] * len(names)}
    return {
        "downspouts": pd.DataFrame(
            many | {"building": names, "roof_area_m2": 30.0, "leads_to": names}
        ),
        "inlets": pd.DataFrame(
            many | {"kind": "area drain", "rim_m": 31.0, "rim_above_ground_m": float("nan")}
        ),
        "drain_lines": pd.DataFrame(
            many | {"from_node": names, "to_node": names, "diameter_m": 0.1,
                    "diameter_down_m": float("nan"),
                    "size_m": float("nan"), "material": "pvc", "evidence": None}
        ),
        "outlets": pd.DataFrame(many | {"kind": "curb", "invert_m": 30.0}),
        "constraints": pd.DataFrame({"name": names, "kind": "tree"}),
    }  # fmt: skip


def sheet(units="us", title="14 Alder Court", *, names=("C1",), content=None):
    found = {
        "severity": "warn",
        "rule": "r",
        "subject": names[0],
        "message": names[-1],
        "today": False,
    }
    told = {
        "low_spots": [spot(7, inlets=names[0])], "findings": [found],
        "answer": [item(1, harm=names[-1], check=names[0], steps=[names[0]])],
    }  # fmt: skip
    return FieldSheetContent(
        summary=content or summary(**told),
        layers={},
        title=title,
        note="dem.tif",
        units=units,
        site=named_site(tuple(names)),
    )


@pytest.fixture(scope="module")
def hostile():
    """A sheet on which every name is one that could do harm."""
    return field_sheet_bytes(sheet(names=HOSTILE))


def poppler(tool, document, tmp_path, *options):
    path = tmp_path / "sheet.pdf"
    path.write_bytes(document)
    command = [tool, *options, str(path), *(["-"] if tool == "pdftotext" else [])]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stderr == ""
    return done.stdout


def words(document, tmp_path):
    """Text of a document without any white space: a name may be wrapped anywhere."""
    return re.sub(r"\s", "", poppler("pdftotext", document, tmp_path, "-raw"))


def test_same_content_gives_the_same_bytes_and_leaves_the_writer_as_it_was(hostile):
    before = rl_config.useA85
    assert field_sheet_bytes(sheet(names=HOSTILE)) == hostile
    assert rl_config.useA85 == before


def test_the_site_and_low_spots_of_these_tests_have_the_columns_of_the_schema():
    """Else the sheet would be tried on columns that no study gives."""
    for name, frame in named_site(("C1",)).items():
        known = {column.inside_name for column in SITE_LAYERS[name].columns}
        assert known.issuperset(frame.columns), name
    assert {column.name for column in RESULT_LAYERS["low_spots"].columns}.issuperset(spot(1))


def test_a_file_that_differs_is_refused(tmp_path):
    file = bytes_file("field_sheet.pdf", field_sheet_bytes(sheet()))
    path = tmp_path / file.name
    file.write(path)
    file.verify(path)
    path.write_bytes(path.read_bytes()[:-1])
    with pytest.raises(OutputError):
        file.verify(path)


@needs_poppler
@pytest.mark.parametrize(("units", "size"), [("us", (612.0, 792.0)), ("metric", (595.276, 841.89))])
def test_the_paper_is_letter_or_a4_and_all_pages_stand_upright(units, size, tmp_path):
    """Letter 8.5 x 11 in; A4 210 x 297 mm (ISO 216), in points."""
    told = poppler("pdfinfo", field_sheet_bytes(sheet(units)), tmp_path, "-f", "1", "-l", "99")
    sizes = [
        (float(wide), float(high))
        for wide, high in re.findall(r"Page +\d+ size: +([\d.]+) x ([\d.]+)", told)
    ]
    assert 2 <= len(sizes) <= 4
    assert all(one == pytest.approx(size, abs=0.01) for one in sizes)


@needs_poppler
def test_no_letter_is_smaller_than_nine_points(tmp_path):
    """Boxes of words are as high as their letters are large."""
    told = poppler("pdftotext", field_sheet_bytes(sheet()), tmp_path, "-bbox")
    heights = [
        float(low) - float(high)
        for high, low in re.findall(r'yMin="([\d.]+)" xMax="[\d.]+" yMax="([\d.]+)"', told)
    ]
    assert len(heights) > 300
    assert min(heights) > 8.95


@needs_poppler
def test_the_answer_stands_first_each_item_with_room_for_what_is_seen(tmp_path):
    content = summary(answer=[item(1), item(2, causes=[], theme="run-on")])
    document = field_sheet_bytes(sheet(content=content))
    told = " ".join(poppler("pdftotext", document, tmp_path, "-raw").split())
    first = told.index("Water stands in low spot 1.")
    assert first < told.index("Water stands in low spot 2.") < told.index("What to measure")
    assert "Why? 100 % roof (DS1) Do first: Lead DS1 away." in told
    assert told.count("Level its lowest point.") == 1  # said once
    assert "Seen on site" in told


@needs_poppler
def test_a_screening_is_one_page_whatever_it_has_to_tell(tmp_path):
    long = "Water stands in the north-west of the lot, up to 7.0 in deep over 907 ft². " * 2
    content = summary(answer=[item(n, harm=long, check=f"Level {n}.") for n in range(1, 7)])
    document = field_sheet_bytes(replace(sheet(content=content), is_screening=True))
    assert re.search(r"Pages: +1\n", poppler("pdfinfo", document, tmp_path))
    told = " ".join(poppler("pdftotext", document, tmp_path, "-raw").split())
    assert "Call before you dig" in told
    assert "Hose test" not in told


@needs_poppler
def test_every_page_tells_its_number_and_how_many_there_are(tmp_path):
    told = poppler("pdftotext", field_sheet_bytes(sheet()), tmp_path, "-raw")
    pages = re.findall(r"page (\d+) of (\d+)", told)
    assert [int(number) for number, _ in pages] == list(range(1, len(pages) + 1))
    assert {int(count) for _, count in pages} == {len(pages)}


@needs_poppler
def test_the_sheet_has_all_its_parts(tmp_path):
    told = words(field_sheet_bytes(sheet()), tmp_path)
    for part in (
        "What happens, and what to do first", "Ask the owner", "What to measure, in walking order",
        "Existing drains: look at both ends", "Hose test", "a sump fills first", "Tie point 3",
        "Cautions", "Call before you dig", "29 CFR 1926.651",
        "not a survey",
    ):  # fmt: skip
        assert part.replace(" ", "") in told, part


@needs_poppler
def test_names_stay_text_whatever_they_hold(hostile, tmp_path):
    told = words(hostile, tmp_path)
    for name in HOSTILE:
        plain = re.sub(r"\s", "", name)
        assert told.count(plain) >= 4, name


@needs_poppler
@pytest.mark.parametrize("title", ["<b>&</b>", "W" * 200, "Двор & Αυλή"])
def test_a_title_is_text_and_is_cut_to_the_page(title, tmp_path):
    told = words(field_sheet_bytes(sheet(title=title)), tmp_path)
    assert re.sub(r"\s", "", title)[:25] in told


@needs_poppler
def test_all_fonts_are_embedded_subsets_of_one_family(hostile, tmp_path):
    told = poppler("pdffonts", hostile, tmp_path).splitlines()[2:]
    assert told
    for line in told:
        name, *_ = line.split()
        assert "+DejaVuSans" in name
        assert line.split()[-5:-2] == ["yes", "yes", "yes"]  # embedded, subset, to Unicode


@needs_poppler
def test_a_character_the_font_lacks_is_marked_and_said(tmp_path):
    told = words(field_sheet_bytes(sheet(names=("排水 \U0001f600 tap",))), tmp_path)
    assert "\ufffd\ufffd\ufffdtap" in told
    assert "U+1F600,U+6392" in told


@needs_poppler
def test_nothing_is_said_of_characters_where_none_is_lacking(hostile, tmp_path):
    assert "lacks:U+" not in words(hostile, tmp_path)


def test_steering_characters_are_left_out():
    """A direction mark would let a name pass for another; a joiner has no shape of its own."""
    plain, steered = sheet(names=("ab",)), sheet(names=("a\u202e\u200db\ufe0f",))
    assert field_sheet_bytes(plain) == field_sheet_bytes(steered)


@pytest.mark.parametrize(
    ("read", "seen"),
    [
        ("C1 (east)", "C1 (east)"),
        ("\u05d0\u05d1\u05d2", "\u05d2\u05d1\u05d0"),
        ("CB \u05d0\u05d1 12 x", "CB 12 \u05d1\u05d0 x"),
        ("\u05d0 (\u05d1)", "(\u05d1) \u05d0"),
    ],
)
def test_right_to_left_letters_are_set_as_they_are_seen(read, seen):
    """Unicode Standard Annex 9: rules W, N, L2 and L4, paragraph from left to right."""
    assert in_visual_order(read) == seen


@needs_poppler
def test_a_site_of_which_nothing_is_known_still_has_a_sheet(tmp_path):
    bare = FieldSheetContent(
        summary=summary(accuracy={}), layers={}, title="Lot", note="dem.tif",
        units="us",
    )  # fmt: skip
    told = words(field_sheet_bytes(bare), tmp_path)
    assert "Lowestdoorsill" in told
    assert "4inpvc" in told


@needs_poppler
def test_a_site_of_very_much_keeps_to_what_can_be_walked(tmp_path):
    """300 of everything: the sheet says how many it leaves out, and does not grow with them."""
    many = [spot(number, bed_elevation_m=30 + number / 100) for number in range(1, 301)]
    on = [
        {"id": n, "direction": "on", "area_m2": float(n), "elevation_m": 31.0} for n in range(300)
    ]
    content = summary(low_spots=many, lot_line_crossings=on)
    names = [f"Thing {n}" for n in range(40)]
    document = field_sheet_bytes(sheet(names=names, content=content))
    told = words(document, tmp_path)
    assert "(292moreinresult.gpkg)" in told
    assert "(295moreinresult.gpkg)" in told
    pages = int(re.search(r"Pages: +(\d+)", poppler("pdfinfo", document, tmp_path))[1])
    assert pages <= 12


@needs_poppler
def test_the_map_is_drawn_in_lines_and_letters_at_a_scale_that_holds(tmp_path):
    """Two corners of a lot 40 m apart, printed at the scale that stands on the sheet."""
    result = lotflow.screen(SAMPLE / "dem.tif", SAMPLE / "site.gpkg", realisations=0, units="us")
    shown = write._map_content(result.study, "dem.tif")
    content = write._sheet_content(result.study, result.summary, "dem.tif")
    document = field_sheet_bytes(replace(content, map=shown))
    told = poppler("pdftotext", document, tmp_path, "-raw")
    assert "water comes onto the lot" in told
    feet = int(re.search(r"1 in = (\d+) ft on Letter", told)[1])
    assert feet in {10, 20, 30, 40, 50, 60, 80, 100}
    # nothing but the shaded ground and the depths is a picture
    assert document.count(b"/Subtype /Image") <= 8


def test_the_pdf_writer_is_not_imported_before_a_sheet_is_printed():
    code = (
        "import sys, lotflow.outputs.drawings, lotflow.outputs.field_sheet.content\n"
        "sys.exit(any(name in sys.modules for name in ('reportlab', 'matplotlib')))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
