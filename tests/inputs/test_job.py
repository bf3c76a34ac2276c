"""The job file: all faults at once with key and line, defaults, paths, provenance, setbacks."""

import dataclasses
import json
import os
import tomllib
from pathlib import Path
from typing import Annotated

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import Field, ValidationError

from lotflow.criteria import Criteria
from lotflow.errors import InputError, ParameterError
from lotflow.inputs.job import Job, job_template, read_job
from lotflow.inputs.job import faults_of as faults_of_model
from lotflow.inputs.job_tables import Elevation, General, LayerEntry, Layers, Table
from lotflow.inputs.sources import LayerFile
from lotflow.inputs.toml_text import parse_toml
from lotflow.layers import CONSTRAINT_KINDS, SITE_LAYERS

LEAST = '[elevation]\nfile = "dem.tif"\n[layers]\nlot = "lot.geojson"\n'

WHOLE = """\
[job]
name = "14 Alder Court"
units = "metric"
ground = "bare soil"
soil_group = "D"
coefficient = 0.35
intensity_mm_h = 25
[elevation]
file = ["dem_a.tif", "../tiles/dem_b.tif"]
vertical_unit = "us-ft"
rmse_m = 0
correlation_m = 12.5
white_share = 0.2
margin_m = 80
[levels]
benchmark = 100.00
elevation_m = 31.42
unit = "ft"
[layers]
file = "site.gpkg"
lot = "lot.geojson"
walls = { file = "more.gpkg", layer = "curbs" }
[rainfall]
storms = [100, 2, 10]
uplift = 1.1
[rainfall.coefficients]
unit = "in_h"
return_periods = [10]
a = [63.67]
b = [9.53]
c = [0.7619]
shortest_min = 5
longest_min = 1440
source = "fit to NOAA Atlas 14, Irving TX"
[criteria]
snap_m = 1.25
[terrain]
direction = "richdem-d8"
[confidence]
realisations = 0
seed = 7
"""


@pytest.fixture
def folder(tmp_path):
    path = tmp_path / "14 Alder"
    path.mkdir()
    return path


def read(folder, text):
    (folder / "job.toml").write_text(text, encoding="utf-8")
    return read_job(folder)


def faults_of(folder, text):
    with pytest.raises(InputError) as caught:
        read(folder, text)
    return caught.value.faults


# ------------------------------------------------------------------ what is read


def test_the_least_job_has_the_stated_defaults(folder):
    job = read(folder, LEAST)
    assert job.job == General(name="14 Alder", units=None, ground="lawn", soil_group="C")
    assert (job.units, job.name_is_given) == ("metric", False)
    assert job.elevation == Elevation(file=(folder / "dem.tif",))
    assert (job.elevation.rmse_m, job.elevation.correlation_m) == (0.1, 10)
    assert (job.elevation.white_share, job.elevation.margin_m) == (0.1, None)
    assert job.layers.own() == {"lot": LayerFile(folder / "lot.geojson")}
    assert job.criteria == Criteria()
    assert job.terrain.direction == "ltd"
    assert job.rainfall is job.levels is job.intensity_m_s is None
    assert job.level_offset_m == 0


def test_a_whole_job(folder):
    job = read(folder, WHOLE)
    assert job.job.name == "14 Alder Court"
    assert job.intensity_m_s == pytest.approx(25 / 3.6e6)
    assert job.elevation.file == (folder / "dem_a.tif", folder / "../tiles/dem_b.tif")
    assert job.elevation.vertical_unit == "us-ft"
    assert job.elevation.rmse_m == 0
    assert job.layers.file == folder / "site.gpkg"
    assert job.layers.own()["walls"] == LayerFile(folder / "more.gpkg", "curbs")
    assert job.rainfall is not None
    assert job.rainfall.storms == (2, 10, 100)
    assert job.rainfall.coefficients is not None
    assert job.rainfall.coefficients.a == (63.67,)
    assert job.criteria == Criteria(snap_m=1.25)
    assert job.level_offset_m == pytest.approx(31.42 - 30.48)
    assert (job.confidence.realisations, job.confidence.seed) == (0, 7)


