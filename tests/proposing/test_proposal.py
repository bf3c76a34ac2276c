"""
A proposal as a job folder: what is in it, that nothing of the user's changes, that it runs.

Judged by hand before it was looked at, of the sample without its proposed drains: an installer sets
three basins, at the low point of the patio by the back door, before the garage door and in the
middle of the lawn hollow; one 4 in line each by the shortest way, the patio and the garage together
into one line, to the drawn curb outlets; the lawn line runs down the west side, where the ground
falls, off the house and the alder. Two lines side by side in one side yard he lays as one. What he
may still decide otherwise: a line of its own down the drive for the garage, whose sill lies lowest.

Of the trial jobs: Delft, nothing (no fall to any named end: raise the terrace, or a pump); the
gully lot, nothing (nothing stands; a swale above the house); Alexandria, nothing yet (nothing
stands by 2 m data; the ground falls to the house: regrade and downspouts first).
"""

from __future__ import annotations

import itertools
import json
import shutil
import sqlite3
from pathlib import Path

import geopandas as gpd
import networkx as nx
import numpy as np
import pyogrio
import pytest
import shapely
from click.testing import CliRunner
from pyproj import CRS

import lotflow
from lotflow.cli.main import commands
from lotflow.errors import InputError, OutputError
from lotflow.inputs.job import moved_job_text, read_job
from lotflow.inputs.site import empty_layers
from lotflow.inputs.toml_text import parse_toml
from lotflow.layers.drawn import DrawnRow
from lotflow.outputs.proposal import differing_rows, with_rows
from lotflow.study.propose import propose

HERE = Path(lotflow.__file__).parents[1]
SAMPLE = HERE / "data_samples" / "alder_court"
JOBS = HERE / "tests" / "jobs"


def bare_copy(source: Path, folder: Path) -> Path:
    """A job without its proposed inlets and lines; its outlets stay as named ends."""
    folder.mkdir(parents=True)
    text = (source / "job.toml").read_text().replace("../data", str(JOBS / "data"))
    for name in ("dem.tif", "rainfall.csv"):
        if (source / name).exists():
            shutil.copy(source / name, folder)
    (folder / "job.toml").write_text(text)
    for layer, kind in pyogrio.list_layers(source / "site.gpkg"):
        if kind is None:
            continue
        frame = gpd.read_file(source / "site.gpkg", layer=layer)
        if layer in ("inlets", "inlet_lines", "inlet_areas", "drain_lines", "downspouts"):
            frame = frame[~frame.get("status", frame["geometry"].isna()).isin(["proposed"])]
        if layer == "downspouts":
            frame["leads_to" if "leads_to" in frame else "to"] = "surface"
        frame.to_file(folder / "site.gpkg", layer=layer, driver="GPKG")
    return folder


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, dict]:
    base = tmp_path_factory.mktemp("propose")
    job = bare_copy(SAMPLE, base / "job")
    found = propose(job, base / "out", inlets=3, surfaces=2)
    return job, base / "out", found.content


def test_inlets_stand_where_the_installer_of_the_sample_drew_them(made) -> None:
    _, folder, content = made
    assert content["outcome"] == "options"
    drawn = gpd.read_file(SAMPLE / "site.gpkg", layer="inlets").set_index("name").geometry
    channels = gpd.read_file(SAMPLE / "site.gpkg", layer="inlet_lines").geometry
    meant = [drawn["Patio basin"], drawn["Lawn drain"], *channels]
    assert len(content["options"]) == 3
    nearest = []
    for option in content["options"]:
        place = shapely.Point(option["x"], option["y"])
        away = [place.distance(one) for one in meant]
        nearest.append(int(np.argmin(away)))
        assert min(away) <= 2.5
        assert option["end"]["kind"] in ("curb", "street")
        assert option["end"]["ask"]
        line = option["line"]
        assert line["fall"] >= 0.0104 - 1e-6
        assert line["capacity_m3s"] >= line["carried_m3s"] >= line["flow_m3s"] > 0
        assert option["grate"]["is_enough"]
        assert line["deepest_m"] <= 1.524
    assert {0, 1} < set(nearest)  # the patio, the lawn hollow and the garage
    mended = set(content["harm"]["mended"])
    assert "water enters at the sill: Garage door" in mended
    assert "water led or spilled onto a neighbour: low spot 1" in mended
    assert not content["harm"]["new"]
    assert json.loads((folder / "proposal.json").read_text()) == content


