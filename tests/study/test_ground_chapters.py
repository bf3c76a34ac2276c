"""Outlets, house ring, standing water and quantities of whole lots."""

import csv
import json
import shutil
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from affine import Affine

from lotflow.errors import InputError
from lotflow.inputs.job import read_job, screening_job
from lotflow.inputs.job_tables import Prices, Setbacks
from lotflow.layers import RESULT_LAYERS, SITE_LAYERS
from lotflow.layers.drawn import cases_of
from lotflow.outputs.result_layers import runoff_table
from lotflow.outputs.summary import summary_content
from lotflow.outputs.summary_text import summary_text
from lotflow.study.chapter import Chapter
from lotflow.study.drain_check import CaseRun, check_drains, dry_runs
from lotflow.study.ground import outlet_chapter, terrain_chapter
from lotflow.study.job_chapters import house_chapter, quantity_chapter, site_cover, today_chapter
from lotflow.study.lot_water import case_water, study_lot
from lotflow.study.main_job import bind
from lotflow.study.ponding import standing_chapter
from lotflow.study.write import write_study

SAMPLES = Path(__file__).parents[2] / "data_samples"
LAYERS = ("outlet_options", "facades", "openings")


def covered(lot):
    return site_cover(lot).ground


def cases(lot):
    return [case_water(lot, case) for case in cases_of(lot.site)]


def with_job(lot, **changes):
    return replace(lot, job=lot.job.model_copy(update=changes))


def rules(chapter, subject=None):
    return {f.rule for f in chapter.findings if subject in (None, f.subject)}


@pytest.fixture(scope="module")
def lots():
    return {name: study_lot(read_job(SAMPLES / name)) for name in ("alder_court", "alder_court_us")}


@pytest.fixture(scope="module")
def lot(lots):
    return lots["alder_court"]


@pytest.fixture(scope="module")
def checked(lot):
    return check_drains(lot, dry_runs(lot))


def test_every_low_spot_and_inlet_gets_its_options_best_first(lot):
    layer = outlet_chapter(lot).layers["outlet_options"]
    spots = {f"low spot {n}" for n in (1, 2, 3)}
    assert set(layer["subject"]) == spots | set(lot.names)
    for _, rows in layer.groupby("subject"):
        assert list(rows["rank"]) == list(range(1, len(rows) + 1))
        assert len(rows) <= 3
    best = layer[layer["rank"] == 1]
    assert set(best["kind"]) == {"curb"}
    assert set(best["verdict"]) == {"reachable"}
    houses = lot.site.buildings.geometry.union_all()
    assert not layer.geometry.intersects(houses.buffer(-0.01)).any()


def test_without_drawn_outlets_and_streets_the_lot_edge_and_the_ground_beyond_are_left():
    """The quick case: two files only."""
    sample = SAMPLES / "alder_court"
    lot = study_lot(screening_job((sample / "dem.tif",), {"lot": sample / "site.gpkg"}))
    layer = outlet_chapter(lot).layers["outlet_options"]
    assert set(layer["kind"]) == {"lot edge", "beyond the lot"}
    assert layer[layer["rank"] == 1]["place"].str.contains("south").all()
    for _, rows in layer.groupby("subject"):  # off the lot only where nothing on its line is sure
        edge = rows[rows["kind"] == "lot edge"]
        first = rows[rows["rank"] == 1].iloc[0]
        if first["kind"] == "beyond the lot":
            assert first["off_lot_m"] > 0
            assert not (edge["verdict"] == "reachable").any()


def bowl_job(folder):
    """A lot that lies wholly in a round bowl, 28 cm deep with a level rim: nowhere to go."""
    x, y = np.meshgrid(np.arange(60) + 0.5, np.arange(60) + 0.5)
    values = np.minimum(10.0, 9.72 + 0.28 * (np.hypot(x - 30, y - 30) / 20) ** 2)
    profile = {"driver": "GTiff", "dtype": "float32", "count": 1, "width": 60, "height": 60,
               "crs": "EPSG:26917", "transform": Affine(1, 0, 6e5, 0, -1, 3.3e6 + 60)}  # fmt: skip
    with rasterio.open(folder / "dem.tif", "w", **profile) as raster:
        raster.write(values.astype(np.float32), 1)
    shape = shapely.box(6e5 + 20, 3.3e6 + 20, 6e5 + 40, 3.3e6 + 40)
    gpd.GeoDataFrame(geometry=[shape], crs="EPSG:26917").to_file(folder / "lot.geojson")
    return screening_job((folder / "dem.tif",), {"lot": folder / "lot.geojson"}, vertical_unit="m")


