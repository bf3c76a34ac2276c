"""The map as a picture: what it bears, whatever the data hold."""

from __future__ import annotations

import io
import os
import struct
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache

import geopandas
import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine
from PIL import Image

from lotflow.grid import Grid
from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.drawings import map_bytes
from lotflow.outputs.map import sheet
from lotflow.outputs.map.content import (
    MapContent,
    MapDrains,
    MapField,
    map_drains,
)
from lotflow.outputs.map.labels import letterings
from lotflow.terrain.low_spots import Artefact

WEST, SOUTH = 600_000.0, 3_300_000.0
CELL = 0.5


def layer(name: str, rows: list[dict], geometry: list) -> geopandas.GeoDataFrame:
    """A layer of the result with all its columns; those not given are empty."""
    columns = {
        column.name: [row.get(column.name) for row in rows]
        for column in RESULT_LAYERS[name].columns
    }
    return geopandas.GeoDataFrame(columns, geometry=geometry, crs=26917)


def at(x: float, y: float) -> shapely.Point:
    return shapely.Point(WEST + x, SOUTH + y)


def box(*bounds: float) -> shapely.Polygon:
    return shapely.affinity.translate(shapely.box(*bounds), WEST, SOUTH)


def line(*points: tuple[float, float]) -> shapely.LineString:
    return shapely.affinity.translate(shapely.LineString(points), WEST, SOUTH)


def low_spots() -> geopandas.GeoDataFrame:
    place = [(40, 30, 0.25, "", 30.0), (52, 44, 0.12, "", 8.0), (33, 45, 0.6, "in a building", 0.0)]
    rows = [
        {"id": number, "x": WEST + x, "y": SOUTH + y, "depth_m": depth, "area_m2": 50.0,
         "volume_m3": 4.0, "artefact": artefact, "on_lot_m2": on_lot}
        for number, (x, y, depth, artefact, on_lot) in enumerate(place, 1)
    ]  # fmt: skip
    return layer("low_spots", rows, [at(x, y).buffer(4) for x, y, *_ in place])


def inlets(*names: str) -> geopandas.GeoDataFrame:
    shapes = [at(40, 31), line((50, 44), (55, 45)), box(33, 45, 34, 46)]
    rows = [{"name": name, "catchment_m2": 120.0, "cut_by_edge": False} for name in names]
    return layer("inlets", rows, shapes[: len(names)])


def content(**changes: object) -> MapContent:
    """A valley that falls to the south, with one of everything."""
    x = (np.arange(180) + 0.5) * CELL
    y = (np.arange(140)[::-1, None] + 0.5) * CELL
    grid = Grid(
        30.0 + 0.02 * y + 0.001 * (x - 45.0) ** 2,
        Affine(CELL, 0.0, WEST, 0.0, -CELL, SOUTH + 70.0),
        None,
    )
    depth = np.clip(0.25 - 0.02 * np.hypot(x - 40.0, y - 30.0), 0.0, None)
    crossings = [{"id": 1, "direction": "on", "area_m2": 800.0},
                 {"id": 2, "direction": "off", "area_m2": 1500.0}]  # fmt: skip
    paths = [{"id": 1, "area_m2": 900.0}, {"id": 2, "area_m2": 60.0}]
    catchments = [{"name": "CB1", "area_m2": 120.0}, {"name": "CD2", "area_m2": 80.0}]
    everything = MapContent(
        ground=grid,
        depth=grid.with_values(depth),
        lot=layer("lot", [{"name": "14 Alder Court"}], [box(30, 20, 60, 50)]),
        buildings=layer("buildings", [{"name": "House"}], [box(42, 33, 52, 42)]),
        water=geopandas.GeoDataFrame(geometry=[box(54, 20, 60, 40)], crs=26917),
        low_spots=low_spots(),
        flow_paths=layer(
            "flow_paths", paths, [line((45, 65), (45.5, 40), (44, 5)), line((30, 30), (45, 28))]
        ),
        crossings=layer("lot_line_crossings", crossings, [at(45, 50), at(44, 20)]),
        inlets=inlets("CB1", "CD2", "CB3"),
        catchments=layer("catchments", catchments, [box(35, 25, 45, 60), box(45, 40, 58, 50)]),
        drains=MapDrains(
            (line((40, 31), (35, 22)),), (line((41, 31), (58, 28)),), (("Curb", at(35, 22)),)
        ),
        title="14 Alder Court",
        note="dem.tif, cells of 0.5 m, vertical accuracy 0.1 m RMSE",
        units="us",
    )
    return replace(everything, **changes)