def test_the_folder_and_the_file_name_the_same_job(folder):
    job = read(folder, LEAST)
    assert read_job(folder / "job.toml") == job


def test_paths_start_at_the_job_s_folder_wherever_one_stands(folder, monkeypatch):
    """An absolute path stays what it is."""
    read(folder, LEAST.replace('"dem.tif"', '["dem.tif", "/data/dem.tif"]'))
    monkeypatch.chdir(folder.parent)
    job = read_job(Path("14 Alder"))
    assert job.elevation.file == (Path("14 Alder/dem.tif"), Path("/data/dem.tif"))
    assert job.job.name == "14 Alder"
    monkeypatch.chdir(folder)
    assert read_job(Path()).job.name == "14 Alder"


@pytest.mark.parametrize(
    ("units", "levels", "offset"),
    [("us", "", 0.94), ("metric", "", -68.58), ("us", 'unit = "m"', -68.58)],
)
def test_the_benchmark_is_in_the_units_of_the_job_unless_stated(folder, units, levels, offset):
    """100.00 ft are 30.48 m."""
    text = f"[job]\nunits = '{units}'\n[levels]\nbenchmark = 100\nelevation_m = 31.42\n{levels}\n"
    assert read(folder, text + LEAST).level_offset_m == pytest.approx(offset)


def test_intensity_in_inches(folder):
    job = read(folder, "[job]\nintensity_in_h = 1\n" + LEAST)
    assert job.intensity_m_s == pytest.approx(0.0254 / 3600)


def test_every_site_layer_has_its_key():
    assert set(Layers.model_fields) == {"file", *SITE_LAYERS}


def test_every_criterion_has_its_key_and_bounds(folder):
    """Each is declared once, in `Criteria`; the job file takes it from there."""
    for item in dataclasses.fields(Criteria):
        low, high = item.metadata["low"], item.metadata["high"]
        job = read(folder, LEAST + f"[criteria]\n{item.name} = {high}\n")
        assert getattr(job.criteria, item.name) == high
        for beyond in (low - 1, high * 2):
            (fault,) = faults_of(folder, LEAST + f"[criteria]\n{item.name} = {beyond}\n")
            assert (fault.column, fault.line) == (f"criteria.{item.name}", 6)


def test_a_job_can_be_made_without_a_file():
    """As the command that needs no job file does."""
    job = Job(
        elevation=Elevation(file=(Path("dem.tif"),), vertical_unit="ft"),
        layers=Layers(
            lot=LayerEntry(file=Path("site.gpkg"), layer="lot"),
            walls=LayerEntry(file=Path("w.shp")),
        ),
        criteria=Criteria(snap_m=0.0),
    )
    plain = Layers.model_validate({"lot": LayerFile(Path("site.gpkg"), "lot")})
    assert plain.lot == job.layers.lot
    assert job.layers.own() == {
        "lot": LayerFile(Path("site.gpkg"), "lot"), "walls": LayerFile(Path("w.shp")),
    }  # fmt: skip
    assert job.criteria.snap_m == 0


def test_a_job_cannot_be_changed(folder):
    job = read(folder, LEAST)
    with pytest.raises(ValueError, match="frozen"):
        job.job = General()


def test_the_description_is_plain_and_tells_no_folders(folder):
    """Same settings in another folder are the same description."""
    other = folder.parent / "b"
    other.mkdir()
    described = read(folder, WHOLE).describe()
    assert described == read(other, WHOLE).describe()
    text = json.dumps(described, allow_nan=False)
    assert os.sep not in text.replace("fit to NOAA", "")
    assert described["elevation"]["file"] == ["dem_a.tif", "dem_b.tif"]
    assert described["layers"]["walls"] == {"file": "more.gpkg", "layer": "curbs"}
    assert described["criteria"]["snap_m"] == 1.25
    assert described["elevation"]["vertical_unit"] == "us-ft"