def test_the_page_beside_it_shows_each_option_and_what_a_run_would_order(made) -> None:
    _, folder, content = made
    page = (folder / "proposal.html").read_text(encoding="utf-8")
    assert len(page.encode()) < 2_000_000
    assert page.count("<article") == len(content["options"]) + len(content["surface"])
    for option in content["surface"]:
        assert option["name"] in page
    for option in content["options"]:
        assert option["name"] in page
        length = f"{option['line']['length_m']:.1f} m of {option['line']['size']}"
        assert length in page
    # of the order list: both lines turn there
    assert "bend 45 deg pvc 110 mm" in page
    for text in ("14 Alder Court: what could be built", "Call before you dig", "29 CFR 1926"):
        assert text in page


def test_every_row_of_the_user_is_as_it_was_and_new_ones_say_whose_they_are(made) -> None:
    job, folder, content = made
    before, after = (one.joinpath("site.gpkg").read_bytes() for one in (job, folder))
    assert list(differing_rows(before, after)) == []
    downspouts = [row for one in content["surface"] for row in one["rows"]
                   if row["table"] == "downspouts"]  # fmt: skip
    rows, inlets = len(content["lines"]), len(content["options"])
    assert rows > inlets  # cut where others join
    for layer, number in (
        ("inlets", inlets), ("drain_lines", rows), ("downspouts", len(downspouts)),
    ):  # fmt: skip
        old = gpd.read_file(job / "site.gpkg", layer=layer)
        new = gpd.read_file(folder / "site.gpkg", layer=layer)
        assert len(new) == len(old) + number
        assert set(new["origin"].iloc[: len(old)].dropna()) == set()
        assert set(new["origin"].iloc[len(old) :]) == {"lotflow"}
        assert set(new["status"].iloc[len(old) :]) == {"proposed"}
    with sqlite3.connect(folder / "site.gpkg") as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def test_lines_keep_off_buildings_and_on_the_lot_but_for_their_ends(made) -> None:
    _, folder, _ = made
    site = folder / "site.gpkg"
    lines = gpd.read_file(site, layer="drain_lines")
    lines = lines[lines["origin"] == "lotflow"]
    buildings = gpd.read_file(site, layer="buildings").union_all()
    lot = gpd.read_file(site, layer="lot").union_all()
    assert not lines.intersects(buildings).any()
    off = lines.difference(lot)
    assert (off.length <= 8.0 * 1.5).all()  # the verge before the street, at a slant
    # no nearer to the neighbours than where it leaves the lot for the street
    street = gpd.read_file(site, layer="constraint_areas").set_index("kind").loc[["street"]]
    assert off.length.gt(0).any()
    assert (off[off.length > 0].distance(street.union_all()) <= 3.0).all()


def test_the_folder_runs_and_shows_what_was_told(made) -> None:
    _, folder, content = made
    result = lotflow.run(folder, realisations=0)
    broken = {f"{row.kind}: {row.subject}" for row in result.study.answer.harm
              if row.is_harm and row.state in ("both", "proposed")
              and row.inlets in ("any", "open")}  # fmt: skip
    assert broken == {*content["harm"]["left"], *content["harm"]["new"]}
    lines = result.drain_lines
    ours = lines[lines["name"].str.startswith("Proposed line")]
    told = content["lines"]
    assert len(ours) == len(told)
    inverts = sorted(one["invert_up_m"] for one in told)
    assert np.allclose(sorted(ours["invert_up_m"]), inverts, atol=1e-4)
    names = {*ours["name"], *result.inlets["name"]}
    found = result.findings
    fails = found[(found["severity"] == "fail") & found["subject"].isin(names)]
    assert list(fails["rule"]) == []


def test_lines_to_one_side_of_the_house_are_joined_to_one(made) -> None:
    _, folder, content = made
    site = folder / "site.gpkg"
    lines = gpd.read_file(site, layer="drain_lines")
    lines = lines[lines["origin"] == "lotflow"]
    graph = nx.DiGraph(zip(lines["from_node"], lines["to_node"], strict=True))
    assert nx.is_forest(graph.to_undirected())
    ends = [node for node in graph if graph.out_degree(node) == 0]
    outlets = set(gpd.read_file(site, layer="outlets")["name"])
    assert set(ends) <= outlets
    assert len(ends) < len(content["options"])
    assert any(one["line"]["joins"] for one in content["options"])
    # no two of them lie side by side over more than a metre
    for first, second in itertools.combinations(lines.geometry, 2):
        assert first.intersection(second.buffer(0.6)).length <= 2.0
    grates = gpd.read_file(site, layer="inlets")
    grates = grates[grates["origin"] == "lotflow"]
    assert (
        grates["grate_width_mm" if "grate_width_mm" in grates else "grate_width_in"].notna().all()
    )


