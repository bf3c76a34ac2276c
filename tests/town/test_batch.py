"""A batch: each parcel has its row, a stopped one goes on, a lot is the same as by `screen`."""

import json
import re
import shutil
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from affine import Affine
from click.testing import CliRunner
from scipy.ndimage import gaussian_filter
from shapely import box

import lotflow
from lotflow.cli.main import commands
from lotflow.errors import InputError, OutputError
from lotflow.layers.result_town import CONCERNS, TOWN_LAYER
from lotflow.outputs.journal import journal_of
from lotflow.outputs.manifest import verify_result
from lotflow.outputs.town import NAMES
from lotflow.outputs.town_page import town_page
from lotflow.town import batch as batching
from lotflow.town.batch import Keep, run_batch
from lotflow.town.engine import Crew
from lotflow.town.identity import finished, run_id_of
from lotflow.town.lots import TownJob

HERE = Crew(workers=0)
SIDE = 3
#: Rows that cannot be studied, by their key, and what must be said of them.
BROKEN = {
    "": "no value in the column 'pin'",
    "twice": "2 rows have 'twice'",
    "far": "lies outside the elevation data",
    "bow": "the outline crosses itself",
}


@pytest.fixture(scope="module")
def town(tmp_path_factory):
    """Rough ground, nine lots with houses, one that overlaps, and five rows that are wrong."""
    folder = tmp_path_factory.mktemp("town")
    size, west, north = 260, 500000, 4500000
    random = np.random.default_rng(7)
    ground = gaussian_filter(random.normal(size=(size, size)), 6) * 4 + 100
    ground -= np.arange(size)[:, None] * 0.01
    profile = {
        "driver": "GTiff", "width": size, "height": size, "count": 1, "dtype": "float32",
        "crs": "EPSG:32618", "transform": Affine(1, 0, west, 0, -1, north),
    }  # fmt: skip
    with rasterio.open(folder / "dem.tif", "w", **profile) as target:
        target.write(ground.astype("float32"), 1)
    places = [(west + 70 + 40 * i, north - 100 - 40 * j) for j in range(SIDE) for i in range(SIDE)]
    rows = {f"P-{number}": box(x, y, x + 36, y + 36) for number, (x, y) in enumerate(places)}
    x, y = places[0]
    shapes = [
        *rows.values(),
        box(x + 20, y - 20, x + 50, y + 10),
        box(x, y, x + 30, y + 30),
        box(x, y, x + 30, y + 30),
        box(x, y + 1, x + 30, y + 31),
        box(x + 9e4, y, x + 9e4 + 30, y + 30),
        shapely.Polygon([(x, y), (x + 30, y + 30), (x + 30, y), (x, y + 30)]),
    ]
    keys = [*rows, "over/lap", None, "twice", "twice", "far", "bow"]
    gpd.GeoDataFrame({"pin": keys}, geometry=shapes, crs=32618).to_file(
        folder / "parcels.gpkg", layer="parcels"
    )
    houses = [box(x + 12, y + 12, x + 24, y + 22) for x, y in places]
    gpd.GeoDataFrame(geometry=houses, crs=32618).to_file(folder / "houses.gpkg", layer="buildings")
    return folder


def job(town, **changes):
    layers = {"lot": str(town / "parcels.gpkg"), "buildings": str(town / "houses.gpkg")}
    own = TownJob((str(town / "dem.tif"),), layers, "pin", vertical_unit="m", realisations=0)
    return replace(own, **changes)


@pytest.fixture(scope="module")
def done(town, tmp_path_factory):
    """A batch that ran through."""
    folder = tmp_path_factory.mktemp("done") / "town"
    return folder, run_batch(job(town), folder, keep=Keep(), crew=HERE)


