"""What stands around a run must not stop it, and what it says of what it wrote is true."""

import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from lotflow.cli import main
from lotflow.cli.main import _have_letters
from lotflow.outputs.manifest import verify_result

JOB = Path(__file__).parents[1] / "data_samples" / "alder_court"
PROGRAM = "from lotflow.cli import main; main()"
SCREEN = ("screen", JOB / "dem.tif", JOB / "site.gpkg", "--no-pack", "--realisations", 0)


def lotflow(*arguments, code=PROGRAM, **options):
    """Run the program in a process of its own."""
    variables = options.pop("variables", {})
    options = {"stdout": subprocess.PIPE, "env": os.environ | variables} | options
    command = [sys.executable, "-c", code, *(os.fsencode(a) if isinstance(a, Path) else str(a)
                                             for a in arguments)]  # fmt: skip
    return subprocess.run(command, stderr=subprocess.PIPE, check=False, timeout=100, **options)


def one_message(done):
    """The one message of a run that could not; no fault of the program."""
    said = done.stderr.decode()
    assert re.findall(r"^lotflow: ", said, re.MULTILINE) == ["lotflow: "], said
    assert "Traceback" not in said
    assert "fault of the program" not in said
    return said


# what cannot be printed


@pytest.mark.parametrize(
    ("command", "left"),
    [
        ((*SCREEN, "-o", "result"), "the new result is whole"),
        (("start", "made", "--elevation", JOB / "dem.tif", "--lot", JOB / "site.gpkg"),
         "the job folder is made"),
        (("check", JOB), "nothing was written"),
        (("--help",), "nothing was written"),
    ],
)  # fmt: skip
def test_a_full_output_is_said_and_so_is_what_was_written(tmp_path, command, left):
    with Path("/dev/full").open("w") as full:
        done = lotflow(*command, stdout=full, cwd=tmp_path)
    assert done.returncode == 1
    assert one_message(done) == (
        f"lotflow: not all could be printed: No space left on device; {left}.\n"
    )
    if command[0] == "screen":
        assert verify_result(tmp_path / "result") == []
    if command[0] == "start":
        assert {path.name for path in (tmp_path / "made").iterdir()} == {"job.toml", "site.gpkg"}


def test_a_demo_that_is_stopped_says_that_the_job_is_written(tmp_path, monkeypatch, capsys):
    def stopped(*_given, **_named):
        raise KeyboardInterrupt

    monkeypatch.setattr("lotflow.study.door.run_study", stopped)
    with pytest.raises(SystemExit) as stop:
        main(["demo", str(tmp_path / "demo"), "-q"])
    assert stop.value.code == 130
    said = "lotflow: stopped; the sample job is written, its result is not."
    assert capsys.readouterr().err.strip() == said
    assert (tmp_path / "demo" / "job.toml").exists()


@pytest.fixture(scope="module")
def metric_job(tmp_path_factory):
    """The sample in metric units, whose areas have a raised 2."""
    job = Path(shutil.copytree(JOB, tmp_path_factory.mktemp("metric") / "job"))
    text = (job / "job.toml").read_text()
    (job / "job.toml").write_text(re.sub(r'(?m)^units *= *"us"', 'units = "metric"', text))
    return job


def test_letters_that_an_output_has_not_are_printed_by_the_closest(metric_job):
    """A code page of terminals without a raised 2."""
    done = lotflow("check", metric_job, variables={"PYTHONIOENCODING": "cp932"})
    assert (done.returncode, done.stderr) == (0, b"")
    assert re.search(r"Lot: [\d ]+ (m.?)", done.stdout.decode("cp932"))[1] == "m2"


@pytest.mark.parametrize(
    ("encoding", "printed"),
    [("cp437", "m² m3"), ("cp932", "m2 m3"), ("latin-1", "m² m³"), ("utf-8", "m² m³")],
)
def test_letters_that_an_output_has_stay_as_they_are(monkeypatch, encoding, printed):
    """Two code pages of terminals, and what has both."""
    page = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    monkeypatch.setattr(sys, "stdout", page)
    _have_letters()
    page.write("m² m³")
    page.flush()
    assert page.buffer.getvalue().decode(encoding) == printed


def test_a_table_on_a_terminal_with_few_letters(tmp_path):
    """Volumes have a raised 3, which cp437 has not."""
    metric = (*SCREEN, "--units", "metric", "-o", tmp_path / "result")
    done = lotflow(*metric, variables={"PYTHONIOENCODING": "cp437"})
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.decode("cp437").rstrip().endswith(f"Written to {tmp_path / 'result'}")
    assert verify_result(tmp_path / "result") == []


def test_a_name_that_an_output_has_not_is_printed_all_the_same(tmp_path):
    job = shutil.copytree(JOB, tmp_path / "jõb Ω 排水")
    done = lotflow("check", job / "none", variables={"PYTHONIOENCODING": "cp437"})
    assert done.returncode == 1
    assert "排水" not in one_message_of(done.stderr, "cp437")
    assert "\\u6392" in one_message_of(done.stderr, "cp437")


def one_message_of(said, encoding):
    text = said.decode(encoding)
    assert "fault of the program" not in text
    return text


# names that are no text


@pytest.fixture
def odd(tmp_path):
    """A folder whose name is Latin-1, where the disk takes one."""
    folder = tmp_path / os.fsdecode(b"Gr\xf6sse")
    try:
        folder.mkdir()
    except OSError:
        pytest.skip("this disk takes only names that are text")
    return folder


