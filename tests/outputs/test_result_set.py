"""A result folder holds the old result, the new one, or says by itself that it is incomplete."""

import errno
import fcntl
import itertools
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

import pytest

from lotflow.errors import EngineError, InputError, OutputError
from lotflow.outputs import failures
from lotflow.outputs.folder_lock import LOCK
from lotflow.outputs.manifest import (
    MANIFEST,
    Subject,
    file_entry,
    read_manifest,
    subject_of,
    verify_result,
)
from lotflow.outputs.result_file import ResultFile, bytes_file, late_file, text_file
from lotflow.outputs.result_set import STAGING, check_result_folder, write_result_set

#: Names every result has; each has one more of its own.
SHARED = ("table.csv", "text.txt", "values.bin")


def result_files(letter):
    names = (*SHARED, f"only_{letter}.txt")
    return [text_file(name, letter * 500) for name in names]


def write(folder, letter, *, overwrite=False):
    summary = {"schema_version": "1", "letter": letter}
    return write_result_set(folder, result_files(letter), summary, overwrite=overwrite)


def visible(folder):
    return {path.name for path in folder.iterdir() if not path.name.startswith(".")}


def held(folder):
    """Letter of the result a folder holds whole, "incomplete" if it says so, "" for none."""
    if not (folder / MANIFEST).exists():
        assert not folder.exists() or visible(folder) == set()
        return ""
    manifest = read_manifest(folder)
    if manifest["state"] != "complete":
        assert verify_result(folder) != []
        return "incomplete"
    assert verify_result(folder) == []
    letter = manifest["letter"]
    assert visible(folder) == {*SHARED, f"only_{letter}.txt", MANIFEST}
    for name in visible(folder) - {MANIFEST}:
        assert (folder / name).read_text() == letter * 500
    return letter


def leftovers(folder):
    return [path.name for path in folder.glob(f"{STAGING}*")] if folder.exists() else []


# what an undisturbed run does


def test_the_summary_names_every_file_with_its_hash(tmp_path):
    folder = tmp_path / "result"
    assert write(folder, "A") == folder
    summary = json.loads((folder / MANIFEST).read_text())
    assert list(summary) == ["schema_version", "letter", "state", "files", "contents"]
    assert summary["state"] == "complete"
    # by sha256sum of GNU coreutils, for 500 times the letter A
    assert summary["files"]["text.txt"] == {
        "sha256": "e1a00da865cef6e0b33aa2fce4bcf27435d9830824abb08fa8f2181cfd33e119",
        "bytes": 500,
    }
    assert held(folder) == "A"


def test_nothing_else_is_left_in_the_folder(tmp_path):
    write(tmp_path / "result", "A")
    assert {path.name for path in (tmp_path / "result").iterdir()} == visible(tmp_path / "result")


def test_files_the_new_result_has_no_more_go(tmp_path):
    write(tmp_path, "A")
    write(tmp_path, "B", overwrite=True)
    assert held(tmp_path) == "B"


def test_a_dropped_file_that_was_changed_since_is_not_ours_to_remove(tmp_path):
    write(tmp_path, "A")
    (tmp_path / "only_A.txt").write_text("my notes")
    write(tmp_path, "B", overwrite=True)
    assert (tmp_path / "only_A.txt").read_text() == "my notes"


def test_other_files_in_the_folder_stay(tmp_path):
    (tmp_path / "dem.tif").write_text("mine")
    write(tmp_path, "A")
    write(tmp_path, "B", overwrite=True)
    assert (tmp_path / "dem.tif").read_text() == "mine"


