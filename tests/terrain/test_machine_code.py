"""Machine code that is kept between runs: used where it fits, made anew where it does not."""

import subprocess
import sys

import numpy as np
import pytest

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
    machine_code._linker.cache_clear()  # a linker takes each name once
    yield tmp_path / "lotflow" / "kernels"
    machine_code._loaded.cache_clear()
    machine_code._linker.cache_clear()


def total():
    amount = np.array([1.0, 2.0])
    SUM_DOWN(*TWO_CELLS, amount)
    return amount.tolist()


def forget():
    machine_code._loaded.cache_clear()
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