def test_a_folder_whose_name_is_no_text_is_refused_for_that(odd, tmp_path):
    job = shutil.copytree(JOB, odd / "job")
    there = {path.name for path in job.iterdir()}
    given = ("--elevation", JOB / "dem.tif", "--lot", JOB / "site.gpkg")
    for command in (
        (*SCREEN, "-o", odd / "result"),
        ("demo", odd / "demo"),
        ("start", odd, *given),
        ("run", job),
    ):
        done = lotflow(*command)
        assert done.returncode == 1
        said = one_message(done)
        assert re.search(r"UTF-8|cannot be written into a job file", said)
        assert "damaged" not in said
    assert {path.name for path in odd.iterdir()} == {"job"}
    assert {path.name for path in job.iterdir()} == there


# settings of others


def test_settings_for_a_notebook_and_of_the_working_folder_change_nothing(tmp_path):
    """A way of drawing that only a notebook has; settings of libraries, whoever put them there."""
    (tmp_path / "matplotlibrc").write_bytes(b"\xff nonsense")
    (tmp_path / ".numba_config.yaml").write_text("disable_jit: 1\n")
    usual = lotflow(*SCREEN, "-o", tmp_path / "usual", "-q")
    backend = "module://matplotlib_inline.backend_inline"
    done = lotflow(*SCREEN, "-o", tmp_path / "other", "-q", cwd=tmp_path,
                   variables={"MPLBACKEND": backend, "PYTHONWARNINGS": "error"})  # fmt: skip
    assert (usual.returncode, done.returncode, done.stderr) == (0, 0, b"")
    same = [path.name for path in (tmp_path / "usual").iterdir()]
    for name in same:
        assert (tmp_path / "usual" / name).read_bytes() == (tmp_path / "other" / name).read_bytes()


@pytest.mark.parametrize("kind", ["POLYGON", "MULTIPOLYGON", "GEOMETRYCOLLECTION"])
def test_an_empty_shape_is_said_to_be_one(tmp_path, kind, capsys):
    """Here warnings are errors, and of an empty shape libraries warn."""
    lot = gpd.read_file(JOB / "site.gpkg", layer="lot")[["geometry"]].to_crs(4326)
    features = json.loads(lot.to_json())
    features.pop("crs", None)
    empty = json.loads(shapely.to_geojson(shapely.from_wkt(f"{kind} EMPTY")))
    features["features"].append({"type": "Feature", "properties": {}, "geometry": empty})
    (tmp_path / "lot.geojson").write_text(json.dumps(features))
    with pytest.raises(SystemExit) as stop:
        main(["screen", str(JOB / "dem.tif"), str(tmp_path / "lot.geojson"), "-o",
              str(tmp_path / "result")])  # fmt: skip
    assert stop.value.code == 1
    assert "row 2: the row has no shape" in capsys.readouterr().err


# other ways to stop a run


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_run_that_is_ended_clears_away_as_after_ctrl_c(tmp_path, number):
    """While it reads from a private copy of the site."""
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    waiting = f"""
import sys, time
import pyogrio
def waits(*given, **named):
    print("here", file=sys.stderr, flush=True)
    time.sleep(60)
pyogrio.read_dataframe = waits
{PROGRAM}
"""
    command = [sys.executable, "-c", waiting, *map(str, SCREEN), "-o", str(tmp_path / "result")]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True,
                          env=os.environ | {"TMPDIR": str(temporary)}) as process:  # fmt: skip
        assert process.stderr.readline() == "here\n"
        assert [path.name.partition("-")[0] for path in temporary.iterdir()] == ["lotflow"]
        process.send_signal(number)
        _, err = process.communicate(timeout=30)
    assert process.returncode == 128 + number
    assert err.strip() == "lotflow: stopped; nothing was written."
    assert list(temporary.iterdir()) == []
    assert not (tmp_path / "result").exists()


def test_what_nohup_has_ignored_stays_so():
    late = f"""
import os, signal, lotflow.study.check as check
signal.signal(signal.SIGHUP, signal.SIG_IGN)
usual = check.study_lot
def hung_up(job):
    os.kill(os.getpid(), signal.SIGHUP)
    return usual(job)
check.study_lot = hung_up
{PROGRAM}
"""
    done = lotflow("check", JOB, code=late)
    assert (done.returncode, done.stderr) == (0, b"")


def test_a_system_that_has_no_locks_is_named_in_one_sentence(monkeypatch):
    monkeypatch.setitem(sys.modules, "fcntl", None)
    monkeypatch.setattr("importlib.util.find_spec", lambda _: None)
    with pytest.raises(SystemExit, match=r"^lotflow: this system is not supported: .*POSIX"):
        main(["--version"])


# nothing of where it was computed


def test_no_output_holds_the_folder_of_an_input(tmp_path):
    """The same job in two folders, each file named by its whole path; a rain table of no source."""
    results = []
    for name in ("here", "elsewhere/deeper"):
        job = Path(shutil.copytree(JOB, tmp_path / name))
        (job / "rainfall.csv").write_text("depth_mm,2 yr,10 yr,100 yr\n5 min,8,12,17\n"
                                          "1 h,20,31,44\n24 h,60,90,130\n")  # fmt: skip
        text = (job / "job.toml").read_text()
        for file in ("dem.tif", "site.gpkg", "rainfall.csv"):
            text = text.replace(f'"{file}"', f'"{job / file}"')
        (job / "job.toml").write_text(text)
        done = lotflow("run", job, "-q", "--realisations", 0)
        assert (done.returncode, done.stderr) == (0, b""), done.stderr
        results.append({path.name: path.read_bytes() for path in (job / "result").iterdir()})
    assert results[0] == results[1]
    for name, data in results[0].items():
        assert str(tmp_path).encode() not in data, name
    assert b'"rainfall.csv"' in results[0]["summary.json"]