# ------------------------------------------------------------------ what is refused

BAD = [
    ("job", "unts = 'us'", "job.unts", "us", "the key is not known. Did you mean 'units'?"),
    ("job", "units = 'imperial'", "job.units", "imperial", "must be 'us' or 'metric'."),
    ("job", "units = 'Metric'", "job.units", "Metric", "Did you mean 'metric'?"),
    ("job", "name = 14", "job.name", 14, "must be text in quotes"),
    ("job", f"name = '{'x' * 201}'", "job.name", "x" * 201, "200 characters long, this is 201"),
    ("job", "ground = 'lawm'", "job.ground", "lawm",
     "is no cover that is known. Did you mean 'lawn'?"),
    ("job", "soil_group = 'E'", "job.soil_group", "E", "must be 'A', 'B', 'C' or 'D'"),
    ("job", "coefficient = 35", "job.coefficient", 35, "must be 1 or less"),
    ("job", "coefficient = nan", "job.coefficient", None, "must be a finite number"),
    ("job", "coefficient = -inf", "job.coefficient", None, "must be a finite number"),
    ("job", "coefficient = '0.3'", "job.coefficient", "0.3", "must be a number, without quotes"),
    ("job", "coefficient = true", "job.coefficient", True, "must be a number"),
    ("job", "intensity_mm_h = 0", "job.intensity_mm_h", 0, "must be greater than 0"),
    ("job", "soak_test_mm_h = 1\nsoak_test_in_h = 1", "job", None,
     "soak_test_mm_h and soak_test_in_h say the same thing. Give one of them."),
    ("job", "soak_test_drops_mm = [50, 30]\nsoak_test_minutes = [60]", "job", None,
     "the soak test has 2 drops and 1 times"),
    ("job", "soak_test_drops_in = [2]", "job", None, "belong together"),
    ("job", "soak_test_drops_in = [2]\nsoak_test_minutes = [0]", "job", None,
     "soak_test_minutes must be greater than 0"),
    ("job", "intensity_mm_h = 1\nintensity_in_h = 1", "job", None,
     "intensity_mm_h and intensity_in_h say the same thing. Give one of the two."),
    ("job", "rmse_m = 0.1", "job.rmse_m", 0.1, "the key is not known. It belongs into [elevation]"),
    ("levels", "elevation_m = 31.42", "levels", None, "that of a benchmark, and none is given"),
    ("levels", "unit = 'm'", "levels", None, "gives neither a benchmark nor notes"),
    ("levels", "notes = 'a.csv'\ndrawn = 'map'", "levels.drawn", "map", "'benchmark' or 'raster'"),
    ("rainfall", "storms = [2, 10]", "rainfall", None, "give either file or coefficients"),
    ("rainfall", "file = 'a.csv'\nstorms = [10, 10]", "rainfall.storms", None, "stands twice"),
    ("rainfall", "file = 'a.csv'\nstorms = []", "rainfall.storms", None, "at least 1 value"),
    ("rainfall", "file = 'a.csv'\nstorms = [2, 0.5]", "rainfall.storms.1", 0.5, "1 or more"),
    ("rainfall", "file = 'a.csv'\nuplift = 0.2", "rainfall.uplift", 0.2, "must be 1 or more"),
    ("terrain", "direction = 'd8'", "terrain.direction", "d8",
     "must be 'ltd', 'steepest' or 'richdem-d8'"),
    ("confidence", "realisations = 10.5", "confidence.realisations", 10.5, "a whole number"),
    ("confidence", "realisations = -1", "confidence.realisations", -1, "must be 0 or more"),
    ("confidence", "precision = 0.001", "confidence.precision", 0.001, "must be 0.01 or more"),
    ("confidence", "precision = 0.05\nrealisations = 100", "confidence", None,
     "realisations and precision say the same thing. Give one of the two."),
    ("confidence", "seed = 4294967296", "confidence.seed", 2**32, "must be less than 4294967296"),
    ("criteria", "snap_n = 1", "criteria.snap_n", 1, "Did you mean 'snap_m'?"),
    ("criteria", "snap_cells = 2", "criteria.snap_cells", 2,
     "the key is not known. Write snap_m, a distance in metres"),
    ("criteria", "snap_m = 2", "criteria.snap_m", 2, "must be 1.5 or less"),
    ("wrong", "a = 1", "wrong", None, "the key is not known. It may be 'job', 'elevation'"),
    ("terain", "direction = 'ltd'", "terain", None, "Did you mean 'terrain'?"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "text", "key", "value", "message"), BAD)