@pytest.fixture(scope="module")
def small(town, tmp_path_factory):
    """The batch of the first three of the lots."""
    file = tmp_path_factory.mktemp("small") / "few.gpkg"
    gpd.read_file(town / "parcels.gpkg").iloc[:3].to_file(file, layer="parcels")
    return job(town, layers={**job(town).layers, "lot": str(file)})


def content(folder):
    return {name: (folder / name).read_bytes() for name in (*NAMES, "summary.json")}


def test_every_parcel_has_its_row(town, done):
    folder, result = done
    parcels = gpd.read_file(town / "parcels.gpkg")
    table = gpd.read_file(folder / "town.gpkg", layer="lots")
    assert list(table["parcel"]) == ["" if pd.isna(one) else one for one in parcels["pin"]]
    assert shapely.area(table.geometry).tolist() == pytest.approx(parcels.area.tolist())
    wrong = table[table["outcome"] == "failed"]
    assert list(wrong["parcel"]) == ["", "twice", "twice", "far", "bow"]
    assert set(wrong["concern"]) == {"not studied"}
    for key, reason in zip(wrong["parcel"], wrong["reason"], strict=True):
        assert BROKEN[key] in reason
    sound = [shape if shape.is_valid else shapely.Polygon() for shape in parcels.geometry]
    assert table["overlaps"].tolist() == [
        sum(one.intersection(other).area > 0.01 * min(one.area, other.area)
            for j, other in enumerate(sound) if i != j)
        for i, one in enumerate(sound)
    ]  # fmt: skip
    assert result.told["failed"] == 5
    assert verify_result(folder) == []


def test_rows_are_what_a_study_of_the_lot_finds(town, done):
    """Each row against a screening of its own, through the door for Python."""
    _, result = done
    for key in ("P-4", "over/lap"):
        own = lotflow.screen(
            town / "dem.tif", town / "parcels.gpkg", buildings=town / "houses.gpkg",
            vertical_unit="m", realisations=0, lot_name=key, lot_key="pin",
        )  # fmt: skip
        row = result.table.set_index("parcel").loc[key]
        spots = own.low_spots[own.low_spots["on_lot_m2"] > 0]
        spots = spots[spots["artefact"] == ""]
        assert row["low_spots"] == len(spots)
        assert np.isclose(row["deepest_m"], spots["depth_m"].max(), atol=1e-4, equal_nan=True)
        assert row["area_m2"] == pytest.approx(own.layers["lot"]["area_m2"].sum())
        assert row["run_on_m2"] == pytest.approx(own.study.balance["on_m2"])
        assert row["run_id"] == own.summary["provenance"]["run_id"]
        assert row["warnings"] == sum(one.severity == "warn" for one in own.finding_list)
        assert row["concern"] in CONCERNS


def test_the_parquet_is_the_same_table(done):
    folder, _ = done
    pytest.importorskip("pyarrow")
    one, other = gpd.read_parquet(folder / "town.parquet"), gpd.read_file(folder / "town.gpkg")
    assert list(one.columns) == [c.name for c in TOWN_LAYER.columns] + ["geometry"]
    assert one["parcel"].tolist() == other["parcel"].tolist()
    assert one["area_m2"].equals(other["area_m2"])
    assert one.crs == other.crs


def test_the_same_command_again_studies_nothing(town, done, monkeypatch):
    folder, _ = done
    before = content(folder)
    monkeypatch.setattr(batching, "run_lots", lambda *_: pytest.fail("studied again"))
    again = run_batch(job(town), folder, keep=Keep(), crew=HERE)
    assert again.studied == 0
    assert content(folder) == before


def command(town, folder, *options):
    """`lotflow batch` of the town."""
    call = ["batch", town / "parcels.gpkg", "--key", "pin", "--elevation", town / "dem.tif",
            "--buildings", town / "houses.gpkg", "--vertical-unit", "m", "--realisations", "0",
            "--workers", "0", "-o", folder, *options]  # fmt: skip
    return CliRunner().invoke(commands, list(map(str, call)), standalone_mode=False)


