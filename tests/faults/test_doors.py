"""One door in and one door out: files are opened and written nowhere else."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "lotflow"

#: Calls that open, read or write files, start programs or run text, by the last parts of their
#: name; a `*` stands for any object.
WATCHED = {
    "open", "*.open", "*.read_bytes", "*.read_text", "*.write_bytes", "*.write_text", "*.unlink",
    "*.rename", "*.replace", "*.rmdir", "*.rmtree", "*.mkdir", "*.touch", "*.symlink_to",
    "*.hardlink_to", "*.to_file", "*.to_csv", "*.to_parquet", "*.to_pickle", "*.to_json",
    "*.savefig", "*.save", "*.tofile", "*.savetxt", "*.read_file", "*.read_csv",
    "*.read_parquet", "*.read_pickle", "*.read_dataframe", "*.read_info", "*.list_layers",
    "*.read_arrow", "*.open_arrow", "*.write_dataframe", "*.fromfile", "*.genfromtxt",
    "*.loadtxt", "*.imread", "*.imsave", "np.load", "np.save", "np.savez", "raw.write",
    "raw.read", "sqlite3.connect", "shutil.*", "tempfile.*", "eval", "exec", "compile",
    "os.system", "os.popen", "os.open", "os.write", "os.remove", "*.Popen", "subprocess.*",
    "pickle.*", "urllib.*", "requests.*", "socket.*", "*.urlopen",
}  # fmt: skip

#: Which module may make which of these calls, and why there.
MAY = {
    # the door in, and the readers it hands files to
    "inputs/open.py": {"*.open"},
    "inputs/crs_text.py": {"*.open"},
    "inputs/ascii_grid.py": {"*.open", "*.loadtxt"},
    "inputs/geotiff.py": {"*.open"},
    "inputs/geotiff_blocks.py": {"*.open"},
    "inputs/geopackage.py": {"sqlite3.connect", "shutil.*", "tempfile.*", "*.unlink"},
    "inputs/vectors.py": {"*.read_info", "*.read_dataframe", "*.write_bytes", "*.read_bytes",
                          "shutil.*", "tempfile.*"},
    # tables of the package itself
    "tables/__init__.py": {"*.read_text"},
    # the door out, and the writers it hands paths in its staging folder to
    "outputs/result_set.py": {"*.mkdir", "*.replace", "*.unlink", "*.read_bytes", "*.write_bytes",
                              "os.open", "shutil.*"},
    "outputs/folder_lock.py": {"*.mkdir", "*.unlink", "*.rmdir", "os.open", "os.write"},
    "outputs/manifest.py": {"*.open", "*.read_bytes"},
    "outputs/result_file.py": {"*.write_bytes", "*.read_bytes"},
    "outputs/rasters.py": {"*.open"},
    "outputs/geopackage.py": {"*.unlink", "raw.write", "*.list_layers", "*.read_info",
                              "sqlite3.connect"},
    "outputs/failures.py": {"shutil.*"},
    # a job to draw in: new files only
    "outputs/job_folder.py": {"*.mkdir", "*.rmdir", "*.unlink", "*.replace", "*.write_bytes",
                              "*.read_bytes", "*.write_dataframe", "tempfile.*"},
    "outputs/map_picture.py": {"*.write_bytes"},
    # bytes in memory, not files
    "outputs/map_sheet.py": {"*.save"},
    "outputs/plan_page/grids.py": {"*.save"},
    "outputs/field_sheet/paper.py": {"*.open", "*.save"},
    # parts of the package itself
    "outputs/plan_page/document.py": {"*.read_text"},
    "terrain/compiled.py": {"*.read_bytes"},
    # a process of our own that draws, and its pipes; the null device
    "outputs/side_process.py": {"subprocess.*", "pickle.*", "open"},
    "cli/main.py": {"os.open", "open"},
    "terrain/silence.py": {"os.open"},
    # machine code of our own loops, kept between runs with its hash
    "terrain/machine_code.py": {"*.mkdir", "*.read_bytes", "*.read_text", "*.replace", "*.unlink",
                                "*.write_bytes", "tempfile.*"},
}  # fmt: skip


def watched_calls(tree: ast.AST) -> list[tuple[str, int]]:
    """Every watched call with its line."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            name = ast.unparse(node.func)
            parts = name.split(".")
            last = f"*.{parts[-1]}" if isinstance(node.func, ast.Attribute) else name
            for pattern in (name, f"{parts[0]}.*", ".".join(parts[-2:]), last):
                if pattern in WATCHED and not _is_of_text(node, last):
                    found.append((pattern, node.lineno))
                    break
            if any(key.arg == "shell" for key in node.keywords):
                found.append(("shell", node.lineno))
    return found


def _is_of_text(call: ast.Call, name: str) -> bool:
    """Tell `text.replace(old, new)` and `re.compile` from calls that change the disk."""
    if name == "*.rename":  # that of a table names its columns
        return bool(call.keywords)
    return name == "*.replace" and len(call.args) + len(call.keywords) != 1


def modules() -> list[str]:
    return sorted(path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("module", modules())
def test_only_the_doors_touch_files(module: str) -> None:
    """A call that opens, writes or runs something stands where it is allowed by name."""
    tree = ast.parse((PACKAGE / module).read_text(encoding="utf-8"))
    allowed = MAY.get(module, set())
    wrong = [f"line {line}: {call}" for call, line in watched_calls(tree) if call not in allowed]
    assert wrong == []


def test_the_list_of_the_allowed_is_not_longer_than_needed() -> None:
    """What is allowed is also done, so that the list says what there is."""
    for module, allowed in MAY.items():
        tree = ast.parse((PACKAGE / module).read_text(encoding="utf-8"))
        assert allowed <= {call for call, _ in watched_calls(tree)}, module


@pytest.mark.parametrize(
    "text",
    ["open('a')", "Path(a).open()", "p.write_text('x')", "rasterio.open(p)", "frame.to_file(p)",
     "pyogrio.read_dataframe(p)", "np.load(p)", "pickle.loads(b)", "eval(t)", "os.system(t)",
     "subprocess.run(t)", "run(t, shell=True)", "shutil.copy(a, b)", "a.replace(b)"],
)  # fmt: skip
def test_the_watch_sees(text: str) -> None:
    """The instrument itself."""
    assert watched_calls(ast.parse(text))


@pytest.mark.parametrize("text", ["a.replace('x', 'y')", "re.compile(t)", "opened(p)", "load(p)"])
def test_the_watch_sees_no_more(text: str) -> None:
    """And what it must not take for such."""
    assert not watched_calls(ast.parse(text))