def test_a_bad_setting_is_one_fault_with_key_line_and_value(
    folder, table, text, key, value, message
):
    """It stands on line 6 or after it, or, where it is missing, at its table on line 5."""
    (fault,) = faults_of(folder, LEAST + f"[{table}]\n{text}\n")
    assert fault.column == key
    assert message in str(fault)
    if value is not None:
        assert fault.value == value
    name = f"{key}.".split(".")[1]
    written = [n for n, line in enumerate(text.split("\n"), 6) if name and line.startswith(name)]
    assert fault.line == (written[0] if written else 5)
    assert str(fault).startswith(f"{folder / 'job.toml'}, line {fault.line}, {key}")


BAD_LAYERS = [
    ("", "layers", 3, "the lot is missing. Give it: lot ="),
    ("lots = 'a.gpkg'", "layers.lots", 4, "the key is not known. Did you mean 'lot'?"),
    ("lot = 3", "layers.lot.file", 4, "must be a path in quotes"),
    ("lot = ''", "layers.lot.file", 4, "is no path of a file"),
    ("lot = 'a\\u0000b'", None, None, None),
    ('lot = "a\\u0000b"', "layers.lot.file", 4, "is no path of a file"),
    ("lot = { layer = 'a' }", "layers.lot.file", 4, "the key is missing"),
    ("lot = { file = 'a', layr = 'b' }", "layers.lot.layr", 4, "Did you mean 'layer'?"),
]


@pytest.mark.parametrize(("text", "key", "line", "message"), BAD_LAYERS)
def test_bad_layers(folder, text, key, line, message):
    whole = f"[elevation]\nfile = 'dem.tif'\n[layers]\n{text}\n"
    if key is None:  # in single quotes a backslash is a backslash
        assert read(folder, whole).layers.own()["lot"].path.name == "a\\u0000b"
        return
    found = [fault for fault in faults_of(folder, whole) if fault.column == key]
    assert [fault.line for fault in found] == [line]
    assert message in str(found[0])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "elevation: the table is missing. Add it: [elevation]"),
        ("[elevation]\n[layers]\nlot = 'a'", "elevation.file: the key is missing"),
        ("elevation = 'dem.tif'\n[layers]\nlot = 'a'", "elevation = 'dem.tif': must be a table"),
        ("[[elevation]]\nfile = 'a'\n[layers]\nlot = 'a'", "elevation: must be a table"),
        ("[elevation]\nfile = []\n[layers]\nlot = 'a'", "elevation.file: must hold at least 1"),
        ("[elevation]\nfile = [1]\n[layers]\nlot = 'a'", "must be a path in quotes"),
        ("[elevation]\nfile = 1979-05-27\n[layers]\nlot = 'a'", "must be a path in quotes"),
    ],
)
def test_tables_that_must_be_there(folder, text, message):
    assert message in "\n".join(str(fault) for fault in faults_of(folder, text))


def test_the_vertical_unit_is_one_of_three(folder):
    (fault,) = faults_of(folder, LEAST.replace("[layers]", "vertical_unit = 'feet'\n[layers]"))
    assert "must be 'm', 'ft' or 'us-ft'. Did you mean 'ft'?" in str(fault)


