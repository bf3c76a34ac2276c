"""A result that cannot be written, or is stopped: one clear message, and the old one stays."""

import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import textwrap
from contextlib import closing
from pathlib import Path

import pytest

from lotflow.cli import main
from lotflow.inputs.job import read_job, with_realisations
from lotflow.outputs.drawings import field_sheet_bytes, map_bytes
from lotflow.outputs.manifest import verify_result
from lotflow.study import run_study, write_study

SAMPLES = Path(__file__).parents[1] / "data_samples"
JOB = SAMPLES / "alder_court"


def lotflow(*arguments):
    """Run a command in this process and give its exit code."""
    with pytest.raises(SystemExit) as stopped:
        main([str(argument) for argument in arguments])
    return stopped.value.code


def contents(folder):
    """Name and bytes of every file below a folder, and the names of its folders."""
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in folder.rglob("*")
    }


def one_message(err):
    """Whether one message was written, no more, and nothing of Python's own."""
    said = re.findall(r"^lotflow: ", err, re.MULTILINE)
    return len(said) == 1 and "Traceback" not in err and "fault of the program" not in err


#: What is tried here does not depend on realisations.
QUICK = ("--realisations", 0)

#: For a process of its own, where it matters when it stops and not what it computes.
SMALL = ("screen", JOB / "dem.tif", JOB / "site.gpkg", "--no-pack", *QUICK)


def child(preparation, *arguments):
    """The command line in a process of its own, something of it prepared before."""
    code = textwrap.dedent(preparation) + "\nfrom lotflow.cli import main\nmain()\n"
    return [sys.executable, "-c", code, *map(str, arguments)]


@pytest.fixture(scope="module")
def studied():
    """The sample computed once, for all that try how a result is written."""
    return run_study(with_realisations(read_job(JOB), 0))


@pytest.fixture(scope="module")
def finished(studied, tmp_path_factory):
    """A result of the sample, made once and only copied from; its texts are older than the run."""
    folder = tmp_path_factory.mktemp("finished") / "result"
    write_study(studied, folder, overwrite=False)
    return folder


@pytest.fixture(scope="module")
def drawn_once():
    """What draws of the sample, each drawing made when it is first asked for."""
    made = {}

    def once(name, draw):
        return lambda content: made[name] if name in made else made.setdefault(name, draw(content))

    return {draw.__name__: once(draw.__name__, draw) for draw in (map_bytes, field_sheet_bytes)}


@pytest.fixture
def computed_already(studied, drawn_once, monkeypatch):
    """Have a run write what is computed and drawn already: only writing is new."""
    monkeypatch.setattr("lotflow.study.door.run_study", lambda *_, **__: studied)
    for name, draw in drawn_once.items():
        monkeypatch.setattr(f"lotflow.study.write.{name}", draw)


@pytest.fixture
def mounted(tmp_path):
    """Mounts a disk in memory at a new folder, with options; root may, others skip."""
    mount, places = shutil.which("mount"), []
    if os.geteuid() != 0 or mount is None:
        pytest.skip("only root can mount a disk")

    def disk(name, options):
        place = tmp_path / name
        place.mkdir(exist_ok=True)
        action = ["-o", f"remount,{options}"] if place in places else ["-t", "tmpfs", "-o", options]
        command = [mount, *action, *([] if place in places else ["tmpfs"]), str(place)]
        if subprocess.run(command, capture_output=True, check=False).returncode != 0:
            pytest.skip("a disk cannot be mounted here")
        places.append(place)
        return place

    yield disk
    for place in dict.fromkeys(places):
        subprocess.run(["umount", str(place)], check=True)


# --- a full disk ---------------------------------------------------------------------------------