def test_a_finished_batch_is_found_without_a_look_at_its_lots(town, done, monkeypatch):
    """It is told the same; what was changed since, or is asked for besides, is done."""

    def stop(*_, **__):
        raise RuntimeError("gone through again")

    folder, result = done
    told = command(town, folder, "--strict")
    with monkeypatch.context() as patch:
        patch.setattr(batching, "run_batch", stop)
        again = command(town, folder, "--strict")
        assert (again.output, again.return_value) == (told.output, told.return_value)
        assert told.return_value == 3
        for options in (["--no-pack"], ["--keep", "worst:1"], ["--units", "us"]):
            assert "gone through again" in str(command(town, folder, *options).exception)
    assert finished(job(town), folder) == result.told
    assert finished(job(town), folder.parent) is None
    for name in ("town.gpkg", "town.html", "summary.json"):
        content = (folder / name).read_bytes()
        changed = content.replace(b'"lots": 15', b'"lots": "15"')
        (folder / name).write_bytes(changed + b" " * (changed == content))
        assert finished(job(town), folder) is None, name
        (folder / name).write_bytes(content)
    assert finished(job(town), folder) is not None


@pytest.mark.parametrize("name", ["parcels.gpkg", "houses.gpkg", "dem.tif", "houses.gpkg-wal",
                                  "parcels.dbf", "dem.prj", "dem.tfw"])  # fmt: skip
def test_a_changed_file_makes_another_batch(town, tmp_path, name):
    """So does one beside it that is read with it."""
    own = shutil.copytree(town, tmp_path / "own")
    before = run_id_of(job(own))
    assert before == run_id_of(job(town))
    with (own / name).open("ab") as file:
        file.write(b"x")
    assert run_id_of(job(own)) != before


def test_a_stopped_batch_goes_on_and_ends_the_same(town, done, tmp_path, monkeypatch):
    """Stopped after three lots, with the fourth cut off in the middle of its line."""
    run, taken = batching.run_lots, []

    def stopping(town, lots, crew, take, *rest):
        def some(row):
            if len(taken) == 3:
                raise KeyboardInterrupt
            taken.append(row["parcel"])
            take(row)

        run(town, lots, crew, some, *rest)

    folder = tmp_path / "town"
    monkeypatch.setattr(batching, "run_lots", stopping)
    with pytest.raises(KeyboardInterrupt) as stop:
        run_batch(job(town), folder, keep=Keep(), crew=HERE)
    assert "3 lots are kept" in stop.value.__notes__[0]
    assert not (folder / "summary.json").exists()
    with (folder / "progress.jsonl").open("a") as journal:
        journal.write('{"parcel": "P-8", "outco')
    monkeypatch.setattr(batching, "run_lots", run)
    rest = run_batch(job(town), folder, keep=Keep(), crew=HERE)
    assert rest.studied == SIDE**2 + 3 - 3
    assert content(folder) == content(done[0])


def test_a_full_disk_ends_a_batch_and_the_same_command_goes_on(small, done, small_disk):
    """From no room at all to enough; no lot is put down to the disk, none is lost."""
    place, leave_free = small_disk
    (place / "other").write_bytes(bytes(10_000))  # of nothing the disk would have any size
    folder, known, ended = place / "town", 0, []
    small = replace(small, pack=False)
    for free in (0, 8192, 700_000, 1_700_000, *[5_000_000] * 4):
        leave_free(free)
        try:
            result = run_batch(small, folder, keep=Keep(folders=True), crew=HERE)
            break
        except OutputError as error:
            ended.append(str(error))
        leave_free(100_000)
        assert not (folder / "summary.json").exists()
        if (folder / "progress.jsonl").exists():
            with journal_of(folder, run_id_of(small), overwrite=False) as journal:
                rows = list(journal.rows.values())
            whole = [folder / "lots" / row["folder"] for row in rows if row["outcome"] == "done"]
            assert [verify_result(one) for one in whole] == [[]] * len(whole)
            assert not any("disk" in row.get("reason", "") for row in rows)
            assert len(rows) >= known
            known = len(rows)
    assert len(ended) > 2
    assert all("Make room on the disk" in told for told in ended)
    assert 0 < known < len(result.table)
    facts = ["parcel", "concern", "low_spots", "deepest_m", "run_on_m2"]
    assert result.table[facts].equals(done[1].table[facts].iloc[:3])
    assert verify_result(folder) == []
    assert [path for path in folder.rglob(".*") if not path.name.endswith("lock")] == []