def pixels(picture: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(picture)).convert("RGB")).astype(int)


def without(*names: str) -> dict[str, geopandas.GeoDataFrame]:
    """The named layers with their columns but no rows."""
    full = content()
    return {name: getattr(full, name).iloc[:0] for name in names}


@pytest.fixture(scope="module")
def usual() -> bytes:
    """The map with one of everything, drawn once for all that only look at it."""
    return map_bytes(content())


@pytest.fixture(scope="module")
def usual_texts() -> tuple[str, ...]:
    """All texts of the map with one of everything."""
    return tuple(drawn_texts(content()))


@pytest.fixture(scope="module")
def emptied() -> Callable[[str], bytes]:
    """Gives the same map without the rows of one layer, each drawn once."""
    return cache(lambda name: map_bytes(content(**without(name))))


EMPTY_ABLE = ("buildings", "water", "low_spots", "flow_paths", "crossings", "inlets", "catchments")


@pytest.mark.parametrize(("units", "inches"), [("us", (11.0, 8.5)), ("metric", (11.69, 8.27))])
def test_a_sheet_has_the_size_of_its_paper_and_is_not_large(tmp_path, units, inches):
    path = tmp_path / "map.png"
    path.write_bytes(map_bytes(content(units=units)))
    with Image.open(path) as image:
        assert image.size == tuple(int(side * sheet.DOTS_PER_INCH) for side in inches)
        assert image.info["dpi"] == pytest.approx((sheet.DOTS_PER_INCH,) * 2, abs=0.02)
        assert "Software" not in image.info
    assert 50_000 < path.stat().st_size < 1_500_000


def test_the_same_content_gives_the_same_bytes_whatever_style_the_user_has_set(usual):
    with mpl.rc_context({"font.size": 20, "text.parse_math": True, "axes.facecolor": "red",
                         "savefig.bbox": "tight", "figure.autolayout": True}):  # fmt: skip
        assert map_bytes(content()) == usual
        assert mpl.rcParams["font.size"] == 20


def test_the_same_content_gives_the_same_bytes_in_another_process(usual):
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]);"
        "from test_map_sheet import content; from lotflow.outputs.drawings import map_bytes;"
        "sys.stdout.buffer.write(map_bytes(content()))"
    )
    command = [sys.executable, "-B", "-c", code, str(__file__).rpartition("/")[0]]
    assert subprocess.run(command, check=True, capture_output=True).stdout == usual


def test_the_picture_holds_nothing_but_pixels_and_resolution(usual):
    kinds, place = [], 8
    while place < len(usual):
        (length,) = struct.unpack(">I", usual[place : place + 4])
        kinds.append(usual[place + 4 : place + 8])
        place += 12 + length
    assert set(kinds) == {b"IHDR", b"pHYs", b"IDAT", b"IEND"}


@pytest.mark.parametrize("name", EMPTY_ABLE)
def test_a_layer_may_be_empty(name, usual, emptied):
    assert emptied(name) != usual


def test_all_layers_but_the_lot_may_be_empty():
    empty = content(**without(*EMPTY_ABLE))
    nothing = empty.ground.with_values(np.full(empty.ground.shape, np.nan))
    assert map_bytes(replace(empty, depth=nothing, drains=MapDrains()))


ODD_TEXTS = (
    r"$\frac{1}{0$", "a $x^2$ b", r"\undefined{", "<script>x</script>", "&amp;", "%s",
)  # fmt: skip


@pytest.mark.parametrize("name", ODD_TEXTS)
def test_text_of_the_data_is_shown_as_it_is(name):
    texts = drawn_texts(content(inlets=inlets(name), title=name, note=name))
    assert texts.count(name) == 4  # title, note, label, table


def test_no_text_of_the_data_is_drawn_as_mathematics():
    """As mathematics, `$x$` would be drawn other than `$x` and `$` apart, or not at all."""
    assert map_bytes(content(title="a $x$ b")) != map_bytes(content(title="a x b"))
    # what is no mathematics stops the drawing only when it is drawn
    title, note, *names = ODD_TEXTS
    assert map_bytes(content(title=title, note=note, inlets=inlets(*names[:3])))