def test_an_error_without_words_of_ours_keeps_those_of_pydantic():
    """A rule added to a table later is never swallowed."""

    class Later(Table):
        code: Annotated[str, Field(pattern="x")]

    with pytest.raises(ValidationError) as caught:
        Later.model_validate({"code": "a"})
    (fault,) = faults_of_model(caught.value, Later, parse_toml(b"code = 'a'", "f"), "f")
    assert str(fault) == "f, line 1, code = 'a': string should match pattern 'x'."


def test_coefficients_must_fit_together(folder):
    text = LEAST + WHOLE[WHOLE.index("[rainfall]") : WHOLE.index("[criteria]")]
    (fault,) = faults_of(folder, text.replace("a = [63.67]", "a = [63.67, 70]"))
    assert "a, b and c must have one value per return period" in str(fault)
    (fault,) = faults_of(folder, text.replace("shortest_min = 5", "shortest_min = 2000"))
    assert "shortest_min must not be above longest_min" in str(fault)
    (fault,) = faults_of(folder, text.replace("storms", "file = 'a.csv'\nstorms"))
    assert "give either file or coefficients" in str(fault)


def test_coefficients_stay_with_their_return_periods(folder):
    """Sorting the periods alone would give the 10-year storm the 2-year coefficients."""
    text = LEAST + WHOLE[WHOLE.index("[rainfall]") : WHOLE.index("[criteria]")]
    for key, values in {"a": "[63.67, 40]", "b": "[9.53, 8]", "c": "[0.7619, 0.75]"}.items():
        text = text.replace(text[text.index(f"\n{key} = ") :].split("\n")[1], f"{key} = {values}")
    (fault,) = faults_of(folder, text.replace("= [10]", "= [10, 2]"))
    assert "must rise from left to right" in str(fault)
    rain = read(folder, text.replace("= [10]", "= [2, 10]")).rainfall
    assert rain is not None
    assert rain.coefficients is not None
    assert rain.coefficients.return_periods == (2, 10)
    assert rain.coefficients.a == (63.67, 40)


def test_all_faults_come_at_once_in_the_order_of_the_file(folder):
    text = "[job]\nunits = 'x'\ncoefficient = 2\n" + LEAST + "[terrain]\ndirction = 'ltd'\n"
    faults = faults_of(folder, text)
    assert [(fault.line, fault.column) for fault in faults] == [
        (2, "job.units"), (3, "job.coefficient"), (9, "terrain.dirction"),
    ]  # fmt: skip


def test_a_missing_job_file_is_said(folder):
    with pytest.raises(InputError, match="the job file does not exist"):
        read_job(folder)
    with pytest.raises(InputError, match="does not exist"):
        read_job(folder / "no.toml")


def test_a_job_file_above_the_limit_is_not_read(folder):
    with pytest.raises(InputError, match="the job file may hold 256,000 bytes"):
        read(folder, LEAST + "#" * 256_000)


# ------------------------------------------------------------------ the template

NAMES = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Cf", "Cn")), min_size=1,
    max_size=40,
).filter(lambda text: text == text.strip())  # fmt: skip


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("unit", ["m", "ft", "us-ft", None])
def test_a_new_job_reads_back_with_all_defaults(folder, unit, units):
    """Only what was asked for is set; everything else is a comment."""
    job = read(folder, job_template("14 Alder Court", "dem.tif", "lot.gpkg", unit, units))
    expected = Job(
        job=General(name="14 Alder Court", units=units),
        elevation=Elevation(file=(folder / "dem.tif",), vertical_unit=unit),
        layers=Layers(file=folder / "site.gpkg", lot=LayerEntry(file=folder / "lot.gpkg")),
    )
    assert job == expected