def test_a_full_disk_ends_the_journal_at_a_whole_row(small, done, small_disk):
    """A row is some hundred bytes, so the disk may take a part of one."""
    place, leave_free = small_disk

    def watch(number, _):
        leave_free(5_000_000 if number < 2 else 0)

    journal = place / "town" / "progress.jsonl"
    with pytest.raises(OutputError, match="Make room on the disk"):
        run_batch(small, place / "town", keep=Keep(), crew=HERE, watch=watch)
    leave_free(5_000_000)
    again = run_batch(small, place / "town", keep=Keep(), crew=HERE)
    assert again.studied in (0, 1)  # the last one where there was no room for its row
    assert again.told["failed"] == 0
    assert again.table["deepest_m"].equals(done[1].table["deepest_m"].iloc[:3])
    assert journal.read_text().count("\n") == 1 + 3


def test_lots_that_failed_are_studied_again_when_asked(town, done, tmp_path, monkeypatch):
    """What took too long or died may do so no more."""
    folder = shutil.copytree(done[0], tmp_path / "town")
    told = (folder / "progress.jsonl").read_text().splitlines()
    late = {"parcel": "P-4", "outcome": "failed", "concern": "not studied", "folder": "",
            "reason": "it took longer than 4 s"}  # fmt: skip
    rows = [json.dumps(late) if '"P-4"' in line else line for line in told]
    (folder / "progress.jsonl").write_text("\n".join(rows))
    (folder / "summary.json").unlink()
    for name in NAMES:
        (folder / name).unlink()
    assert run_batch(job(town), folder, keep=Keep(), crew=HERE).studied == 0
    assert command(town, folder).output.count("it took longer") == 1
    assert "it took longer" not in command(town, folder, "--retry-failed").output
    assert content(folder) == content(done[0])


@pytest.mark.parametrize("change", [
    {"folder": "javascript:alert(1)"}, {"folder": "https://evil.test/a"}, {"folder": "../../a"},
    {"folder": None}, {"concern": "none"}, {"outcome": "fine"}, {"low_spots": "<b>"},
    {"deepest_m": float("nan")}, {"deepest_m": []}, {"parcel": 7}, {"harm": {}}, {"run_id": ...},
])  # fmt: skip
def test_a_row_that_no_batch_has_written_is_not_believed(done, tmp_path, change):
    """Its values would stand in the layer, and its folder in a link of the page."""
    lines = (done[0] / "progress.jsonl").read_text().splitlines()
    run_id, row = json.loads(lines[0])["run_id"], json.loads(lines[1])
    changed = {key: value for key, value in {**row, **change}.items() if value is not ...}
    path = tmp_path / "progress.jsonl"
    text = "\n".join([lines[0], json.dumps(changed), "[" * 100_000, "[]", lines[2]])
    path.write_text(text)
    with journal_of(tmp_path, run_id, overwrite=False) as journal:
        assert list(journal.rows) == [json.loads(lines[2])["parcel"]]
    path.write_text("\n".join(lines))
    with journal_of(tmp_path, run_id, overwrite=False) as journal:
        assert len(journal.rows) == len(lines) - 1