def drawn_texts(shown: MapContent) -> list[str]:
    figure = sheet.sheet_figure(shown)
    found = figure.findobj(lambda artist: hasattr(artist, "get_text"))
    return [artist.get_text() for artist in found]


def test_dollar_signs_are_drawn_and_not_read():
    plain, with_dollars = (pixels(map_bytes(content(title=title))) for title in ("x_2", "$x_2$"))
    band = np.s_[40:100, :400]
    ink = [(image[band].sum(axis=2) < 300).sum() for image in (plain, with_dollars)]
    assert ink[1] > 1.2 * ink[0]


def test_names_are_kept_to_one_line_of_limited_length():
    texts = drawn_texts(content(inlets=inlets("two\nlines\tand " + "long " * 40)))
    named = [text for text in texts if text.startswith("two lines")]
    assert len(named) == 2
    assert all(len(text) <= 24 and text.endswith("…") for text in named)


def test_letters_beyond_the_font_are_drawn_without_a_warning():
    assert map_bytes(content(title="東京 \U0001f4a7", inlets=inlets("溝")))


def test_numbers_are_in_the_units_asked_for(usual_texts):
    us, metric = usual_texts, drawn_texts(content(units="metric"))
    assert {"9.8 in", "538 ft²", "1,292 ft²"} <= set(us)
    assert {"0.25 m", "50 m²", "120 m²"} <= set(metric)
    assert "Depth of low spots when full [in]" in us
    assert "Depth of low spots when full [m]" in metric


def test_the_sheet_states_source_scale_caution_and_north(usual_texts):
    texts = usual_texts
    assert "dem.tif, cells of 0.5 m, vertical accuracy 0.1 m RMSE" in texts
    assert any("not a survey" in text for text in texts)
    assert any(text.startswith("1 in = ") and text.endswith("Letter") for text in texts)
    assert "N" in texts


def test_a_catchment_cut_by_the_edge_is_given_as_at_least():
    cut = inlets("CB1").assign(cut_by_edge=True)
    assert "≥ 120 m²" in drawn_texts(content(units="metric", inlets=cut))


def test_only_what_is_on_the_map_is_explained(usual_texts):
    everything, bare = usual_texts, drawn_texts(content(**without(*EMPTY_ABLE)))
    signs = {"building", "open water", "inlet", "course uncertain: ground fills first",
             "? may be no water: see summary"}  # fmt: skip
    assert signs <= set(everything)
    assert not signs & set(bare)
    assert "lot line" in bare


def test_what_was_seen_on_site_is_marked_and_explained():
    seen = layer("observations", [{"name": "Gate"}], [at(45, 30)])
    sign = "water seen on site, or none"
    assert sign in drawn_texts(content(observations=seen))
    assert sign not in drawn_texts(content(observations=seen.iloc[:0]))
    there, bare = (pixels(map_bytes(content(observations=one))) for one in (seen, None))
    # a ring of the colour of marks, on the map and in the legend
    assert (there != bare).any(axis=2).sum() > 50


def test_low_spots_on_the_lot_come_first_and_doubtful_ones_last():
    spots = low_spots().assign(on_lot_m2=[0.0, 8.0, 8.0])
    texts = drawn_texts(content(low_spots=spots, inlets=inlets()))
    table = texts[texts.index("volume") + 1 :]
    here = [text for text in table if text in {"1", "2", "3 ?", "beyond the lot"}]
    assert here[:4] == ["2", "3 ?", "beyond the lot", "1"]