@pytest.mark.usefixtures("computed_already")
def test_a_full_disk_is_said_and_the_old_result_stays(mounted, finished, capfd):
    """From no room at all to nearly enough, and then enough."""
    place = mounted("disk", "size=32m")
    shutil.copytree(finished, place / "result")
    before, used = contents(place), shutil.disk_usage(place).used
    size = sum(path.stat().st_size for path in finished.iterdir())
    capfd.readouterr()
    for free in (0, size // 2, int(0.95 * size)):
        mounted("disk", f"size={used + free}")
        assert lotflow("run", JOB, "-o", place / "result", "--overwrite", *QUICK) == 1
        out, err = capfd.readouterr()
        assert out == ""
        assert one_message(err), err
        assert "MB are free" in err
        assert contents(place) == before
    assert lotflow("run", JOB, "-o", place / "new", *QUICK) == 1
    assert contents(place) == before
    mounted("disk", "size=32m")
    assert lotflow("run", JOB, "-o", place / "result", "--overwrite", "-q", *QUICK) == 0
    assert contents(place) == before


def test_a_limit_on_the_size_of_files_is_said_and_the_old_result_stays(tmp_path, finished):
    """As `ulimit -f` sets it."""
    shutil.copytree(finished, tmp_path / "result")
    before = contents(tmp_path)
    limited = """
        import resource
        import lotflow.study
        resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))
    """
    for folder in ("result", "new"):
        command = child(limited, *SMALL, "-o", tmp_path / folder, "--overwrite")
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 1
        assert done.stdout == ""
        assert one_message(done.stderr), done.stderr
        assert "ulimit -f" in done.stderr
        assert contents(tmp_path) == before


def test_a_limit_too_low_for_the_private_copy_of_a_layer_does_not_blame_the_layer(tmp_path):
    """The site's file is whole; it is the copy that cannot be written."""
    limited = """
        import resource
        import lotflow.study
        resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
    """
    command = child(limited, "run", JOB, "-o", tmp_path / "result", *QUICK)
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert one_message(done.stderr), done.stderr
    assert "TMPDIR" in done.stderr
    assert "damaged" not in done.stderr
    assert contents(tmp_path) == {}


# --- a folder that cannot be written --------------------------------------------------------------


def test_a_disk_mounted_for_reading_only_is_refused_before_anything_is_computed(
    mounted, finished, monkeypatch, capfd
):
    """The folder itself, and a new one below it."""
    place = mounted("disk", "size=8m")
    shutil.copytree(finished, place / "result")
    before = contents(place)
    mounted("disk", "ro,size=8m")
    monkeypatch.setattr("lotflow.study.door.run_study", None)
    capfd.readouterr()
    for folder in ("result", "new"):
        assert lotflow("run", JOB, "-o", place / folder, "--overwrite", *QUICK) == 1
        out, err = capfd.readouterr()
        assert out == ""
        assert one_message(err), err
        assert "-o" in err
        assert str(place) in err
    assert contents(place) == before


def test_a_folder_without_permission_is_refused(tmp_path, finished):
    """As somebody who may not write there; root becomes nobody for it."""
    shutil.copytree(finished, tmp_path / "result")
    job = shutil.copytree(JOB, tmp_path / "job")
    before = contents(tmp_path)
    (tmp_path / "result").chmod(0o555)
    tmp_path.chmod(0o555)
    for parent in tmp_path.parents[:3]:
        parent.chmod(parent.stat().st_mode | 0o001)
    # what only root may read of the libraries is loaded by a run before
    nobody = f"""
        import os, sys
        from lotflow.cli import main
        if os.geteuid() == 0:
            usual, sys.argv = sys.argv, ["", "check", {str(job)!r}, "--json"]
            sys.stdout = open(os.devnull, "w")
            try:
                main()
            except SystemExit:
                sys.argv, sys.stdout = usual, sys.__stdout__
            import lotflow.study.door, lotflow.inputs.job, lotflow.outputs.side_process
            os.setgid(65534)
            os.setuid(65534)
    """
    for folder in ("result", "new"):
        command = child(nobody, "run", job, "-o", tmp_path / folder, "--overwrite")
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 1, done.stderr
        assert done.stdout == ""
        assert one_message(done.stderr), done.stderr
        assert "ermission denied" in done.stderr
        assert "-o" in done.stderr
    tmp_path.chmod(0o755)
    assert contents(tmp_path) == before


@pytest.mark.parametrize("below", [False, True])
def test_a_file_in_the_place_of_the_folder_is_refused(below, tmp_path, capfd):
    """Or in the place of the folder above it."""
    (tmp_path / "result").write_text("mine")
    folder = tmp_path / "result" / "deeper" if below else tmp_path / "result"
    assert lotflow("run", JOB, "-o", folder, "--overwrite") == 1
    out, err = capfd.readouterr()
    assert out == ""
    assert one_message(err), err
    assert str(tmp_path / "result") in err
    assert contents(tmp_path) == {"result": b"mine"}


# --- Ctrl-C --------------------------------------------------------------------------------------


def interrupted(place, call, folder):
    """Run a command, stop it where it waits, and give what it says."""
    module, _, name = place.rpartition(".")
    waiting = f"""
        import importlib, signal, sys, time
        # a shell that runs the tests in the background has the interrupt ignored
        signal.signal(signal.SIGINT, signal.default_int_handler)
        holder, _, inner = {module!r}.partition(".Path")
        holder = importlib.import_module(holder)
        holder = holder.Path if {module.endswith(".Path")} else holder
        usual, calls = getattr(holder, {name!r}), []
        def waits(*given, **named):
            calls.append(1)
            if len(calls) == {call}:
                print("here", file=sys.stderr, flush=True)
                time.sleep(60)
            return usual(*given, **named)
        setattr(holder, {name!r}, waits)
    """
    command = child(waiting, *SMALL, "-o", folder, "--overwrite")
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stderr.readline() == "here\n"
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert process.returncode == 130
    assert out == ""
    return err.strip()


@pytest.mark.parametrize(
    ("place", "call", "there"),
    [
        ("lotflow.study.lot_water.read_site", 1, True),  # reading
        pytest.param("lotflow.study.main_job.terrain_chapter", 1, False, marks=pytest.mark.nightly),
        ("lotflow.outputs.result_set.file_entry", 3, True),  # writing beside the old result
        ("pathlib.Path.replace", 6, True),  # putting new files in the places of the old ones
        pytest.param("pathlib.Path.replace", 6, False, marks=pytest.mark.nightly),
    ],
)
def test_ctrl_c_leaves_the_old_result_and_says_so(place, call, there, tmp_path, finished):
    """A signal from outside, at a time that is known because the program waits there."""
    if there:
        shutil.copytree(finished, tmp_path / "result")
    before = contents(tmp_path)
    said = interrupted(place, call, tmp_path / "result")
    assert said == "lotflow: stopped; nothing was written."
    assert contents(tmp_path) == before


@pytest.mark.parametrize(
    "place",
    [
        pytest.param("lotflow.outputs.result_set._remove", marks=pytest.mark.nightly),
        "lotflow.cli.report._say",
    ],
)
def test_ctrl_c_that_comes_too_late_says_that_the_new_result_is_whole(place, tmp_path):
    said = interrupted(place, 1, tmp_path / "result")
    assert said == "lotflow: stopped; the new result is whole."
    assert verify_result(tmp_path / "result") == []


# --- what is there already -----------------------------------------------------------------------


def again(folder, capfd, *more):
    """Run into a folder that holds a result; give the exit code and what is said on stderr."""
    capfd.readouterr()
    code = lotflow("run", JOB, "-o", folder, "--overwrite", *QUICK, *more)
    return code, capfd.readouterr().err


@pytest.fixture
def result(finished, tmp_path):
    return shutil.copytree(finished, tmp_path / "result")


@pytest.mark.usefixtures("computed_already")
def test_an_input_that_lies_in_the_old_result_is_refused(result, tmp_path, capfd):
    """A person's own raster under one of our names: read for this run, it must not be replaced."""
    shutil.copy(JOB / "dem.tif", result / "ground.tif")
    (tmp_path / "dem link.tif").symlink_to(result / "ground.tif")
    before = contents(result)
    for raster in (result / "ground.tif", tmp_path / "dem link.tif"):
        code = lotflow("screen", raster, JOB / "site.gpkg", "-o", result, "--overwrite", *QUICK)
        err = capfd.readouterr().err
        assert code == 1
        assert one_message(err), err
        assert "input of this run" in err
        assert contents(result) == before


@pytest.mark.usefixtures("computed_already")
def test_what_a_person_has_changed_is_kept_and_told(result, finished, capfd):
    """Another raster under a name of ours, and a table and a row more in the GeoPackage."""
    shutil.copy(JOB / "dem.tif", result / "ground.tif")
    with closing(sqlite3.connect(result / "result.gpkg")) as layers:
        layers.execute("CREATE TABLE my_levels (place TEXT, level REAL)")
        layers.execute("INSERT INTO my_levels VALUES ('step', 20.31)")
        layers.commit()
    code, err = again(result, capfd, "-q")
    assert code == 0
    assert (result / "ground.kept-1.tif").read_bytes() == (JOB / "dem.tif").read_bytes()
    with closing(sqlite3.connect(result / "result.kept-1.gpkg")) as layers:
        assert layers.execute("SELECT * FROM my_levels").fetchall() == [("step", 20.31)]
    assert verify_result(result) == []
    assert {name: data for name, data in contents(result).items() if ".kept-" not in name} == (
        contents(finished)
    )
    for name, kept in (("ground.tif", "ground.kept-1.tif"), ("result.gpkg", "result.kept-1.gpkg")):
        told = f"lotflow: {result / name} was not as a run has left it; it is kept as"
        assert f"{told} {result / kept}.\n" in err


@pytest.mark.usefixtures("computed_already")
def test_a_layer_opened_for_editing_and_closed_again_counts_as_unchanged(result, finished, capfd):
    """As a viewer does it: another journal, a new page size, statistics, other bytes."""
    with closing(sqlite3.connect(result / "result.gpkg")) as layers:
        layers.execute("PRAGMA journal_mode = WAL")
        layers.execute("UPDATE gpkg_contents SET last_change = '2026-11-30T08:00:00.000Z'")
        layers.commit()
        layers.execute("ANALYZE")
    assert (result / "result.gpkg").read_bytes() != (finished / "result.gpkg").read_bytes()
    code, err = again(result, capfd)
    assert (code, err) == (0, "")
    assert contents(result) == contents(finished)


@pytest.mark.parametrize("place", ["/", "home", "above", "photographs"])
@pytest.mark.usefixtures("computed_already")
def test_a_folder_of_other_things_is_refused(tmp_path, monkeypatch, capfd, place):
    """At once, whatever is asked."""
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    for name in ("home", "above/here", "photographs"):
        (tmp_path / name).mkdir(parents=True)
    (tmp_path / "photographs" / "map.jpg").touch()
    monkeypatch.chdir(tmp_path / "above" / "here")
    before = contents(tmp_path)
    assert lotflow("run", JOB, "-o", tmp_path / place, "--overwrite", *QUICK) == 1
    err = capfd.readouterr().err
    assert one_message(err), err
    assert "-o" in err
    assert contents(tmp_path) == before


@pytest.mark.usefixtures("computed_already")
def test_a_demo_replaces_its_own_unchanged_job_and_no_other(tmp_path, capfd):
    """By what is in its files: a layer that was only opened for editing is unchanged."""
    demo = tmp_path / "demo"
    assert lotflow("demo", demo, "-q") == 0
    fresh = contents(demo)
    with closing(sqlite3.connect(demo / "site.gpkg")) as layers:
        layers.execute("PRAGMA journal_mode = WAL")
        layers.execute("VACUUM")
    assert lotflow("demo", demo, "-q") == 1
    assert lotflow("demo", demo, "-q", "--overwrite") == 0
    assert contents(demo) == fresh

    def moved():
        with closing(sqlite3.connect(demo / "site.gpkg")) as layers:
            layers.execute("UPDATE inlets SET name = 'My basin' WHERE fid = 1")
            layers.commit()

    for change in (
        lambda: (demo / "job.toml").write_text((demo / "job.toml").read_text() + "# mine\n"),
        moved,
        (demo / "rainfall.csv").unlink,
    ):
        for name, data in fresh.items():
            if data is not None:
                (demo / name).write_bytes(data)
        change()
        before = contents(demo)
        capfd.readouterr()
        assert lotflow("demo", demo, "-q", "--overwrite") == 1
        err = capfd.readouterr().err
        assert one_message(err), err
        assert contents(demo) == before


def test_start_writes_through_no_link(tmp_path, capfd):
    """Neither where the folder is one nor where one has the name of a file to be made."""
    victim = tmp_path / "victim"
    victim.mkdir()
    (tmp_path / "link").symlink_to(victim)
    (tmp_path / "job").mkdir()
    for name in (".job.toml.new", ".site.gpkg.new"):
        (tmp_path / "job" / name).symlink_to(victim / "mine")
    given = ("--elevation", JOB / "dem.tif", "--lot", JOB / "site.gpkg")
    assert lotflow("start", tmp_path / "link", *given) == 1
    assert "is a link" in capfd.readouterr().err
    assert lotflow("start", tmp_path / "job", *given, "-q") == 0
    (tmp_path / "job" / "job.toml").unlink()
    (tmp_path / "job" / "site.gpkg").unlink()
    (tmp_path / "job" / "job.toml").symlink_to(victim / "mine")
    assert lotflow("start", tmp_path / "job", *given, "-q") == 1
    assert list(victim.iterdir()) == []