@pytest.mark.parametrize("units", ["us", "metric"])
def test_every_commented_setting_is_valid_and_the_default(folder, units):
    """Uncomment all of them: the job still reads, and only what must be given is another."""
    text = job_template("A", "dem.tif", "lot.gpkg", "m", units)
    lines = [line.removeprefix("# ") for line in text.splitlines()[1:]]
    job = read(folder, "\n".join(lines))
    plain = read(folder, text)
    assert job.terrain == plain.terrain
    assert job.confidence == plain.confidence
    assert job.criteria == dataclasses.replace(plain.criteria, low_spot_depth_m=0.05)
    assert job.elevation == plain.elevation.model_copy(update={"margin_m": 100.0})
    changed = {"coefficient", "intensity_in_h", "intensity_mm_h", "soak_test_in_h"}
    assert job.job.model_dump(exclude=changed) == plain.job.model_dump(exclude=changed)
    assert job.rainfall is not None
    assert (job.rainfall.storms, job.rainfall.uplift) == ((2, 10, 100), 1)


@pytest.mark.parametrize("drops", ["soak_test_drops_mm = [50.8, 31.75, 25.4]",
                                   "soak_test_drops_in = [2, 1.25, 1]"])  # fmt: skip
def test_of_a_soak_test_the_slowest_reading_counts(folder, drops):
    """Virginia Conservation Assistance Program (2018): the lowest rate, an inch an hour."""
    job = read(folder, f"[job]\n{drops}\nsoak_test_minutes = [60, 60, 60]\n{LEAST}")
    assert job.job.soak_test_m_s == pytest.approx(0.0254 / 3600)


@given(NAMES, NAMES)
def test_any_name_and_path_survive_the_template(name, file):
    """Quotes, backslashes, accents, braces: all are data."""
    name = name.replace("/", "-")
    parsed = tomllib.loads(job_template(name, file, "lot.gpkg", None, "us"))
    assert parsed["job"]["name"] == name
    assert parsed["elevation"]["file"] == file


def test_a_path_that_is_no_text_is_refused():
    with pytest.raises(ParameterError, match="cannot be written into a job file"):
        job_template("A", "dem\udcff.tif", "lot.gpkg", None, "us")


def job(tmp_path, text):
    (tmp_path / "job.toml").write_text(LEAST + text)
    return read_job(tmp_path)


def test_no_setback_is_assumed(tmp_path):
    assert job(tmp_path, "").setbacks.limits == {}
    assert job(tmp_path, "").prices is None


def test_every_kind_of_constraint_can_be_kept_from_in_metres_or_feet(tmp_path):
    keys = [kind.replace(" ", "_") for kind in ("foundation", "lot line", *CONSTRAINT_KINDS)]
    lines = "".join(f"{key}_ft = 10.0\n" for key in keys)
    found = job(tmp_path, f'[setbacks]\nsource = "town code"\n{lines}').setbacks
    assert found.limits == dict.fromkeys(("foundation", "lot line", *CONSTRAINT_KINDS), 3.048)
    assert found.source == "town code"
    assert job(tmp_path, "[setbacks]\nseptic_m = 3\n").setbacks.limits == {"septic": 3.0}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[setbacks]\nseptik_m = 3\n", "septic_m"),
        ("[setbacks]\nseptic_m = -1\n", "0 or more"),
        ("[setbacks]\nseptic_m = 3\nseptic_ft = 10\n", "say the same thing"),
        ('[setbacks]\nseptic_m = "3"\n', "must be a number"),
        ("[prices]\n", "prices.file"),
        ("[prices]\nfile = 3\n", "must be a path"),
    ],
)
def test_bad_tables_are_refused(tmp_path, text, says):
    with pytest.raises(InputError) as error:
        job(tmp_path, text)
    assert says in str(error.value)


@pytest.mark.parametrize("units", ["us", "metric"])
def test_the_examples_of_the_template_are_accepted(tmp_path, units):
    template = job_template("Yard", "dem.tif", "lot.geojson", None, units)
    start = template.index("# [setbacks]")
    block = template[start : template.index("# [criteria]")]
    (tmp_path / "job.toml").write_text(LEAST + block.replace("# [", "[").replace("\n# ", "\n"))
    found = read_job(tmp_path)
    assert set(found.setbacks.limits) == {"lot line", "foundation"}
    assert found.prices.file.name == "prices.csv"