@pytest.mark.nightly
def test_the_same_seed_gives_the_same_bytes(made, tmp_path: Path) -> None:
    job, folder, _ = made
    propose(job, tmp_path / "again", inlets=3, surfaces=2)
    for name in ("site.gpkg", "proposal.json"):
        assert (tmp_path / "again" / name).read_bytes() == (folder / name).read_bytes()


@pytest.mark.nightly
def test_proposed_again_a_moved_inlet_is_the_users_and_a_deleted_one_stays_away(
    made, tmp_path: Path
) -> None:
    job, folder, content = made
    changed = folder.parent / "changed"  # where its paths hold
    shutil.copytree(folder, changed)
    site = changed / "site.gpkg"
    inlets = gpd.read_file(site, layer="inlets").set_index("name")
    ours = inlets[inlets["origin"] == "lotflow"]
    moved, gone, *_ = ours.index
    place = shapely.Point(ours.geometry[moved].x + 0.6, ours.geometry[moved].y)
    with sqlite3.connect(site) as connection:
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MinY", "ST_MaxX", "ST_MaxY"):
            connection.create_function(name, 1, lambda _: 0)
        column, srs = connection.execute(
            "SELECT column_name, srs_id FROM gpkg_geometry_columns WHERE table_name = 'inlets'"
        ).fetchone()
        blob = b"GP\x00\x01" + int(srs).to_bytes(4, "little", signed=True)
        blob += shapely.to_wkb(place, byte_order=1)
        connection.execute(f"UPDATE inlets SET {column} = ? WHERE name = ?", (blob, moved))
        connection.execute("DELETE FROM inlets WHERE name = ?", (gone,))
    again = propose(changed, tmp_path / "again", inlets=1, surfaces=0).content
    assert list(differing_rows((job / "site.gpkg").read_bytes(),
                               (tmp_path / "again" / "site.gpkg").read_bytes())) == []  # fmt: skip
    now = gpd.read_file(tmp_path / "again" / "site.gpkg", layer="inlets").set_index("name")
    assert now.loc[moved, "origin"] == "user"
    assert now.geometry[moved].distance(place) < 0.01
    lines = gpd.read_file(tmp_path / "again" / "site.gpkg", layer="drain_lines")
    assert (lines["from_node"] == moved).any()  # laid anew from where it stands now
    fresh = now[now["origin"] == "lotflow"]
    assert (fresh.distance(ours.geometry[gone]) > 2.0).all()
    assert {"table": "inlets", "at": [[round(v, 3) for v in ours.geometry[gone].coords[0]]]} in (
        again["rejected"]
    )
    names = [one["name"] for one in again["options"]]
    assert len(names) == len(set(names))
    assert [one["is_drawn"] for one in again["options"] if one["name"] == moved] == [True]
    assert content["rows"]


def test_where_gravity_reaches_no_end_nothing_is_offered_and_it_is_told_why(
    tmp_path: Path,
) -> None:
    job = bare_copy(JOBS / "delft-yard", tmp_path / "job")
    content = propose(job, tmp_path / "out", surfaces=0).content
    assert content["outcome"] == "nothing can be offered"
    assert content["options"] == []
    rules = {one["rule"] for one in content["not_offered"]}
    assert "gravity reaches no named end with the least fall" in rules
    assert all(one["measured"] < 0 for one in content["not_offered"]
               if one["remedy"] == "inlet with line" and one["limit"] == 0
               and one["measured"] is not None)  # fmt: skip
    assert content["not_offered"][-1]["remedy"] == "pump in a basin"
    assert content["surface"] == []
    assert (tmp_path / "out" / "site.gpkg").read_bytes() == (job / "site.gpkg").read_bytes()


def test_paths_of_a_job_hold_from_its_new_folder(tmp_path: Path) -> None:
    text = (
        '[job]\nname = "dem.tif"  # not a path\n[elevation]\nfile = ["../a/dem 1.tif", \'b.tif\']\n'
        '[layers]\nlot = { file = "lot.gpkg", layer = "x" }\n[rainfall]\nfile = "/abs/rain.csv"\n'
        "storms = [2]\n"
    )
    folder = tmp_path / "one" / "job"
    folder.mkdir(parents=True)
    (folder / "job.toml").write_text(text)
    moved = moved_job_text(folder, tmp_path / "out", "site.gpkg")
    values = parse_toml(moved.encode(), "")
    assert values.values["elevation"]["file"] == ["../one/a/dem 1.tif", "../one/job/b.tif"]
    assert values.values["layers"]["lot"]["file"] == "../one/job/lot.gpkg"
    assert values.values["layers"]["file"] == "site.gpkg"
    assert (tmp_path / "out" / values.values["rainfall"]["file"]).resolve() == Path("/abs/rain.csv")
    assert "# not a path" in moved
    same = text.replace('name = "dem.tif"', 'name = "b.tif"')
    (folder / "job.toml").write_text(same)
    with pytest.raises(InputError):
        moved_job_text(folder, tmp_path / "out", "site.gpkg")