def test_a_lot_in_a_bowl_has_no_gravity_outlet_and_the_text_opens_with_it(tmp_path):
    lot = study_lot(bowl_job(tmp_path))
    chapter = outlet_chapter(lot)
    (finding,) = chapter.findings
    assert (finding.rule, finding.severity) == ("no-gravity-outlet", "warn")
    assert finding.measured < 0
    assert finding.x is not None
    study = bind(lot, [terrain_chapter(lot), chapter])
    content = summary_content(study.layers, balance={}, provenance={}, accuracy={})
    text = summary_text(content, "us")
    assert text.splitlines()[1] == "No gravity outlet was found for low spot 1."
    assert "Where gravity can lead it" in text


def test_levels_that_are_too_rough_to_tell_an_outlet_are_said(lot):
    """The sample's outlets are reachable by 10 cm of error, and not to be told by 60 cm."""
    assert not outlet_chapter(lot).findings
    rough = with_job(lot, elevation=lot.job.elevation.model_copy(update={"rmse_m": 0.6}))
    found = {finding.rule: finding for finding in outlet_chapter(rough).findings}
    assert found["outlet-fall-uncertain"].severity == "note"
    assert found["outlet-fall-uncertain"].measured > 0
    facts = found["outlet-fall-uncertain"].facts
    assert 0 < facts["left_m"] < facts["doubt_m"]


def test_the_patio_falls_towards_the_house_and_the_narrow_side_is_not_judged(lot):
    layer = house_chapter(lot, cases(lot), covered(lot)).layers["facades"].set_index("name")
    assert layer.loc["House, north side", "surface"] == "paving"
    assert layer.loc["House, north side", "slope"] < 0
    assert layer.loc["House, north side", "verdict"] == "too flat"
    assert layer.loc["Garage, east side", "verdict"] == "too narrow to tell"
    assert set(layer["building"]) == {"House", "Garage"}  # not the neighbours' houses


def test_openings_know_the_low_spot_beside_them(lot):
    layer = house_chapter(lot, cases(lot), covered(lot)).layers["openings"].set_index("name")
    assert layer.loc["Back door", "low_spot"] == 2
    # the patio overflows about 10 cm below the sill, as the sample's description tells
    assert layer.loc["Back door", "freeboard_m"] == pytest.approx(0.10, abs=0.01)
    assert np.isnan(layer.loc["Heat pump", "freeboard_m"])


def test_what_is_wrong_today_and_no_longer_proposed_says_so(lot):
    chapter = house_chapter(lot, cases(lot), covered(lot))
    downspouts = [f for f in chapter.findings if f.rule.startswith("downspout")]
    assert {f.subject for f in downspouts} == {"DS2", "DS3"}
    assert all(f.today for f in downspouts)
    assert "downspout-feeds-low-spot" in rules(chapter, "DS2")
    assert rules(chapter, "Old emitter") == {"discharge-over-sidewalk"}


def test_setbacks_come_from_the_job_alone(lot):
    assert "setback" not in rules(house_chapter(lot, cases(lot), covered(lot)))
    strict = with_job(lot, setbacks=Setbacks.model_validate({"tree_m": 3.0, "lot_line_ft": 60.0}))
    found = [
        f for f in house_chapter(strict, cases(lot), covered(lot)).findings if f.rule == "setback"
    ]
    trees = {f.subject for f in found if f.facts["kind"] == "tree"}
    assert trees == {"Street line", "Lawn line", "Lawn street line"} & trees
    assert "Lawn street line" in trees
    assert {f.subject for f in found if f.facts["kind"] == "lot line"} == {"Old emitter"}


def test_undrained_paving_never_dries_and_lawn_soaks_away(lot):
    bare = replace(lot, inlets=replace(lot.inlets, placed=[]))
    chapter = standing_chapter(bare, covered(bare))
    hours = chapter.columns["low_spots"]["soak_away_h"]
    # lawn alone: 17.74 cm of water (scikit-image, see test_sample) at 0.2 in/h, group C
    assert hours[0] == pytest.approx(17.74 / (0.2 * 2.54), abs=0.2)
    assert np.isnan(hours[1:]).all()
    assert {f.subject for f in chapter.findings} == {"low spot 2", "low spot 3"}
    assert standing_chapter(lot, covered(lot)).findings == []


def test_a_soak_test_counts_instead_of_the_soil_group(lot):
    general = lot.job.job.model_copy(update={"soak_test_in_h": 0.4})
    hours = standing_chapter(
        with_job(lot, job=general), covered(with_job(lot, job=general))
    ).columns["low_spots"]["soak_away_h"]
    assert hours[0] == pytest.approx(17.74 / (0.4 * 2.54), abs=0.2)