def test_a_linked_folder_stays_a_link(tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to("real")
    assert write(tmp_path / "link", "A") == tmp_path / "real"
    assert (tmp_path / "link").is_symlink()
    assert held(tmp_path / "real") == "A"


def test_files_have_the_mode_the_user_asks_for(tmp_path):
    before = os.umask(0o027)
    try:
        write(tmp_path / "result", "A")
    finally:
        os.umask(before)
    assert (tmp_path / "result").stat().st_mode & 0o777 == 0o750
    modes = {path.stat().st_mode & 0o777 for path in (tmp_path / "result").iterdir()}
    assert modes == {0o640}


def test_no_path_and_no_process_number_is_in_the_summary(tmp_path):
    write(tmp_path / "result", "A")
    text = (tmp_path / "result" / MANIFEST).read_text()
    assert str(tmp_path) not in text
    assert STAGING not in text


# what is refused


def about(kind="run", name="14 Alder Court", bounds=(-80.7842, 37.0550, -80.7838, 37.0553)):
    """The parts of a summary that tell what it is about."""
    if kind == "comparison":
        return {"schema_version": "1", "lot": {"name": name}, "before": {}, "after": {}}
    return {
        "schema_version": "1",
        "lot": {"name": "1", "area_m2": 960.0, "bounds_deg": bounds and list(bounds)},
        "provenance": {"job": {"job": {"name": name}}, "use_covers": kind == "run"},
    }  # fmt: skip


#: What was there before, and what comes; where that is refused, what it says.
PAIRS = {
    "the same": (about(), about(), ""),
    "a lot drawn anew": (about(), about(bounds=(-80.7841, 37.0551, -80.7838, 37.0553)), ""),
    "a lot with more land": (about(), about(bounds=(-80.7848, 37.0548, -80.7836, 37.0556)), ""),
    "a place that is not known": (about(bounds=None), about(), ""),
    "an older summary": ({"schema_version": "1"}, about(), ""),
    "a screening again": (about("screening"), about("screening"), ""),
    "a comparison again": (about("comparison"), about("comparison"), ""),
    "another name": (about(name="16 Alder Court"), about(), "a result of '16 Alder Court'"),
    "the lot beside it": (
        about(bounds=(-80.7846, 37.0550, -80.7842, 37.0553)), about(), "a result of another place",
    ),
    "the other side of the world": (
        about(bounds=(99.2154, -37.0553, 99.2158, -37.0550)), about(), "a result of another place",
    ),
    "a run by a screening": (about(), about("screening"), "the result of a run"),
    "a screening by a run": (about("screening"), about(), "the result of a screening"),
    "a comparison by a run": (about("comparison"), about(), "the result of a comparison"),
    "another comparison": (
        about("comparison", name="16 Alder Court"), about("comparison"),
        "a result of '16 Alder Court'",
    ),
    "a name with a line break": (
        about(name="a\nb" + "c" * 200), about(), r"a result of 'a\\nbccc.*\.\.\.\. Choose",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", PAIRS)
def test_a_result_is_replaced_unasked_only_by_one_of_the_same_command_and_lot(tmp_path, case):
    """Of another one the folder is most likely the wrong one; with `overwrite` it is replaced."""
    old, new, told = PAIRS[case]
    write_result_set(tmp_path, result_files("A"), old | {"letter": "A"})
    if told:
        with pytest.raises(OutputError, match=told) as refused:
            write_result_set(tmp_path, result_files("B"), new | {"letter": "B"})
        assert "--overwrite" in str(refused.value)
        assert "\n" not in str(refused.value)
        assert held(tmp_path) == "A"
    write_result_set(tmp_path, result_files("B"), new | {"letter": "B"}, overwrite=bool(told))
    assert held(tmp_path) == "B"


def test_what_is_known_of_a_result_before_it_is_computed_is_asked_first(tmp_path):
    """Its command and its name, but not its place."""
    write_result_set(tmp_path, result_files("A"), about() | {"letter": "A"})
    check_result_folder(tmp_path, SHARED, subject=Subject("run", "14 Alder Court"))
    check_result_folder(tmp_path, SHARED)
    for subject in (Subject("screening", "14 Alder Court"), Subject("run", "Yard")):
        with pytest.raises(OutputError, match="--overwrite"):
            check_result_folder(tmp_path, SHARED, subject=subject)
        check_result_folder(tmp_path, SHARED, subject=subject, overwrite=True)


@pytest.mark.parametrize(
    "odd",
    [{"provenance": []}, {"provenance": {"job": 1, "use_covers": "yes"}}, {"lot": 7},
     {"provenance": {"job": {"job": {"name": [1]}}}, "lot": {"bounds_deg": [1, 2, "x", None]}},
     {"lot": {"bounds_deg": [True, 1e999, 0, 0], "name": {}}, "before": 1, "after": 2}],
)  # fmt: skip
def test_a_summary_that_says_nothing_sensible_about_its_lot_is_of_no_known_lot(odd):
    known = subject_of({"schema_version": "1", **odd})
    assert (known.name, known.bounds) == (None, None)
    assert known.kind in (None, "comparison")


def test_an_incomplete_result_is_replaced_whatever_it_was_about(tmp_path):
    """Nothing whole is lost."""
    write_result_set(tmp_path, result_files("A"), about() | {"letter": "A"})
    summary = json.loads((tmp_path / MANIFEST).read_text()) | {"state": "being replaced"}
    (tmp_path / MANIFEST).write_text(json.dumps(summary))
    write_result_set(tmp_path, result_files("B"), about(name="Yard") | {"letter": "B"})
    assert held(tmp_path) == "B"


@pytest.mark.parametrize("overwrite", [False, True])
def test_a_summary_that_is_a_link_makes_no_result_of_ours(tmp_path, overwrite):
    """What it leads to is somebody else's, and so may be the files it names."""
    write(tmp_path / "elsewhere", "A")
    (tmp_path / "result").mkdir()
    (tmp_path / "result" / MANIFEST).symlink_to(tmp_path / "elsewhere" / MANIFEST)
    (tmp_path / "result" / "text.txt").write_text("mine")
    with pytest.raises(OutputError, match="not lotflow's own"):
        write(tmp_path / "result", "B", overwrite=overwrite)
    assert held(tmp_path / "elsewhere") == "A"
    assert (tmp_path / "result" / "text.txt").read_text() == "mine"


def test_a_changed_file_is_kept_also_where_nobody_asked_for_the_replacing(tmp_path):
    told = {}
    write(tmp_path, "A")
    (tmp_path / "text.txt").write_text("my notes")
    write_result_set(tmp_path, result_files("B"), {"schema_version": "1", "letter": "B"},
                     tell_kept=told.update)  # fmt: skip
    assert told == {"text.txt": "text.kept-1.txt"}
    assert (tmp_path / "text.kept-1.txt").read_text() == "my notes"
    assert verify_result(tmp_path) == []


@pytest.mark.parametrize("name", ["text.txt", MANIFEST])
@pytest.mark.parametrize("overwrite", [False, True])
def test_a_file_that_is_not_ours_is_never_replaced(tmp_path, name, overwrite):
    (tmp_path / name).write_text('{"mine": true}')
    with pytest.raises(OutputError, match=name):
        check_result_folder(tmp_path, SHARED, overwrite=overwrite)
    with pytest.raises(OutputError, match=name):
        write(tmp_path, "A", overwrite=overwrite)
    assert {path.name for path in tmp_path.iterdir()} == {name}
    assert (tmp_path / name).read_text() == '{"mine": true}'


@pytest.mark.parametrize("kind", ["folder", "link", "raster"])
def test_what_somebody_put_in_the_place_of_a_file_is_kept_beside_it(tmp_path, kind):
    """Under a name of its own, which is told."""
    folder = tmp_path / "result"
    write(folder, "A")
    (folder / "text.txt").unlink()
    (tmp_path / "mine").write_text("mine")
    put, told = folder / "text.txt", {}
    if kind == "folder":
        put.mkdir()
        (put / "mine").write_text("mine")
    elif kind == "link":
        put.symlink_to(tmp_path / "mine")
    else:
        put.write_text("mine")
    files = result_files("B")
    summary = {"schema_version": "1", "letter": "B"}
    write_result_set(folder, files, summary, overwrite=True, tell_kept=told.update)
    kept = folder / "text.kept-1.txt"
    assert told == {"text.txt": kept.name}
    assert kept.is_symlink() == (kind == "link")
    assert (kept / "mine" if kind == "folder" else kept).read_text() == "mine"
    assert verify_result(folder) == []
    assert (folder / "text.txt").read_text() == "B" * 500
    told.clear()
    write_result_set(folder, files, summary, overwrite=True, tell_kept=told.update)
    assert told == {}
    put.write_text("mine again")
    write_result_set(folder, files, summary, overwrite=True, tell_kept=told.update)
    assert told == {"text.txt": "text.kept-2.txt"}
    assert (tmp_path / "mine").read_text() == "mine"


def database(path, rows, *, wal=False):
    """A database as SQLite alone writes it, still open where `wal` is set."""
    connection = sqlite3.connect(path)
    if wal:
        connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("CREATE TABLE IF NOT EXISTS spots (id INTEGER PRIMARY KEY, depth REAL)")
    connection.executemany("INSERT INTO spots (depth) VALUES (?)", [(row,) for row in rows])
    connection.commit()
    return connection


def database_file(*rows):
    return ResultFile("result.gpkg", lambda path: database(path, rows).close(), lambda _: None)


def rewritten(database):
    database.execute("PRAGMA user_version = 77")
    database.execute("VACUUM")


def a_row_more(database):
    database.execute("INSERT INTO spots (depth) VALUES (9.0)")
    database.commit()


def a_value_changed(database):
    database.execute("UPDATE spots SET depth = 1.0000000001 WHERE id = 1")
    database.commit()


def a_table_more(database):
    database.execute("CREATE TABLE notes (said TEXT)")


def a_column_more(database):
    database.execute("ALTER TABLE spots ADD COLUMN mine TEXT")


def an_index_with_notes(database):
    database.execute("CREATE VIRTUAL TABLE boxes USING rtree(id, west, east, +note TEXT)")
    database.execute("INSERT INTO boxes VALUES (1, 0, 1, 'mine')")
    database.commit()


@pytest.mark.parametrize(
    ("change", "is_kept"),
    [(rewritten, False), (a_row_more, True), (a_value_changed, True), (a_table_more, True),
     (a_column_more, True), (an_index_with_notes, True)],
)  # fmt: skip
@pytest.mark.parametrize("state", ["closed", "open", "wal"])
def test_a_database_is_judged_by_its_rows_and_tables_and_not_by_its_bytes(
    tmp_path, change, is_kept, state
):
    """Also where another program has it open still, and its last rows stand beside it."""
    files, told, summary = [database_file(1.0, 2.0)], {}, {"schema_version": "1"}
    write_result_set(tmp_path, files, summary)
    before = file_entry(tmp_path / "result.gpkg")
    connection = database(tmp_path / "result.gpkg", [], wal=state == "wal")
    change(connection)
    if state == "closed":
        connection.close()
        assert file_entry(tmp_path / "result.gpkg") != before
    write_result_set(tmp_path, files, summary, overwrite=True, tell_kept=told.update)
    connection.close()
    assert told.get("result.gpkg") == ("result.kept-1.gpkg" if is_kept else None)
    assert verify_result(tmp_path) == []
    assert not [path for path in tmp_path.iterdir() if path.name.startswith("result.gpkg-")]
    with closing(sqlite3.connect(tmp_path / "result.gpkg")) as fresh:
        assert fresh.execute("SELECT depth FROM spots").fetchall() == [(1.0,), (2.0,)]
    if change is a_row_more:
        with closing(sqlite3.connect(tmp_path / "result.kept-1.gpkg")) as kept:
            assert kept.execute("SELECT depth FROM spots").fetchall()[-1] == (9.0,)


@pytest.mark.parametrize("damage", ["cut", "name", "statement"])
def test_a_database_that_is_none_any_more_is_kept(tmp_path, damage):
    """Also where its schema is damaged, so that a name in it is no text."""
    summary = {"schema_version": "1"}
    write_result_set(tmp_path, [database_file(1.0)], summary)
    data = (tmp_path / "result.gpkg").read_bytes()
    damaged = {
        "cut": b"SQLite format 3\0 and then nothing",
        "name": data.replace(b"spots", b"sp\xffts"),
        "statement": data.replace(b"CREATE TABLE spots", b"CREATE T\xc2BLE spots"),
    }[damage]
    assert damaged != data
    (tmp_path / "result.gpkg").write_bytes(damaged)
    write_result_set(tmp_path, [database_file(1.0)], summary, overwrite=True)
    assert (tmp_path / "result.kept-1.gpkg").read_bytes() == damaged


def test_a_fault_puts_back_what_was_to_be_kept(tmp_path, monkeypatch):
    """At every move of a file in turn."""
    for k in range(1, 40):
        folder = tmp_path / f"{k}"
        write(folder, "A")
        (folder / "text.txt").write_text("mine")
        replace, calls = os.replace, itertools.count(1)

        def once(*paths, k=k, calls=calls, replace=replace):
            if next(calls) == k:
                raise OSError(errno.EIO, "Input/output error")
            replace(*paths)

        with monkeypatch.context() as patch:
            patch.setattr(os, "replace", once)
            try:
                write(folder, "B", overwrite=True)
            except OutputError:
                assert (folder / "text.txt").read_text() == "mine"
                assert not (folder / "text.kept-1.txt").exists()
                assert json.loads((folder / MANIFEST).read_text())["letter"] == "A"
                continue
        assert (folder / "text.kept-1.txt").read_text() == "mine"
        assert k > 5
        return
    pytest.fail("it never ended")


def test_a_kill_at_any_move_loses_nothing_that_was_to_be_kept(tmp_path):
    """The mark names what was about to be moved aside, and the next run does so."""
    for k in range(1, 40):
        folder = tmp_path / f"{k}"
        write(folder, "A")
        (folder / "text.txt").write_text("mine")
        if (child := os.fork()) == 0:
            replace, calls = os.replace, itertools.count(1)

            def once(*paths, k=k, calls=calls, replace=replace):
                if next(calls) == k:
                    os._exit(9)
                replace(*paths)

            os.replace = once
            write(folder, "B", overwrite=True)
            os._exit(0)
        killed = os.waitpid(child, 0)[1] != 0
        write(folder, "C", overwrite=True)
        mine = [path.name for path in folder.iterdir() if path.read_text() == "mine"]
        assert mine == ["text.kept-1.txt"]
        assert verify_result(folder) == []
        if not killed:
            assert k > 5
            return
    pytest.fail("it never ended")


def test_a_summary_that_somebody_wrote_in_is_kept(tmp_path, monkeypatch):
    """What it says counts, not how it is laid out; a fault leaves it where it is."""
    told = {}
    write(tmp_path, "A")
    said = read_manifest(tmp_path)
    (tmp_path / MANIFEST).write_text(json.dumps(said))
    write_result_set(tmp_path, result_files("A"), {"schema_version": "1", "letter": "A"},
                     overwrite=True, tell_kept=told.update)  # fmt: skip
    assert told == {}
    noted = json.dumps({**said, "my note": "pay Bob"})
    (tmp_path / MANIFEST).write_text(noted)
    replace, calls = os.replace, itertools.count(1)

    def once(*paths):
        if next(calls) == 5:
            raise OSError(errno.EIO, "Input/output error")
        replace(*paths)

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", once)
        with pytest.raises(OutputError):
            write(tmp_path, "B", overwrite=True)
    assert (tmp_path / MANIFEST).read_text() == noted
    assert not (tmp_path / "summary.kept-1.json").exists()
    write_result_set(tmp_path, result_files("B"), {"schema_version": "1", "letter": "B"},
                     overwrite=True, tell_kept=told.update)  # fmt: skip
    assert told == {MANIFEST: "summary.kept-1.json"}
    assert (tmp_path / "summary.kept-1.json").read_text() == noted
    assert verify_result(tmp_path) == []


@pytest.mark.parametrize("how", ["itself", "link", "hard link"])
def test_an_input_is_not_replaced_whatever_its_name(tmp_path, how):
    """By where it lies on the disk."""
    folder = tmp_path / "result"
    write(folder, "A")
    read = folder / "values.bin"
    if how != "itself":
        read = tmp_path / "dem.tif"
        (read.symlink_to if how == "link" else read.hardlink_to)(folder / "values.bin")
    with pytest.raises(OutputError, match=r"is an input of this run.*as values\.bin"):
        check_result_folder(folder, SHARED, overwrite=True, inputs=[tmp_path / "none", read])
    shutil.copy(read, tmp_path / "copy.tif")
    check_result_folder(folder, SHARED, overwrite=True, inputs=[tmp_path / "copy.tif"])


def test_an_input_is_not_moved_aside_whose_name_only_the_new_result_has(tmp_path):
    """Names that depend on storms and inlets are known only when all is computed."""
    write(tmp_path, "A")
    mine = tmp_path / "only_B.txt"
    mine.write_text("my raster")
    with pytest.raises(OutputError, match=r"is an input of this run.*as only_B\.txt"):
        write_result_set(tmp_path, result_files("B"), {"schema_version": "1"}, overwrite=True,
                         inputs=[mine])  # fmt: skip
    assert mine.read_text() == "my raster"
    assert read_manifest(tmp_path)["letter"] == "A"


def test_a_folder_with_a_line_break_in_its_name_is_refused_for_that(tmp_path):
    """A library drops the break, and blames the disk."""
    with pytest.raises(OutputError, match="holds a line break"):
        write(tmp_path / "result\n2", "A")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_of_somebody_else_is_refused_where_he_keeps_other_things(tmp_path, monkeypatch):
    """An empty one, or one with a result, may have been made for us."""
    me = os.geteuid()
    (tmp_path / "empty").mkdir()
    (tmp_path / "photographs").mkdir()
    (tmp_path / "photographs" / "map.jpg").touch()
    monkeypatch.setattr(os, "geteuid", lambda: me + 1)
    with pytest.raises(OutputError, match="belongs to somebody else"):
        write(tmp_path / "photographs", "A")
    write(tmp_path / "empty", "A")
    write(tmp_path / "empty", "B", overwrite=True)


def test_a_folder_of_other_things_is_refused(tmp_path, monkeypatch):
    """The root, home, and all above it and above where the program is started."""
    home, here = tmp_path / "homes" / "me", tmp_path / "work" / "here"
    for folder in (home, here):
        folder.mkdir(parents=True)
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.chdir(here)
    for folder in (Path("/"), home, home.parent, here.parent, tmp_path):
        for overwrite in (False, True):
            with pytest.raises(OutputError, match="other things belong there"):
                check_result_folder(folder, SHARED, overwrite=overwrite)
    assert write(here, "A") == here  # a folder made for it
    assert write(home / "result", "A") == home / "result"


def test_only_a_result_is_overwritten(tmp_path):
    """A folder of photographs, say; hidden files of a system do not count."""
    (tmp_path / ".DS_Store").touch()
    write(tmp_path / "empty", "A", overwrite=True)
    (tmp_path / "photograph.jpg").touch()
    with pytest.raises(OutputError, match="no result that could be replaced"):
        write(tmp_path, "A", overwrite=True)
    assert {path.name for path in tmp_path.iterdir()} == {".DS_Store", "photograph.jpg", "empty"}


def test_a_summary_too_large_to_be_read_again_leaves_the_old_result(tmp_path, monkeypatch):
    write(tmp_path, "A")
    monkeypatch.setattr("lotflow.outputs.result_set.LARGEST_MANIFEST_BYTES", 2000)
    with pytest.raises(OutputError, match="more than the 2,000 that are read again"):
        write_result_set(tmp_path, result_files("B"), {"schema_version": "1", "x": "x" * 2000},
                         overwrite=True)  # fmt: skip
    assert held(tmp_path) == "A"
    assert leftovers(tmp_path) == []


@pytest.mark.parametrize(
    "name", ["../victim", "/etc/victim", ".victim", "victim/x", "", MANIFEST, "a\nb"]
)
def test_a_manifest_cannot_name_files_elsewhere(tmp_path, name):
    """A made-up summary must not have lotflow remove or replace what is not a result."""
    folder = tmp_path / "result"
    write(folder, "A")
    summary = json.loads((folder / MANIFEST).read_text())
    summary["files"][name] = {"sha256": "0", "bytes": 0}
    (folder / MANIFEST).write_text(json.dumps(summary))
    (tmp_path / "victim").write_text("x")
    with pytest.raises(OutputError, match="summary"):
        write(folder, "B", overwrite=True)
    assert (tmp_path / "victim").exists()


def test_the_parent_folder_must_exist(tmp_path):
    with pytest.raises(OutputError, match="does not exist"):
        write(tmp_path / "none" / "result", "A")
    assert list(tmp_path.iterdir()) == []


def test_a_file_is_no_folder(tmp_path):
    (tmp_path / "result").write_text("mine")
    with pytest.raises(OutputError, match="is not a folder"):
        write(tmp_path / "result", "A", overwrite=True)
    assert (tmp_path / "result").read_text() == "mine"


@pytest.mark.parametrize("names", [["a", "a"], [MANIFEST], ["../a"], [".a"], ["b/a"]])
def test_names_must_be_plain_and_unique(tmp_path, names):
    with pytest.raises(TypeError):
        write_result_set(tmp_path, [text_file(name, "x") for name in names], {})
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can act as another user")
def test_a_folder_one_may_not_write_to_is_named():
    with tempfile.TemporaryDirectory(dir="/tmp") as place:
        Path(place).chmod(0o755)
        os.seteuid(65534)
        try:
            for folder in (Path(place), Path(place) / "result"):
                with pytest.raises(OutputError, match=rf"{place}.*Permission denied.* -o"):
                    write(folder, "A")
        finally:
            os.seteuid(0)
        assert list(Path(place).iterdir()) == []


def test_a_folder_one_may_not_write_to_is_refused_before_anything_is_computed(
    tmp_path, monkeypatch
):
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(OutputError, match="Permission denied"):
        check_result_folder(tmp_path / "result", SHARED)


def test_a_good_folder_is_given_back_resolved(tmp_path):
    assert check_result_folder(tmp_path / "x" / ".." / "result", SHARED) == tmp_path / "result"
    assert list(tmp_path.iterdir()) == []


# files that are not what they should be


def unwritten(_path):
    """Write nothing at all."""


def refused(_path):
    raise OutputError("what was written did not read back the same")


@pytest.mark.parametrize(
    "bad",
    [
        ResultFile("bad.txt", unwritten, unwritten),
        ResultFile("bad.txt", lambda path: path.write_text(""), unwritten),
        ResultFile("bad.txt", Path.mkdir, unwritten),
        ResultFile("bad.txt", lambda path: path.symlink_to("table.csv"), unwritten),
        ResultFile("bad.txt", lambda path: path.write_text("x"), refused),
    ],
)
def test_a_file_that_does_not_read_back_spoils_the_whole_set(tmp_path, bad):
    folder = tmp_path / "result"
    with pytest.raises(OutputError, match=r"^bad\.txt: "):
        write_result_set(folder, [*result_files("B"), bad], {"schema_version": "1"})
    assert not folder.exists()
    write(folder, "A")
    with pytest.raises(OutputError, match=r"^bad\.txt: "):
        write_result_set(folder, [*result_files("B"), bad], {"schema_version": "1"}, overwrite=True)
    assert held(folder) == "A"
    assert leftovers(folder) == []


def test_a_file_that_the_disk_changed_is_found(tmp_path):
    file = bytes_file("a.bin", b"abc")
    file.write(tmp_path / "a.bin")
    file.verify(tmp_path / "a.bin")
    (tmp_path / "a.bin").write_bytes(b"abd")
    with pytest.raises(OutputError, match="did not read back"):
        file.verify(tmp_path / "a.bin")


def test_a_late_file_is_asked_for_only_when_its_turn_comes(tmp_path):
    turns = []
    first = ResultFile("first.txt", lambda path: path.write_text(str(turns)), lambda _: None)
    late = late_file("late.txt", lambda: turns.append("late") or b"drawn")
    write_result_set(tmp_path, [first, late], {"schema_version": "1"})
    assert (tmp_path / "first.txt").read_text() == "[]"
    assert (tmp_path / "late.txt").read_bytes() == b"drawn"


def test_a_drawing_that_fails_late_leaves_the_old_result(tmp_path):
    write(tmp_path, "A")

    def gone():
        raise EngineError("the second process has died")

    files = [*result_files("B"), late_file("late.txt", gone)]
    with pytest.raises(EngineError, match="died"):
        write_result_set(tmp_path, files, {"schema_version": "1"}, overwrite=True)
    assert held(tmp_path) == "A"
    assert leftovers(tmp_path) == []


def test_a_fault_of_ours_passes_unchanged_and_leaves_the_old_result(tmp_path):
    write(tmp_path, "A")

    def faulty(_path):
        raise ZeroDivisionError

    files = [*result_files("B"), ResultFile("bad.txt", faulty, faulty)]
    with pytest.raises(ZeroDivisionError):
        write_result_set(tmp_path, files, {"schema_version": "1"}, overwrite=True)
    assert held(tmp_path) == "A"
    assert leftovers(tmp_path) == []


def test_a_summary_that_does_not_read_back_leaves_the_old_result(tmp_path, monkeypatch):
    write(tmp_path, "A")
    read_bytes = Path.read_bytes

    def spoilt(path):
        data = read_bytes(path)
        return data[:-1] if path.name == MANIFEST and STAGING in str(path.parent) else data

    monkeypatch.setattr(Path, "read_bytes", spoilt)
    with pytest.raises(OutputError, match=rf"{MANIFEST}: what was written did not read back"):
        write(tmp_path, "B", overwrite=True)
    monkeypatch.undo()
    assert held(tmp_path) == "A"
    assert leftovers(tmp_path) == []


def test_a_number_that_json_has_not_leaves_the_old_result(tmp_path):
    write(tmp_path, "A")
    with pytest.raises(ValueError, match="JSON"):
        write_result_set(
            tmp_path, result_files("B"), {"schema_version": "1", "x": float("nan")}, overwrite=True
        )
    assert held(tmp_path) == "A"


# what readers see


def test_every_difference_from_the_manifest_is_told(tmp_path):
    write(tmp_path, "A")
    (tmp_path / "text.txt").write_text("A" * 499 + "B")
    (tmp_path / "table.csv").unlink()
    (tmp_path / "values.bin").unlink()
    (tmp_path / "values.bin").symlink_to("only_A.txt")
    told = {fault.file: fault.rule for fault in verify_result(tmp_path)}
    assert told == {
        "text.txt": "the file is not the one the run has written",
        "table.csv": "the file is missing",
        "values.bin": "the file is missing",
    }


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (None, "holds no result"),
        (b"", "not valid JSON"),
        (b"\xff\xfe", "not valid JSON"),
        (b"[" * 100_000, "not valid JSON"),
        (b"[]", "not the summary"),
        (b'{"schema_version": "1"}', "not the summary"),
        (b'{"schema_version": "1", "state": [], "files": {}}', "not the summary"),
        (b'{"schema_version": "1", "state": "complete", "files": {"a": 1}}', "not the summary"),
        (b'{"schema_version": "1", "state": "complete", "files": []}', "not the summary"),
    ],
)
def test_what_is_no_result_is_said_to_be_none(tmp_path, content, told):
    if content is not None:
        (tmp_path / MANIFEST).write_bytes(content)
    with pytest.raises(InputError, match=told):
        read_manifest(tmp_path)
    assert [told in fault.rule for fault in verify_result(tmp_path)] == [True]


def test_a_summary_beyond_all_size_is_not_read(tmp_path):
    with (tmp_path / MANIFEST).open("wb") as file:
        file.truncate(1 << 40)
    with pytest.raises(InputError, match="is not the summary"):
        read_manifest(tmp_path)


# one fault at one call


class Faults:
    """
    Every call that changes the disk, counted; the one numbered `k` fails.

    With a `pause`, so many calls after it succeed, and then all fail.
    """

    NAMES = ("open", "write", "fsync", "replace", "mkdir", "unlink", "rmdir", "ftruncate")

    def __init__(self, monkeypatch, k, make_error, pause=None):
        self.k, self.make_error, self.pause = k, make_error, pause
        self.calls, self.struck = 0, False
        for name in self.NAMES:
            monkeypatch.setattr(os, name, self.counted(getattr(os, name)))
        monkeypatch.setattr(Path, "write_bytes", self.counted(Path.write_bytes))

    def fails(self):
        late = self.pause is not None and self.calls > self.k + self.pause
        return self.calls == self.k or late

    def counted(self, call):
        def guarded(*args, **kwargs):
            self.calls += 1
            if self.fails():
                self.struck = True
                raise self.make_error()
            return call(*args, **kwargs)

        return guarded


def outcomes(tmp_path, monkeypatch, make_error, *, old, pause=None):
    """Strike at every call in turn; give the folder and what was raised."""
    # flushing takes most of the time and changes nothing that this process can see
    monkeypatch.setattr(os, "fsync", lambda _: None)
    for k in itertools.count(1):
        folder = tmp_path / f"{k}"
        if old:
            write(folder, "A")
        raised = None
        with monkeypatch.context() as patch:
            faults = Faults(patch, k, make_error, pause)
            try:
                write(folder, "B", overwrite=True)
            except (OutputError, KeyboardInterrupt) as error:
                raised = error
        if not faults.struck:
            assert k > 30  # the programme has really struck at many places
            return
        yield folder, raised


def system_error(code):
    return lambda: OSError(code, os.strerror(code))


@pytest.mark.parametrize("old", [True, False])
@pytest.mark.parametrize("code", [errno.EIO, errno.ENOSPC, errno.EACCES, errno.EROFS])
def test_a_fault_at_any_call_leaves_old_or_new(tmp_path, monkeypatch, code, old):
    for folder, raised in outcomes(tmp_path, monkeypatch, system_error(code), old=old):
        found = held(folder)
        assert found in ({"A", "B"} if old else {"", "B"})
        assert leftovers(folder) == []
        if raised is None:
            assert found == "B"
        else:
            assert isinstance(raised, OutputError)
            assert os.strerror(code) in str(raised)


@pytest.mark.parametrize("pause", [0, 1, 2, 4])
@pytest.mark.parametrize("old", [True, False])
def test_a_fault_that_lasts_leaves_old_or_new_or_a_mark(tmp_path, monkeypatch, old, pause):
    """With later calls failing too, not all can be put back; then the folder says so."""
    error, seen = system_error(errno.EIO), set()
    for folder, raised in outcomes(tmp_path, monkeypatch, error, old=old, pause=pause):
        found = held(folder)
        seen.add(found)
        assert (raised is None) <= (found == "B")
        assert isinstance(raised, OutputError | None)
        if found == "incomplete":
            assert "says so" in str(raised)
        write(folder, "A", overwrite=found in ("A", "B"))
        assert held(folder) == "A"
        assert {path.name for path in folder.iterdir()} == visible(folder)
    assert seen == {"A" if old else "", "incomplete", "B"}


@pytest.mark.parametrize("moved", range(8))
def test_what_two_failed_runs_have_left_goes_with_the_third(tmp_path, monkeypatch, moved):
    """The mark of the second still names what the first has put in place."""
    write(tmp_path, "A")
    for letter, last in (("B", 8), ("C", moved)):
        with monkeypatch.context() as patch:
            calls, replace = itertools.count(), os.replace

            def only_at_first(*paths, last=last, calls=calls, replace=replace):
                if next(calls) > last:  # the mark is number 0, then come the files
                    raise OSError(errno.EIO, "Input/output error")
                replace(*paths)

            patch.setattr(os, "replace", only_at_first)
            with pytest.raises(OutputError, match="says so"):
                write(tmp_path, letter, overwrite=True)
        assert held(tmp_path) == "incomplete"
        assert (tmp_path / "only_B.txt").exists()
    write(tmp_path, "A")
    assert held(tmp_path) == "A"


@pytest.mark.parametrize("old", [True, False])
def test_an_interrupt_at_any_call_leaves_old_or_new(tmp_path, monkeypatch, old):
    for folder, raised in outcomes(tmp_path, monkeypatch, KeyboardInterrupt, old=old):
        assert isinstance(raised, KeyboardInterrupt)
        assert held(folder) in ({"A", "B"} if old else {"", "B"})
        write(folder, "A", overwrite=True)
        assert held(folder) == "A"
        assert leftovers(folder) == []


def test_an_interrupt_while_files_are_written_leaves_nothing(tmp_path):
    def interrupted(_path):
        raise KeyboardInterrupt

    files = [*result_files("B"), ResultFile("late.txt", interrupted, interrupted)]
    with pytest.raises(KeyboardInterrupt):
        write_result_set(tmp_path / "result", files, {"schema_version": "1"})
    assert list(tmp_path.iterdir()) == []


def test_a_file_system_that_cannot_flush_folders_is_good_enough(tmp_path, monkeypatch):
    flush = os.fsync

    def without_folders(descriptor):
        if Path(f"/proc/self/fd/{descriptor}").is_dir():
            raise OSError(errno.EINVAL, "Invalid argument")
        flush(descriptor)

    monkeypatch.setattr(os, "fsync", without_folders)
    write(tmp_path / "result", "A")
    assert held(tmp_path / "result") == "A"


# what the message says


def test_a_full_disk_is_told_with_what_is_free_and_needed(tmp_path, monkeypatch):
    monkeypatch.setattr(failures, "free_bytes", lambda _: 200_000)
    big = ResultFile("big.bin", system_full, unwritten, estimate=3_000_000)
    with pytest.raises(OutputError) as caught:
        write_result_set(tmp_path, [*result_files("A"), big], {"schema_version": "1"})
    assert str(caught.value) == (
        f"big.bin: the result could not be written to {tmp_path}: No space left on device. "
        "0.2 MB are free, about 3.0 MB are needed. Make room on the disk."
    )


def system_full(_path):
    raise OSError(errno.ENOSPC, "No space left on device")


def test_a_failure_without_reason_is_put_down_to_a_full_disk_only_on_one(tmp_path, monkeypatch):
    bad = [ResultFile("a.bin", unwritten, unwritten)]
    with pytest.raises(OutputError, match=r"nothing was written\. Run again;"):
        write_result_set(tmp_path, bad, {"schema_version": "1"})
    monkeypatch.setattr(failures, "free_bytes", lambda _: 4096)
    with pytest.raises(OutputError, match=r"nothing was written\. 0\.0 MB are free"):
        write_result_set(tmp_path, bad, {"schema_version": "1"})


# other processes

#: Imports once, then does in a fork of its own, one after another, what it is told.
SERVER = """
import itertools, os, signal, sys
from pathlib import Path
from lotflow.errors import OutputError
from lotflow.outputs.result_file import text_file
from lotflow.outputs.result_set import write_result_set

def write(folder, letter):
    names = ("table.csv", "text.txt", "values.bin", f"only_{letter}.txt")
    files = [text_file(name, letter * 500) for name in names]
    summary = {"schema_version": "1", "letter": letter}
    write_result_set(Path(folder), files, summary, overwrite=True)

def strike_at(k):
    os.fsync = lambda _: None
    calls = itertools.count(1)
    def counted(call):
        def guarded(*args, **kwargs):
            if next(calls) == k:
                os.kill(os.getpid(), signal.SIGKILL)
            return call(*args, **kwargs)
        return guarded
    for name in ("open", "fsync", "replace", "mkdir", "unlink", "rmdir"):
        setattr(os, name, counted(getattr(os, name)))
    Path.write_bytes = counted(Path.write_bytes)

def alternate(folder):
    for letter in itertools.cycle("BA"):
        write(folder, letter)

def race(folder, letter):
    try:
        write(folder, letter)
    except OutputError as error:
        os._exit(3 if "another run" in str(error) else 4)

print("ready", flush=True)
for order in sys.stdin:
    task, *words = order.split()
    pids = []
    for word in words[1:] or [""]:
        pid = os.fork()
        if pid == 0:
            if task == "alternate":
                alternate(words[0])
            elif task == "strike":
                strike_at(int(word))
                write(words[0], "B")
            else:
                race(words[0], word)
            os._exit(0)
        pids.append(pid)
    print(*pids, flush=True)
    print(*(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) for pid in pids), flush=True)
"""


@pytest.fixture(scope="module")
def server():
    process = subprocess.Popen(
        [sys.executable, "-W", "ignore", "-c", SERVER],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    with process:
        assert process.stdout.readline() == "ready\n"
        yield process
        process.stdin.close()


def told(server, *words):
    """Give an order and return the process numbers of those who carry it out."""
    server.stdin.write(" ".join(map(str, words)) + "\n")
    server.stdin.flush()
    return [int(word) for word in server.stdout.readline().split()]


def ended(server):
    return [int(word) for word in server.stdout.readline().split()]


def test_a_kill_at_a_random_moment_leaves_old_or_new_or_a_mark(tmp_path, server):
    """Twenty times, while one result replaces another again and again."""
    folder = tmp_path / "result"
    for pause in range(20):
        write(folder, "A", overwrite=True)
        (pid,) = told(server, "alternate", folder)
        time.sleep(0.005 + 0.0037 * pause)
        os.kill(pid, signal.SIGKILL)
        assert ended(server) == [-signal.SIGKILL]
        assert held(folder) in {"A", "B", "incomplete"}
    write(folder, "A", overwrite=True)
    assert held(folder) == "A"
    assert {path.name for path in folder.iterdir()} == visible(folder)


@pytest.mark.parametrize("old", [True, False])
def test_a_kill_at_any_call_leaves_old_or_new_or_a_mark(tmp_path, server, old):
    seen = []
    for k in itertools.count(1):
        folder = tmp_path / f"{k}"
        if old:
            write(folder, "A")
        told(server, "strike", folder, k)
        if ended(server) == [0]:
            break
        seen.append(held(folder))
        write(folder, "C", overwrite=seen[-1] in ("A", "B"))
        assert held(folder) == "C"
        assert {path.name for path in folder.iterdir()} == visible(folder)
    # in this order: nothing yet, then marked, then done
    assert [key for key, _ in itertools.groupby(seen)] == ["A" if old else "", "incomplete", "B"]


def test_of_two_runs_at_once_the_second_is_refused_and_names_the_first(tmp_path):
    folder = tmp_path / "result"

    def second_run(_path):
        with pytest.raises(OutputError, match=rf"another run \(process {os.getpid()}\)"):
            write(folder, "B")

    first = ResultFile("slow.txt", lambda path: path.write_text("x"), second_run)
    write_result_set(folder, [first], {"schema_version": "1"})
    assert verify_result(folder) == []


def test_a_lock_file_that_is_taken_away_while_it_is_opened_is_no_lock(tmp_path, monkeypatch):
    """The run that held it ends between the opening and the locking by the next."""
    folder, flock = tmp_path / "result", fcntl.flock

    def just_ended(descriptor, operation):
        monkeypatch.setattr(fcntl, "flock", flock)
        (folder / LOCK).unlink()
        flock(descriptor, operation)

    def second_run(_path):
        with pytest.raises(OutputError, match="another run"):
            write(folder, "B")

    monkeypatch.setattr(fcntl, "flock", just_ended)
    first = ResultFile("slow.txt", lambda path: path.write_text("x"), second_run)
    write_result_set(folder, [first], {"schema_version": "1"})
    assert verify_result(folder) == []


def test_of_runs_that_start_together_each_succeeds_or_is_refused(tmp_path, server):
    folder, results = tmp_path / "result", []
    for _ in range(5):
        told(server, "race", folder, *"ABCD")
        codes = ended(server)
        results += codes
        assert set(codes) <= {0, 3}
        assert 0 in codes
        assert held(folder) in {
            letter for letter, code in zip("ABCD", codes, strict=True) if code == 0
        }
        assert leftovers(folder) == []
    assert 3 in results


def test_a_lock_that_cannot_be_removed_at_once_is_removed_after_all(tmp_path, monkeypatch):
    folder, unlink, failed = tmp_path / "result", Path.unlink, []

    def once(path, missing_ok=False):
        if path.name == LOCK and not failed:
            failed.append(path)
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        unlink(path, missing_ok=missing_ok)

    monkeypatch.setattr(Path, "unlink", once)
    write(folder, "A")
    assert failed
    assert leftovers(folder) == []


def test_a_lock_left_by_a_killed_run_does_not_matter(tmp_path):
    (tmp_path / LOCK).write_text("99999")
    stale = tmp_path / f"{STAGING}99999-abcd"
    stale.mkdir()
    (stale / "half.txt").write_text("x")
    write(tmp_path, "A")
    assert held(tmp_path) == "A"
    assert {path.name for path in tmp_path.iterdir()} == visible(tmp_path)


def test_a_lock_that_is_a_link_is_not_followed(tmp_path):
    folder = tmp_path / "result"
    folder.mkdir()
    (folder / LOCK).symlink_to(tmp_path / "mine")
    with pytest.raises(OutputError):
        write(folder, "A")
    assert not (tmp_path / "mine").exists()