def test_another_batch_is_not_mixed_in(town, done):
    folder, _ = done
    before = content(folder)
    with pytest.raises(OutputError, match="other inputs, options or version"):
        run_batch(job(town, realisations=1), folder, keep=Keep(), crew=HERE)
    assert content(folder) == before


def test_a_lot_is_the_same_as_by_screen(town, tmp_path):
    """All files of a lot's folder, byte for byte, of the command for one and of that for all."""
    shared = ["--vertical-unit", "m", "--realisations", "3", "-q",
              "--buildings", town / "houses.gpkg"]  # fmt: skip
    call = ["batch", town / "parcels.gpkg", "--key", "pin", "--elevation", town / "dem.tif",
            "--keep", "worst:1", "--workers", "0", "-o", tmp_path / "town", *shared]  # fmt: skip
    assert CliRunner().invoke(commands, list(map(str, call))).exit_code == 0
    table = gpd.read_file(tmp_path / "town" / "town.gpkg")
    (row,) = table[table["folder"] != ""].to_dict("records")
    assert row["deepest_m"] == table[table["concern"] == row["concern"]]["deepest_m"].max()
    one = tmp_path / "one"
    call = ["screen", town / "dem.tif", town / "parcels.gpkg", "--key", "pin", "--lot-name",
            row["parcel"], "-o", one, *shared]  # fmt: skip
    assert CliRunner().invoke(commands, list(map(str, call)), standalone_mode=False).exit_code == 0
    kept = tmp_path / "town" / row["folder"]
    names = sorted(path.name for path in one.iterdir())
    assert "plan.html" in names
    assert names == sorted(path.name for path in kept.iterdir())
    assert [name for name in names if (one / name).read_bytes() != (kept / name).read_bytes()] == []
    page = (tmp_path / "town" / "town.html").read_text()
    assert f'href="{row["folder"]}/plan.html"' in page


def test_strict_tells_that_a_lot_failed(town, done):
    folder, _ = done
    told = command(town, folder, "--strict")
    assert told.return_value == 3
    assert re.search(r"5\s+not studied", told.output)
    assert command(town, folder).return_value == 0


def test_overwriting_where_nothing_is_yet_or_a_batch_was_stopped(small, tmp_path):
    """What a batch keeps beside its result is its own."""
    folder, keep = tmp_path / "town", Keep(worst=1)
    assert run_batch(small, folder, keep=keep, crew=HERE, overwrite=True).studied == 3 + 1
    for name in (*NAMES, "summary.json"):
        (folder / name).unlink()
    assert run_batch(small, folder, keep=keep, crew=HERE, overwrite=True).studied == 0
    assert verify_result(folder) == []
    other = replace(small, units="us")
    with pytest.raises(OutputError, match="other inputs, options or version"):
        run_batch(other, folder, keep=Keep(), crew=HERE)
    assert run_batch(other, folder, keep=Keep(), crew=HERE, overwrite=True).studied == 3


def test_a_column_that_is_not_there_is_asked_after(town, tmp_path):
    with pytest.raises(InputError, match=r"no column 'pim'.*Did you mean 'pin'\?"):
        run_batch(job(town, key="pim"), tmp_path / "town", keep=Keep(), crew=HERE)
    assert not (tmp_path / "town").exists()


def test_the_page_holds_every_lot_and_no_foreign_text_as_markup(tmp_path, done):
    folder, result = done
    page = (folder / "town.html").read_text()
    data = json.loads(re.search(r'id="data">(.*?)</script>', page)[1])
    assert len(data["rows"]) == len(result.table)
    assert page.count("<path class=") == len(result.table)
    assert not re.search(r"(https?:)?//[a-z]", page.split("</head>")[1].split("<script")[0])
    table = result.table.copy()
    table.loc[0, "parcel"] = "</script><script>alert(1)</script>"
    nasty = town_page(table, title="<b>", units="metric", opens="plan.html")
    assert "<script>alert" not in nasty
    assert "<h1>&lt;b&gt;</h1>" in nasty