def in_the_panel(texts: Sequence[str], start: str, end: str | None = None) -> list[str]:
    """Texts of the side panel from a heading on."""
    first = texts.index(start)
    return list(texts[first : texts.index(end, first) if end else None])


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("many", [3, 12, 18])
def test_no_inlet_is_left_out_for_a_low_spot(many, units):
    """Inlets stand before the low spots, which keep room for some of theirs."""
    names = [f"Inlet {n}" for n in range(many)]
    rows = [{"name": n, "catchment_m2": 9.0, "cut_by_edge": False} for n in names]
    spots = pd.concat([low_spots().assign(artefact="")] * 8, ignore_index=True)
    spots["id"] = range(1, len(spots) + 1)
    shown = content(inlets=layer("inlets", rows, [at(40, 31)] * many), low_spots=spots, units=units)
    texts = drawn_texts(shown)
    listed = in_the_panel(texts, "Catchments of inlets", "Low spots")
    assert [text for text in listed if text in names] == names
    table = in_the_panel(texts, "Low spots")
    depths = [text for text in table[: table.index("volume") + 60] if text.endswith((" in", " m"))]
    assert len(depths) >= 3
    assert f"and {len(spots) - len(depths)} more in the summary" in table


def test_low_spots_inside_buildings_are_counted_and_not_listed(usual_texts):
    inside = low_spots().assign(artefact=["", Artefact.IN_BUILDING, "at a gap"],
                                inside_building=[False, True, False])  # fmt: skip
    texts = drawn_texts(content(low_spots=inside))
    table = in_the_panel(texts, "Low spots")
    assert "4.7 in" in in_the_panel(usual_texts, "Low spots")
    assert "4.7 in" not in table
    assert {"1", "3 ?", "and 1 more in the summary"} <= set(table)


def test_deep_water_is_darker_than_shallow_water():
    """In a bowl whose depth falls from the middle outward, brightness grows outward."""
    bare = content(**without(*EMPTY_ABLE))
    colours = pixels(map_bytes(bare))
    image = colours.sum(axis=2)
    water = (colours[..., 2] - colours[..., 0] > 40).nonzero()
    row, column = int(np.median(water[0])), int(np.median(water[1]))
    outward = [image[row, column + step * 12] for step in range(8)]
    assert outward == sorted(outward)
    assert outward[-1] > outward[0] + 100


def flat_ground() -> Grid:
    """As level as a polder: 2 cm of fall and 1 cm of noise, with gaps."""
    full = content().ground
    noise = np.random.default_rng(0).normal(0.0, 0.01, full.shape)
    values = 0.0002 * np.arange(full.shape[1]) + noise
    values[:, 60:80] = np.nan
    return full.with_values(values)


def test_level_ground_with_gaps_and_150_buildings_can_be_drawn():
    footprints = [box(x, y, x + 3, y + 4) for x in range(0, 90, 6) for y in range(0, 70, 7)]
    many = layer("buildings", [{"name": ""}] * len(footprints), footprints)
    assert len(many) == 150
    picture = map_bytes(content(ground=flat_ground(), buildings=many))
    assert len(picture) < 1_500_000


def test_a_lot_in_feet_is_drawn_at_the_same_scale_as_in_metres(usual):
    feet = 3937.0 / 1200.0
    full = content()
    scaled = {
        name: getattr(full, name).set_geometry(
            getattr(full, name).geometry.affine_transform([feet, 0, 0, feet, 0, 0])
        )
        for name in ("lot", *EMPTY_ABLE)
    }
    spots = scaled["low_spots"]
    scaled["low_spots"] = spots.assign(x=spots["x"] * feet, y=spots["y"] * feet)
    grids = {
        name: Grid(getattr(full, name).values, Affine.scale(feet) @ full.ground.transform, None,
                   1.0 / feet)
        for name in ("ground", "depth")
    }  # fmt: skip
    in_metres, in_feet = pixels(usual), pixels(map_bytes(replace(full, **scaled, **grids)))
    # rounding moves an edge by a shade here and there
    assert (np.abs(in_metres - in_feet).max(axis=2) > 40).mean() < 0.002


def test_a_catchment_fades_where_it_is_less_certain(usual_texts):
    """Of two maps that differ in one cell's share, only the ground there differs, and is paler."""
    even = content()
    name = even.catchments["name"].iloc[0]
    share = np.where(np.isnan(even.ground.values), np.nan, 1.0)
    sure = replace(even, shares={name: even.ground.with_values(share)})
    faded = replace(even, shares={name: even.ground.with_values(share * 0.25)})
    drawn = [np.asarray(Image.open(io.BytesIO(map_bytes(one)))).astype(int)[..., :3].sum(axis=-1)
             for one in (sure, faded)]  # fmt: skip
    assert (drawn[1] - drawn[0]).max() > 30
    assert "paler: less certain to drain there" in drawn_texts(sure)
    assert "paler: less certain to drain there" not in usual_texts  # those of `even`


