"""What is kept of compiled loops: made anew after any change, done without where it cannot be."""

import errno
import os
import subprocess
import sys
import textwrap
from pathlib import Path
from types import SimpleNamespace

import pytest

import lotflow
from lotflow.terrain import compiled

LABELS = """
    import numpy as np
    from lotflow.terrain.kernels import first_labels
    way = np.array([[0, 1]], dtype=np.uint8)  # the second cell drains west
    print(first_labels(way, np.array([0, 1]), np.array([[7, 0]])).tolist())
"""


def labelled(cache):
    """What a fresh process finds with a cache of its own, and how many files lie there then."""
    environment = os.environ | {"XDG_CACHE_HOME": str(cache)}
    done = subprocess.run([sys.executable, "-W", "error", "-c", textwrap.dedent(LABELS)],
                          env=environment, capture_output=True, text=True, check=False)  # fmt: skip
    assert (done.stdout.strip(), done.stderr) == ("[[7, 7]]", "")
    return sum(path.is_file() for path in (cache / "lotflow").rglob("*"))


@pytest.mark.parametrize("damage", [lambda code: code[:-1], lambda code: b"no cache" * 100,
                                    lambda code: b""])  # fmt: skip
def test_a_loop_is_kept_and_made_anew_where_what_was_kept_is_damaged(tmp_path, damage):
    made = labelled(tmp_path)
    assert made >= 2
    kept = {path: path.read_bytes() for path in tmp_path.rglob("*.nb?")}
    assert labelled(tmp_path) == made
    assert kept == {path: path.read_bytes() for path in tmp_path.rglob("*.nb?")}
    for path, content in kept.items():
        path.write_bytes(damage(content))
    assert labelled(tmp_path) >= made


def test_a_folder_that_cannot_be_written_to_costs_time_only(tmp_path):
    """Without a place to keep it the code is made for this run."""
    (tmp_path / "file").touch()
    assert labelled(tmp_path / "file") == 0


def test_nothing_is_kept_where_others_may_write(tmp_path):
    """Nor read, that is run, from there."""
    (tmp_path / "lotflow").mkdir(mode=0o700)
    (tmp_path / "lotflow").chmod(0o777)
    assert labelled(tmp_path) == 0


def test_the_fingerprint_changes_with_every_source_of_a_loop(tmp_path, monkeypatch):
    """A loop takes in the code and the constants of those it calls."""
    (tmp_path / "loops").mkdir()
    sources = [tmp_path / "loops" / "flood.py", tmp_path / "loops" / "neighbours.py"]
    for source in sources:
        source.write_text("STEP = 1\n")
    monkeypatch.setattr(compiled, "__file__", str(tmp_path / "compiled.py"))
    seen = {compiled._fingerprint()}
    for source in sources:
        source.write_text("STEP = 2\n")
        seen.add(compiled._fingerprint())
    assert len(seen) == 3


def test_every_loop_that_is_compiled_is_told_of_by_the_fingerprint():
    """What is compiled elsewhere would be taken from the cache after a change."""
    package = Path(lotflow.__file__).parent
    using = [path for path in package.rglob("*.py") if "import compiled" in path.read_text("utf-8")]
    assert using
    assert {path.parent for path in using} == {package / "terrain" / "loops"}


def full_disk(*_given):
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_loop_that_cannot_be_kept_is_used_all_the_same():
    kept = SimpleNamespace(load_overload=lambda *_: None, save_overload=full_disk)
    compiled._forgive_damage(SimpleNamespace(_cache=kept))
    assert kept.save_overload("signature", "code") is None


def test_the_compiler_does_not_look_for_what_counts_lines():
    """Its import would fail in a folder that is gone, where the package is installed."""
    code = (
        "import sys; from lotflow.terrain.compiled import load_compiler; "
        "load_compiler(); sys.exit('coverage' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_what_routes_no_water_loads_no_compiler():
    """It takes a quarter of a second to load."""
    code = (
        "import sys, lotflow.terrain.routing, lotflow.terrain.low_spots; "
        "sys.exit('numba' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


# what lies in the folder is run: nobody else may be able to put anything there


@pytest.fixture
def cache(tmp_path, monkeypatch):
    """A cache folder of its own."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    return tmp_path / "lotflow" / "kernels" / compiled._fingerprint()


def folder_named(place, cache):
    """A folder on the way to the cache: its own, those of all that is kept, the one above them."""
    names = {"own": cache, "kernels": cache.parent, "": cache.parents[1], "above": cache.parents[2]}
    return names[place]


@pytest.mark.parametrize("place", ["own", "", "kernels", "above"])
@pytest.mark.parametrize("mode", [0o777, 0o757, 0o775])
def test_a_folder_that_others_may_write_to_is_not_used(cache, place, mode, monkeypatch):
    assert compiled.cache_folder() == cache
    monkeypatch.setattr(os, "getegid", lambda: 4321)  # nobody's own group
    folder = folder_named(place, cache)
    folder.chmod(mode)
    assert compiled.cache_folder() is None
    folder.chmod(0o755)
    assert compiled.cache_folder() == cache


def test_a_folder_for_all_where_nobody_can_take_ours_away_is_good_enough(cache):
    """As the one for temporary files: sticky."""
    cache.parents[2].chmod(0o1777)
    assert compiled.cache_folder() == cache
    cache.chmod(0o1777)  # but in our own folder others must not even add a file
    assert compiled.cache_folder() is None


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a folder away")
@pytest.mark.parametrize("place", ["own", "", "kernels", "above"])
def test_a_folder_of_somebody_else_is_not_used(cache, place):
    assert compiled.cache_folder() == cache
    folder = folder_named(place, cache)
    os.chown(folder, 65534, 65534)
    assert compiled.cache_folder() is None


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")
def test_a_folder_in_which_somebody_has_put_a_file_is_not_used(cache):
    """Its mode was mended since; the file is still there, and would be run."""
    assert compiled.cache_folder() == cache
    planted = cache / "0123" / "loops.nbi"
    planted.parent.mkdir()
    planted.touch()
    assert compiled.cache_folder() == cache
    os.chown(planted, 65534, 65534)
    assert compiled.cache_folder() is None


def test_a_folder_is_not_used_deeper_in_which_others_may_write(cache):
    """As a umask of 0 leaves them; nobody reaches them where the folder itself is closed."""
    assert compiled.cache_folder() == cache
    (cache / "0123").mkdir()
    (cache / "0123").chmod(0o777)
    cache.chmod(0o700)
    assert compiled.cache_folder() == cache
    cache.chmod(0o755)
    assert compiled.cache_folder() is None
    (cache / "0123").rmdir()
    (cache / "0123").symlink_to(cache.parent)
    assert compiled.cache_folder() is None


@pytest.mark.parametrize("place", ["lotflow", "lotflow/kernels"])
def test_a_link_is_not_followed_for_it(tmp_path, monkeypatch, place):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir(mode=0o700)
    (tmp_path / "cache" / place).parent.mkdir(mode=0o700, parents=True)
    (tmp_path / "cache" / place).symlink_to(elsewhere)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    assert compiled.cache_folder() is None


def test_a_linked_cache_as_a_whole_is_the_users_own_choice(tmp_path, monkeypatch):
    (tmp_path / "large disk").mkdir(mode=0o700)
    (tmp_path / "cache").symlink_to("large disk")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    assert compiled.cache_folder() == (
        tmp_path / "large disk" / "lotflow" / "kernels" / compiled._fingerprint()
    )


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
        from lotflow.terrain.compiled import load_compiler
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
