"""Machine code that is kept between runs: used where it fits, made anew where it does not."""

import hashlib
import os
import subprocess
import sys
import textwrap
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import lotflow
from lotflow.errors import EngineError
from lotflow.terrain import machine_code
from lotflow.terrain.machine_code import Loop

SUM_DOWN = Loop("ways", "sum_down", "uint8* int64* int64 int64 float64*")
TWO_CELLS = (np.array([0, 1], dtype=np.uint8), np.array([0, 1]), 2, 2)  # the second drains west


@pytest.fixture
def cache(tmp_path, monkeypatch):
    """A cache folder of its own, and nothing loaded."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    machine_code._loaded.cache_clear()
    machine_code._folder_of.cache_clear()
    machine_code._linker.cache_clear()  # a linker takes each name once
    yield tmp_path / "lotflow" / "kernels"
    machine_code._loaded.cache_clear()
    machine_code._folder_of.cache_clear()
    machine_code._linker.cache_clear()


def total():
    amount = np.array([1.0, 2.0])
    SUM_DOWN(*TWO_CELLS, amount)
    return amount.tolist()


def forget():
    machine_code._loaded.cache_clear()
    machine_code._folder_of.cache_clear()
    machine_code._linker.cache_clear()


def test_a_loop_is_compiled_once_and_kept(cache, monkeypatch):
    """The second process takes what the first has kept."""
    assert total() == [3.0, 2.0]
    assert len(list(cache.glob("sum_down-*.o"))) == 1
    forget()
    monkeypatch.setattr(machine_code, "compile_loop", None)
    assert total() == [3.0, 2.0]


@pytest.mark.parametrize("damage", [lambda code: code[:-1], lambda code: code[:40] + b"x" * 200,
                                    lambda code: b"", lambda code: code[:32]])  # fmt: skip
def test_damaged_code_is_never_run(cache, damage):
    """A file that is not what was kept is made anew."""
    total()
    (path,) = cache.glob("sum_down-*.o")
    path.write_bytes(damage(path.read_bytes()))
    assert machine_code._kept(path) is None
    forget()
    assert total() == [3.0, 2.0]
    assert machine_code._kept(path) is not None


def test_a_loop_that_reports_a_failure_is_told(monkeypatch):
    monkeypatch.setattr(machine_code, "_loaded", lambda loop: lambda *arguments: 1)
    with pytest.raises(EngineError, match="sum_down failed"):
        SUM_DOWN(*TWO_CELLS, np.zeros(2))


def test_code_for_another_processor_source_or_form_is_not_taken(monkeypatch):
    """What the code depends on is in the name of its file."""
    own = machine_code._fingerprint(SUM_DOWN)
    other_form = Loop("ways", "sum_down", "uint8* int64* int64 int64 float32*")
    assert machine_code._fingerprint(other_form) != own
    with monkeypatch.context() as patch:
        patch.setattr(machine_code, "_processor", lambda: ("another", ""))
        assert machine_code._fingerprint(SUM_DOWN) != own
    with monkeypatch.context() as patch:
        patch.setattr(machine_code, "_sources", lambda: "def sum_down(): ...")
        assert machine_code._fingerprint(SUM_DOWN) != own
    assert machine_code._fingerprint(SUM_DOWN) == own


def test_a_folder_that_cannot_be_written_to_costs_time_only(tmp_path, monkeypatch):
    """Without a place to keep it the code is made for this run."""
    (tmp_path / "file").touch()
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    forget()
    assert machine_code.cache_folder() is None
    assert total() == [3.0, 2.0]
    forget()


def test_a_full_disk_leaves_no_half_file(cache, monkeypatch):
    """Code that cannot be kept whole is not kept."""

    def refuse(path, content):
        path.touch()
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.write_bytes", refuse)
    assert total() == [3.0, 2.0]
    assert [path for path in cache.iterdir() if path.is_file()] == []


@pytest.mark.parametrize("wrong", [np.zeros(2, dtype=np.float32), np.zeros(4)[::2], [0.0, 0.0]])
def test_arrays_of_another_type_or_layout_are_refused(wrong):
    """Machine code trusts its arguments, so they are checked before."""
    with pytest.raises(Exception, match="argument 7"):
        SUM_DOWN(*TWO_CELLS, wrong)


def test_loading_kept_code_imports_no_compiler():
    """The compiler takes most of a second to load; a run that finds its code kept does without."""
    total()
    code = (
        "import sys, numpy as np\n"
        "from lotflow.terrain.kernels import accumulate\n"
        "accumulate(np.zeros((3, 3), np.uint8), np.arange(9), np.ones((3, 3)))\n"
        "print('numba' in sys.modules)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.split() == ["False"]


# what lies in the folder is run: nobody else may be able to put anything there


def other(direction, order, size, columns, total):
    total[0] = 666.0


def planted(cache, monkeypatch):
    """Put code of another function there, with the name and the hash that fit."""
    total()
    (path,) = cache.glob("sum_down-*.o")
    with monkeypatch.context() as patch:
        mine = SimpleNamespace(sum_down=SimpleNamespace(py_func=other))
        patch.setattr(machine_code, "import_module", lambda _: mine)
        code = machine_code.compile_loop(SUM_DOWN)
    path.write_bytes(hashlib.sha256(code).digest() + code)
    forget()
    return path


@pytest.mark.parametrize("place", ["", "kernels", "above"])
@pytest.mark.parametrize("mode", [0o777, 0o757, 0o775])
def test_a_folder_that_others_may_write_to_is_not_used(cache, place, mode, monkeypatch):
    assert machine_code.cache_folder() == cache
    monkeypatch.setattr(os, "getegid", lambda: 4321)  # nobody's own group
    folder = {"kernels": cache, "": cache.parent, "above": cache.parents[1]}[place]
    folder.chmod(mode)
    assert machine_code.cache_folder() is None
    folder.chmod(0o755)
    assert machine_code.cache_folder() == cache


def test_a_folder_for_all_where_nobody_can_take_ours_away_is_good_enough(cache):
    """As the one for temporary files: sticky."""
    cache.parents[1].chmod(0o1777)
    assert machine_code.cache_folder() == cache
    cache.chmod(0o1777)  # but in our own folder others must not even add a file
    assert machine_code.cache_folder() is None


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a folder away")
@pytest.mark.parametrize("place", ["", "kernels", "above"])
def test_a_folder_of_somebody_else_is_not_used(cache, place):
    assert machine_code.cache_folder() == cache
    folder = {"kernels": cache, "": cache.parent, "above": cache.parents[1]}[place]
    os.chown(folder, 65534, 65534)
    assert machine_code.cache_folder() is None


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")
def test_a_folder_in_which_somebody_has_put_a_file_is_not_used(cache):
    """Its mode was mended since; the file is still there, and would be run."""
    assert machine_code.cache_folder() == cache
    planted = cache / "0123" / "loops.nbi"
    planted.parent.mkdir()
    planted.touch()
    assert machine_code.cache_folder() == cache
    os.chown(planted, 65534, 65534)
    assert machine_code.cache_folder() is None


def test_a_folder_is_not_used_deeper_in_which_others_may_write(cache):
    """As a umask of 0 leaves them; nobody reaches them where the folder itself is closed."""
    assert machine_code.cache_folder() == cache
    (cache / "0123").mkdir()
    (cache / "0123").chmod(0o777)
    cache.chmod(0o700)
    assert machine_code.cache_folder() == cache
    cache.chmod(0o755)
    assert machine_code.cache_folder() is None
    (cache / "0123").rmdir()
    (cache / "0123").symlink_to(cache.parent)
    assert machine_code.cache_folder() is None


@pytest.mark.parametrize("place", ["lotflow", "lotflow/kernels"])
def test_a_link_is_not_followed_for_it(tmp_path, monkeypatch, place):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir(mode=0o700)
    (tmp_path / "cache" / place).parent.mkdir(mode=0o700, parents=True)
    (tmp_path / "cache" / place).symlink_to(elsewhere)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    assert machine_code.cache_folder() is None


def test_a_linked_cache_as_a_whole_is_the_users_own_choice(tmp_path, monkeypatch):
    (tmp_path / "large disk").mkdir(mode=0o700)
    (tmp_path / "cache").symlink_to("large disk")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    assert machine_code.cache_folder() == tmp_path / "large disk" / "lotflow" / "kernels"


def test_planted_code_is_not_run(cache, monkeypatch):
    """With the right name and hash, in a folder that others may write to."""
    path = planted(cache, monkeypatch)
    before = path.read_bytes()
    assert total() == [666.0, 2.0]  # the instrument: it would be
    forget()
    cache.chmod(0o777)
    assert total() == [3.0, 2.0]
    assert path.read_bytes() == before


# settings of the compiler


@pytest.mark.parametrize("parser", [True, False])
def test_a_settings_file_where_the_program_is_started_is_not_obeyed(tmp_path, parser):
    """Nor are those asked for that come later, when something is compiled."""
    (tmp_path / ".numba_config.yaml").write_text("disable_jit: 1\nopt: 0\n")
    (tmp_path / "yaml.py").write_text(
        "def safe_load(stream):\n return {'disable_jit': 1, 'opt': 0}\n"
        if parser else "raise ImportError\n"
    )  # fmt: skip
    code = """
        import sys, warnings
        warnings.simplefilter("error")
        if PARSER:
            import yaml
        from lotflow.terrain.compiler import load_compiler
        numba = load_compiler()
        assert not PARSER or sys.modules["yaml"] is yaml
        numba.njit(lambda x: x + 1)(1)
        numba.core.config.reload_config()
        print(numba.config.DISABLE_JIT, int(numba.config.OPT), "yaml" in sys.modules)
    """.replace("PARSER", str(parser))
    environment = os.environ | {"PYTHONPATH": f"{Path(lotflow.__file__).parents[1]}{os.pathsep}."}
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(code)], cwd=tmp_path,
                          env=environment, capture_output=True, text=True, check=False)  # fmt: skip
    assert (done.stdout.strip(), done.stderr) == (f"0 3 {parser}", "")