def test_a_folder_of_the_library_that_cannot_be_written_to_is_not_spoken_of(tmp_path):
    (tmp_path / "file").write_text("")
    code = (
        "from lotflow.outputs import drawings; drawings._without_advice();"
        "import lotflow.outputs.map.sheet"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False,
        env={**os.environ, "MPLCONFIGDIR": str(tmp_path / "file" / "below")},
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")


def test_describing_a_map_does_not_import_matplotlib():
    code = "import sys, lotflow.outputs.map.content; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def lettered(shown: MapContent, listed: tuple[int, ...], metres_per_inch: float = 10.0) -> list:
    figure = sheet.sheet_figure(shown)
    bounds = (WEST, SOUTH, WEST + 90.0, SOUTH + 70.0)
    return letterings(shown, MapField(figure.axes[0], bounds, metres_per_inch), listed)


def test_every_low_spot_of_the_table_has_its_number_on_the_map():
    """However small it is; one that is not listed has it only if it is large enough."""
    shown = content(low_spots=low_spots().assign(area_m2=0.5))
    numbers = [x.text for x in lettered(shown, (1, 3)) if "low spot" in x.kind]
    assert sorted(numbers) == ["1", "3"]
    texts = drawn_texts(shown)
    assert {"1", "2", "3", "3 ?"} <= set(texts)
    assert texts.count("1") == 2  # in the table and on the map


def test_a_number_is_given_the_room_within_its_low_spot():
    """Its deepest point, and the middle of its widest part."""
    (one,) = [x for x in lettered(content(), (1,), metres_per_inch=40.0) if x.text == "1"]
    assert one.home == 1
    assert not one.middles  # eight metres are a fifth of an inch: the ring would hide it
    shown = content(low_spots=low_spots().set_geometry([box(20, 20, 60, 60)] * 3))
    (one,) = [x for x in lettered(shown, (1,)) if x.text == "1"]
    assert one.middles[1] == pytest.approx((WEST + 40, SOUTH + 40), abs=0.5)


def test_a_line_to_be_laid_bears_its_bore_fall_and_inverts():
    """On the longest leg; one too short on paper, and one that is there already, have none."""
    long, short = line((40, 60), (35, 60), (35, 20)), line((40, 31), (43, 31))
    drains = MapDrains(
        (long, short), to_be_laid=(
            (long, 0.1016, 0.0208, 9.144, 8.2296), (short, 0.1, 0.01, 9.0, 8.97),
            (line((60, 60), (60, 20)), 0.1, np.nan, np.nan, 8.0),
        ),
    )  # fmt: skip
    found = [x for x in lettered(content(drains=drains), ()) if x.kind == "pipe"]
    assert [x.text for x in found] == [
        "4.0 in, 2.08%\ninv. 30.00 to 27.00 ft", "3.9 in, -\ninv. - to 26.25 ft",
    ]  # fmt: skip
    assert (found[0].x, found[0].y) == pytest.approx((WEST + 35, SOUTH + 40))
    texts = drawn_texts(content(drains=drains))
    assert "4.0 in, 2.08%\ninv. 30.00 to 27.00 ft" in texts


def test_a_line_leads_from_each_label_to_its_pipe_where_it_stands_apart():
    """Pipes lie side by side; the label nearest to one may be that of the other."""
    pipes = [line((40 + x, 60), (40 + x, 20)) for x in (0, 1, 2, 3)]
    laid = tuple((one, 0.1, 0.01 + 0.001 * n, 9.0, 8.0) for n, one in enumerate(pipes))
    figure = sheet.sheet_figure(content(drains=MapDrains(tuple(pipes), to_be_laid=laid)))
    paper = next(
        axes for axes in figure.axes if any("inv." in text.get_text() for text in axes.texts)
    )
    # the middles of all pipes lie on one level, and no other sign there
    starts = Counter(round(float(one.get_ydata()[0]), 6) for one in paper.lines)
    assert starts.most_common(1)[0][1] == len(pipes)


def test_open_water_is_drawn(emptied):
    """Where water lies the colour of the ground is gone."""
    full = content(**without(*(name for name in EMPTY_ABLE if name != "water")))
    colours = pixels(map_bytes(full))
    drawn = np.abs(colours - np.array([163, 189, 201])).max(axis=2) < 3
    assert drawn.sum() > 10_000
    dry = np.abs(pixels(emptied("water")) - np.array([163, 189, 201])).max(axis=2) < 3
    assert not dry.sum() > 10_000


def test_a_less_certain_low_spot_is_paler(usual_texts):
    """A veil over the blue, and a word in the legend."""
    spots = low_spots()
    sure, unsure = (content(low_spots=spots.assign(probability=share)) for share in (1.0, 0.2))
    told = "paler: less certain to be there"
    assert told in drawn_texts(unsure)
    assert told not in usual_texts
    lighter = [pixels(map_bytes(shown)).sum(axis=2) for shown in (unsure, sure)]
    at_the_first = np.s_[730:830, 510:600]
    assert (lighter[0] - lighter[1])[at_the_first].mean() > 100


def test_a_flow_path_over_ponded_ground_is_drawn_light_and_dashed():
    """The same path, its course uncertain: far fewer pixels of the full colour."""
    paths = content().flow_paths
    strong = [
        (np.abs(pixels(map_bytes(content(**without("low_spots", "crossings"),
                                         flow_paths=paths.assign(ponded_share=share))))
                - np.array([11, 110, 143])).max(axis=2) < 25).sum()
        for share in (0.2, 0.8)
    ]  # fmt: skip
    assert strong[1] < 0.5 * strong[0]


def test_where_there_is_no_elevation_is_explained():
    """Only if the map shows such ground."""
    assert "no elevation data" in drawn_texts(content(ground=flat_ground()))
    values = content().ground.values
    wide = Grid(np.pad(values, 200, mode="edge"),
                Affine(CELL, 0, WEST - 100.0, 0, -CELL, SOUTH + 170.0), None)  # fmt: skip
    shown = content(ground=wide, depth=wide.with_values(np.zeros(wide.shape)))
    assert "no elevation data" not in drawn_texts(shown)


PIPE = np.array([91, 42, 134])


def purple(picture: bytes) -> int:
    """Pixels in the colour of the drains."""
    return int((np.abs(pixels(picture) - PIPE).max(axis=2) < 12).sum())


def test_drain_lines_and_outlets_are_drawn_named_and_explained(usual, usual_texts):
    everything = usual_texts
    signs = {"drain line", "drain line to be replaced", "outlet of the drains"}
    assert signs | {"Curb"} <= set(everything)
    assert "Curb" in [one.text for one in lettered(content(), ())]
    bare = content(drains=MapDrains())
    assert not (signs | {"Curb"}) & set(drawn_texts(bare))
    assert purple(usual) > 300
    assert purple(map_bytes(bare)) == 0


def test_a_line_to_be_replaced_is_thinner_than_one_that_is_to_be_there():
    way = (line((33, 25), (58, 25)),)
    replaced, to_be = (
        purple(map_bytes(content(drains=MapDrains(**{kind: way}))))
        for kind in ("replaced", "lines")
    )
    assert replaced < 0.6 * to_be


def test_of_two_systems_the_proposed_one_is_drawn_and_what_it_replaces():
    ways = [line((0, 0), (1, n)) for n in range(4)]
    rows = [{"scenario": case, "status": status} for case, status in (
        ("today", "existing"), ("today", "replaced"), ("proposed", "existing"),
        ("proposed", "proposed"))]  # fmt: skip
    ends = [{"scenario": case, "kind": "outlet", "name": case} for case in ("today", "proposed")]
    layers = {"drain_lines": layer("drain_lines", rows, ways),
              "nodes": layer("nodes", ends, [at(0, 0), at(1, 1)])}  # fmt: skip
    drains = map_drains(layers)
    assert drains.lines == tuple(ways[2:])
    assert drains.replaced == (ways[1],)
    assert [name for name, _ in drains.outlets] == ["proposed"]
    assert [way for way, *_ in drains.to_be_laid] == [ways[3]]
    alone = {name: frame[frame["scenario"] == "today"] for name, frame in layers.items()}
    assert map_drains(alone).lines == tuple(ways[:2])
    assert map_drains(alone).replaced == ()
    assert map_drains({}) == MapDrains()