def test_rows_go_into_the_units_and_coordinates_of_the_users_table(tmp_path: Path) -> None:
    path = tmp_path / "site.gpkg"
    frame = gpd.GeoDataFrame(
        {"name": ["Mine"], "rim_ft": [33.0]}, geometry=[shapely.Point(-77.0, 38.8)], crs=4326
    )
    frame.to_file(path, layer="Inlets", driver="GPKG")  # with a spatial index
    x, y = gpd.GeoSeries([shapely.Point(-77.001, 38.801)], crs=4326).to_crs(32618).iloc[0].coords[0]
    place = shapely.Point(x, y)
    row = DrawnRow("inlets", {"name": "Ours", "rim": 10.0, "origin": "lotflow"}, place)
    made = with_rows(
        path.read_bytes(), [row], empty={}, crs=CRS(32618), units="metric", vertical_unit="m"
    )
    (tmp_path / "made.gpkg").write_bytes(made.content)
    read = gpd.read_file(tmp_path / "made.gpkg", layer="Inlets").set_index("name")
    assert read.loc["Ours", "rim_ft"] == pytest.approx(10.0 / 0.3048, abs=1e-5)
    assert read.loc["Ours", "geometry"].distance(shapely.Point(-77.001, 38.801)) < 1e-7
    near = gpd.read_file(
        tmp_path / "made.gpkg", layer="Inlets", bbox=(-77.0015, 38.8, -77.0005, 39)
    )
    assert list(near["name"]) == ["Ours"]  # the index knows it
    again = with_rows(
        path.read_bytes(), [row], empty={}, crs=CRS(32618), units="metric", vertical_unit="m"
    )
    assert again.content == made.content


def test_a_table_that_is_not_there_is_made_and_the_bytes_are_the_same_each_time(
    tmp_path: Path,
) -> None:
    path = tmp_path / "site.gpkg"
    frame = gpd.GeoDataFrame({"name": ["Lot"]}, geometry=[shapely.box(0, 0, 9, 9)], crs=32618)
    frame.to_file(path, layer="lot", driver="GPKG")
    line = shapely.LineString([(1, 1), (5, 5)])
    row = DrawnRow("drain_lines", {"name": "Ours", "size": 0.1016, "origin": "lotflow"}, line)
    empty = empty_layers(CRS(32618), "us")
    first, second = (
        with_rows(site, [row], empty=empty, crs=CRS(32618), units="us", vertical_unit="m").content
        for site in (path.read_bytes(), path.read_bytes())
    )
    assert first == second
    (tmp_path / "made.gpkg").write_bytes(first)
    read = gpd.read_file(tmp_path / "made.gpkg", layer="drain_lines")
    assert read["size_in"].tolist() == [4.0]
    assert read.geometry.iloc[0].equals(shapely.MultiLineString([line]))
    assert list(differing_rows(path.read_bytes(), first)) == []


def test_the_command_takes_an_elevation_and_a_lot_and_leaves_what_is_there(tmp_path: Path) -> None:
    runner, out = CliRunner(), tmp_path / "out"
    site = str(JOBS / "nm-gully-lot" / "site.gpkg")
    arguments = ["propose", str(JOBS / "data" / "nm_gully_2ft.tif"), site, "--buildings", site,
                 "--vertical-unit", "us-ft", "--surfaces", "0", "-o", str(out)]  # fmt: skip
    done = runner.invoke(commands, arguments, standalone_mode=False)
    assert done.exception is None
    assert done.return_value == 0
    content = json.loads((out / "proposal.json").read_text())
    # no puddles on this slope: a swale round the house, no inlet
    assert content["outcome"] == "options"
    assert content["options"] == []
    assert "swale" in {one["kind"] for one in content["surface"]}
    assert read_job(out).layers.file == out / "site.gpkg"
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    again = runner.invoke(commands, arguments, standalone_mode=False)
    assert isinstance(again.exception, OutputError)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


def test_a_layer_with_a_file_of_its_own_is_refused(tmp_path: Path) -> None:
    job = bare_copy(SAMPLE, tmp_path / "job")
    text = (job / "job.toml").read_text()
    (job / "job.toml").write_text(
        text.replace('file = "site.gpkg"', 'file = "site.gpkg"\ninlets = "site.gpkg"')
    )
    assert "inlets" in read_job(job).layers.own()
    with pytest.raises(InputError, match="file of its own"):
        propose(job, tmp_path / "out")
    assert not (tmp_path / "out").exists()