def test_feet_and_metres_give_the_same_findings_and_levels(lots):
    found = {}
    for name, lot in lots.items():
        chapters = [
            outlet_chapter(lot),
            house_chapter(lot, cases(lot), covered(lot)),
            standing_chapter(lot, covered(lot)),
        ]
        found[name] = (
            [(f.rule, f.subject) for one in chapters for f in one.findings],
            {key: table for one in chapters for key, table in one.layers.items()},
        )
    (first, first_layers), (second, second_layers) = found.values()
    assert first == second
    for name in LAYERS:
        for column in RESULT_LAYERS[name].columns:
            if column.name.rpartition("_")[2] in ("x", "y"):
                continue
            a, b = first_layers[name][column.name], second_layers[name][column.name]
            if column.kind == "number":
                np.testing.assert_allclose(a, b, atol=2e-3)
            else:
                assert list(a.dropna()) == list(b.dropna())


def test_quantities_are_those_of_the_proposed_parts(lot, checked):
    chapter = quantity_chapter(lot, checked)
    table = chapter.layers["quantities"].set_index("item")
    lines = lot.site.drain_lines
    proposed = lines[lines["status"] == "proposed"]
    assert table.loc["pipe pvc 4 in", "quantity"] == np.ceil(proposed.length.sum() / 3.0)
    assert table.loc["catch basin 305 mm x 305 mm", "quantity"] == 2
    assert table.loc["outlet curb 102 mm", "quantity"] == 3
    assert table.loc["channel drain 127 mm wide section", "quantity"] == 3
    assert table.loc["downspout connection", "quantity"] == 4
    assert not table.index.str.contains("corrugated").any()
    trench = table[table.index.str.startswith("trench")]["quantity"].sum()
    assert trench == pytest.approx(proposed.length.sum(), abs=0.2)
    surfaces = table[table.index.str.startswith("surface")]["quantity"].sum()
    assert surfaces == pytest.approx(trench * (0.101 + 2 * 0.1016), abs=0.2)


def _ordered(lot, lines, *, outlet_in=4):
    """Pieces of the order of a small system: lines between two inlets, joints and an outlet."""
    site = lot.site
    x, y = site.lot.geometry.iloc[0].centroid.coords[0]
    places = {"A": (x - 8, y + 8), "B": (x - 2, y + 4), "m": (x - 8, y + 4),
              "CO 1": (x - 8, y), "Out": (x - 8, y - 6)}  # fmt: skip
    frames = {
        "inlets": [{"name": name, "status": "proposed", "geometry": shapely.Point(places[name])}
                   for name in "AB"],
        "outlets": [{"name": "Out", "kind": "daylight", "diameter_m": outlet_in * 0.0254,
                     "status": "proposed", "geometry": shapely.Point(places["Out"])}],
        "drain_lines": [
            {"name": f"{start} to {end}", "from_node": start, "to_node": end, "material": "pvc",
             "size_m": size * 0.0254, "status": status,
             "geometry": shapely.LineString([places[start], places[end]])}
            for start, end, size, status in lines
        ],
        "downspouts": [],
    }  # fmt: skip
    drawn = {name: _frame(lot, name, rows) for name, rows in frames.items()}
    small = replace(lot, site=replace(site, **drawn))
    run = CaseRun("proposed", replace(lot.inlets, placed=[]))
    table = quantity_chapter(small, check_drains(small, [run])).layers["quantities"]
    return {
        item: count for item, count in zip(table["item"], table["quantity"], strict=True)
        if item.startswith(("bend", "wye", "reducer", "clean-out"))
    }  # fmt: skip


def _frame(lot, name, rows):
    """A site layer in SI, columns not given empty."""
    columns = {column.inside_name: column.kind for column in SITE_LAYERS[name].columns}
    data = {
        column: pd.Series([row.get(column, np.nan if kind == "number" else None) for row in rows],
                          dtype=float if kind == "number" else object)
        for column, kind in columns.items()
    }  # fmt: skip
    shapes = [row["geometry"] for row in rows]
    return gpd.GeoDataFrame(data, geometry=shapes, crs=lot.site.lot.crs)


def test_cleanouts_wyes_and_reducers_are_counted(lot):
    """B comes in square by a wye: 45 of the turn are the wye's, a bend of 45 does the rest."""
    new = "proposed"
    lines = [("A", "m", 4, new), ("B", "m", 4, new), ("m", "CO 1", 6, new), ("CO 1", "Out", 6, new)]
    assert _ordered(lot, lines, outlet_in=6) == {
        "bend 45 deg pvc 4 in": 1, "wye pvc 6 in": 1, "reducer pvc 4 in to pvc 6 in": 2,
        "clean-out pvc 6 in": 1,
    }  # fmt: skip


