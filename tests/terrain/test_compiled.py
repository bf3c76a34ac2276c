"""What is kept of compiled kernels: made anew after any change, done without where it cannot be."""

import errno
import os
import subprocess
import sys
from types import SimpleNamespace

from lotflow.terrain import compiled


def test_the_fingerprint_changes_with_every_source_a_kernel_is_made_of(tmp_path, monkeypatch):
    """The loops too, whose constants kernels take in."""
    (tmp_path / "loops").mkdir()
    sources = [tmp_path / "realisation_a.py", tmp_path / "loops" / "steps.py"]
    for source in sources:
        source.write_text("STEP = 1\n")
    monkeypatch.setattr(compiled, "__file__", str(tmp_path / "compiled.py"))
    seen = {compiled._fingerprint()}
    for source in sources:
        source.write_text("STEP = 2\n")
        seen.add(compiled._fingerprint())
    assert len(seen) == 3


def full_disk(*_given):
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_kernel_that_cannot_be_kept_is_used_all_the_same():
    kept = SimpleNamespace(load_overload=lambda *_: None, save_overload=full_disk)
    compiled._forgive_damage(SimpleNamespace(_cache=kept))
    assert kept.save_overload("signature", "code") is None


def test_the_compiler_does_not_look_for_what_counts_lines():
    """Its import would fail in a folder that is gone, where the package is installed."""
    code = (
        "import sys; from lotflow.terrain.compiler import load_compiler; "
        "load_compiler(); sys.exit('coverage' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