def test_what_a_new_line_needs_where_it_joins_an_old_one_is_counted(lot):
    """Only the branch is new: its wye and reducer; the old main and its clean-out are there."""
    lines = [("A", "m", 6, "existing"), ("B", "m", 4, "proposed"), ("m", "CO 1", 6, "existing"),
             ("CO 1", "Out", 6, "existing")]  # fmt: skip
    assert _ordered(lot, lines, outlet_in=6) == {
        "bend 45 deg pvc 4 in": 1, "wye pvc 4 in": 1, "reducer pvc 4 in to pvc 6 in": 1
    }  # fmt: skip


def test_a_clean_out_at_the_head_of_a_line_and_a_wider_outlet_are_counted(lot):
    lines = [("CO 1", "Out", 4, "proposed")]
    assert _ordered(lot, lines, outlet_in=6) == {
        "clean-out pvc 4 in": 1, "reducer pvc 4 in to outlet 152 mm": 1
    }  # fmt: skip


def test_prices_are_the_users_and_their_sum_stands_in_the_csv(lot, checked, tmp_path):
    (tmp_path / "prices.csv").write_text("item,price\nCatch basin 305 mm x 305 mm,80\ngold,1\n")
    priced = with_job(lot, prices=Prices.model_validate({"file": str(tmp_path / "prices.csv")}))
    chapter = quantity_chapter(priced, checked)
    rows = list(csv.reader(chapter.texts["quantities.csv"].splitlines()))
    assert rows[0] == ["item", "detail", "quantity", "unit", "price", "cost"]
    assert rows[-1] == ["sum", "of what has a price", "", "", "", "160.0"]
    assert rules(chapter) == {"item-without-price", "price-without-item"}
    (tmp_path / "prices.csv").write_text("item,price\na,b\n")
    with pytest.raises(InputError, match="line 2"):
        quantity_chapter(priced, checked)


def test_nothing_proposed_is_nothing_to_order(lot):
    frames = {
        name: getattr(lot.site, name).assign(status="existing")
        for name in ("inlets", "outlets", "drain_lines", "downspouts")
    }
    as_it_is = replace(lot, site=replace(lot.site, **frames))
    chapter = quantity_chapter(as_it_is, ())
    assert chapter.layers["quantities"].empty
    assert not chapter.texts


def test_the_layers_are_written_and_read_back(lot, checked, tmp_path):
    study = bind(lot, [
        terrain_chapter(lot), Chapter(layers={"runoff": runoff_table([])}), outlet_chapter(lot),
        house_chapter(lot, cases(lot), covered(lot)), standing_chapter(lot, covered(lot)),
        quantity_chapter(lot, checked),
    ])  # fmt: skip
    write_study(study, tmp_path / "r", overwrite=False)
    summary = json.loads((tmp_path / "r" / "summary.json").read_text())
    for name in (*LAYERS, "quantities"):
        assert len(summary[name]) == len(study.layers[name])
        assert len(gpd.read_file(tmp_path / "r" / "result.gpkg", layer=name)) == len(summary[name])
    assert summary["openings"][0]["low_spot"] == 2
    assert "quantities.csv" in summary["files"]


def test_flow_paths_of_today_are_those_of_a_job_without_what_is_proposed(tmp_path):
    """Held against the main layer of a site from which all that is proposed is taken out."""
    lot = study_lot(read_job(SAMPLES / "alder_court_us"))
    told = today_chapter(lot, [case_water(lot, case) for case in cases_of(lot.site)])
    proposed = terrain_chapter(lot).layers["flow_paths"]

    shutil.copytree(SAMPLES / "alder_court_us", tmp_path / "job")
    site = tmp_path / "job" / "site.gpkg"
    drawn = {name: gpd.read_file(site, layer=name) for name in gpd.list_layers(site)["name"]}
    site.unlink()
    for name, frame in drawn.items():
        status = frame.get("status", pd.Series(index=frame.index, dtype=object))
        kept = frame[status.ne("proposed")].replace({"status": {"replaced": "existing"}})
        if len(kept) and "geometry" in kept:
            kept.to_file(site, layer=name)
    bare = study_lot(read_job(tmp_path / "job"))
    assert bare.case == "today"
    assert not today_chapter(bare, [case_water(bare, "today")]).layers

    # how far the data are read depends on the inlets: only what runs over the lot is compared
    near = lot.site.lot.union_all().buffer(10)
    of_today, alone, of_proposal = (
        frame.union_all() & near
        for frame in (
            told.layers["flow_paths_today"], terrain_chapter(bare).layers["flow_paths"], proposed
        )
    )  # fmt: skip
    assert of_today.symmetric_difference(alone).length == pytest.approx(0, abs=1e-6)
    assert of_today.symmetric_difference(of_proposal).length > 5
