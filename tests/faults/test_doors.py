"""One door in and one door out: files are opened and written nowhere else."""

from __future__ import annotations

import ast
import re
from collections.abc import Sequence
from fnmatch import fnmatchcase, translate
from functools import cache
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "lotflow"

#: Calls that open, read, write or change files, start programs, ask a network or run text: by the
#: whole dotted name that a call has through the imports of its module (`module.*` is any of it),
#: or by the name of a method of whatever object (`*.name`).
WATCHED = {
    "open", "eval", "exec", "compile", "__import__", "builtins.*", "_io.*", "io.open",
    "io.open_code", "io.FileIO", "codecs.open",
    "os.open", "os.fdopen", "os.write", "os.pwrite", "os.writev", "os.sendfile", "os.mkfifo",
    "os.mknod", "os.system", "os.popen", "os.startfile", "os.fork", "os.forkpty", "os.remove",
    "os.removedirs", "os.makedirs", "os.mkdir", "os.rmdir", "os.unlink", "os.link", "os.symlink",
    "os.rename", "os.renames", "os.replace", "os.truncate", "os.ftruncate", "os.chmod", "os.chown",
    "os.utime", "os.exec*", "os.spawn*", "os.posix_spawn*",
    "shutil.*", "tempfile.*", "subprocess.*", "multiprocessing.*", "pty.*", "mmap.*", "fileinput.*",
    "pickle.*", "cPickle.*", "_pickle.*", "dill.*", "cloudpickle.*", "joblib.*", "marshal.*",
    "shelve.*", "dbm.*", "yaml.*", "runpy.*", "code.*", "ctypes.CDLL", "importlib.import_module",
    "zipfile.*", "tarfile.*", "gzip.*", "bz2.*", "lzma.*", "zlib.*open", "sqlite3.connect",
    "http.*", "urllib.*", "requests.*", "httpx.*", "aiohttp.*", "urllib3.*", "socket.*", "ssl.*",
    "ftplib.*", "smtplib.*", "xmlrpc.*", "webbrowser.*", "asyncio.open_*", "asyncio.create_sub*",
    "asyncio.start_server",
    "numpy.load", "numpy.save*", "numpy.memmap", "numpy.fromfile", "numpy.genfromtxt",
    "numpy.loadtxt", "numpy.DataSource", "numpy.lib.*",
    "pandas.read_*", "pandas.ExcelFile", "pandas.ExcelWriter", "pandas.HDFStore",
    "geopandas.read_*", "geopandas.list_layers", "pyogrio.read_*", "pyogrio.write_*",
    "pyogrio.open_*",
    "pyogrio.read_info", "pyogrio.read_dataframe", "pyogrio.write_dataframe", "pyogrio.list_layers",
    "pyogrio.raw.*", "fiona.*", "osgeo.*",
    "rasterio.open", "rasterio.MemoryFile", "rasterio.io.*", "rasterio.shutil.*",
    "PIL.Image.open",
    "*.open", "*.read_bytes", "*.read_text", "*.write_bytes", "*.write_text", "*.unlink",
    "*.rename", "*.replace", "*.rmdir", "*.rmtree", "*.mkdir", "*.touch", "*.symlink_to",
    "*.hardlink_to", "*.chmod", "*.to_file", "*.to_csv", "*.to_parquet", "*.to_pickle", "*.to_json",
    "*.to_feather", "*.to_excel", "*.to_hdf", "*.to_sql", "*.savefig", "*.save", "*.tofile",
    "*.savetxt", "*.read_file", "*.read_csv", "*.read_parquet", "*.read_pickle",
    "*.read_dataframe", "*.read_info", "*.list_layers", "*.read_arrow", "*.open_arrow",
    "*.write_dataframe", "*.fromfile", "*.genfromtxt", "*.loadtxt", "*.imread", "*.imsave",
    "*.Popen", "*.urlopen",
}  # fmt: skip

#: Which module may make which of these calls, and why there.
MAY = {
    # the door in, and the readers it hands files to
    "inputs/open.py": {"*.open"},
    "inputs/crs_text.py": {"*.open"},
    "inputs/ascii_grid.py": {"*.open", "numpy.loadtxt"},
    "inputs/geotiff.py": {"rasterio.open"},
    "inputs/points.py": {"*.open"},
    "inputs/tiff_structure.py": {"*.open"},
    "inputs/geopackage.py": {"sqlite3.connect", "shutil.*", "tempfile.*", "*.unlink"},
    "inputs/vectors.py": {"pyogrio.read_info", "pyogrio.read_dataframe", "pyogrio.read_*",
                          "*.write_bytes", "*.read_bytes", "shutil.*", "tempfile.*"},
    # the one door to the network, and files of our own of what came through it
    "fetching/http_door.py": {"urllib3.*", "urllib.*", "http.*", "socket.*", "ssl.*"},
    "fetching/remote_tiff.py": {"*.open", "*.write_bytes"},
    "study/fetch.py": {"tempfile.*", "*.mkdir"},
    # tables of the package itself
    "tables/__init__.py": {"*.read_text"},
    # the door out, and the writers it hands paths in its staging folder to
    "outputs/result_set.py": {"*.mkdir", "*.replace", "*.unlink", "*.read_bytes", "*.write_bytes",
                              "os.open", "shutil.*"},
    "outputs/folder_lock.py": {"*.mkdir", "*.unlink", "*.rmdir", "os.open", "os.write",
                               "os.ftruncate"},
    # what is in a GeoPackage that a person may have changed; a copy of one that is open elsewhere
    "outputs/manifest.py": {"*.open", "*.read_bytes", "sqlite3.connect", "shutil.*", "tempfile.*"},
    "outputs/result_file.py": {"*.write_bytes", "*.read_bytes"},
    "outputs/rasters.py": {"rasterio.open"},
    # a raster and its record, and parts of it to come
    "outputs/fetched.py": {"rasterio.open", "*.open", "*.read_bytes", "*.write_bytes", "*.replace",
                           "*.mkdir", "*.rmdir", "*.unlink"},
    "outputs/geopackage.py": {"*.unlink", "*.write_bytes", "pyogrio.raw.*", "pyogrio.list_layers",
                              "pyogrio.read_info",
                              "sqlite3.connect"},
    "outputs/drawing_tables.py": {"pyogrio.write_dataframe", "sqlite3.connect"},
    "outputs/failures.py": {"shutil.*"},
    # a job to draw in: new files only
    "outputs/job_folder.py": {"*.mkdir", "*.rmdir", "*.unlink", "*.replace", "*.write_bytes",
                              "*.read_bytes", "*.open",
                              "tempfile.*"},
    # tables and rasters that a Python caller has in memory, as files of our own
    "outputs/handed_over.py": {"pyogrio.write_dataframe", "rasterio.shutil.*"},
    "study/door.py": {"tempfile.*"},
    # a job made in a private folder, read back before it counts
    "outputs/proposal.py": {"pyogrio.read_info", "pyogrio.list_layers",
                            "sqlite3.connect", "*.read_bytes", "*.write_bytes", "tempfile.*"},
    "study/propose.py": {"tempfile.*"},
    # what a batch has done so far, and its overview
    "outputs/journal.py": {"*.mkdir", "*.open", "*.read_text", "*.write_text", "*.replace",
                           "*.unlink"},
    "outputs/town.py": {"*.to_parquet", "geopandas.read_*"},
    # an extra that may not be there; where workers keep private copies, gone when they are
    "town/engine.py": {"importlib.import_module", "tempfile.*"},
    # bytes in memory, not files
    "outputs/map/sheet.py": {"*.save"},
    "outputs/plan_page/grids.py": {"*.save"},
    "outputs/field_sheet/paper.py": {"*.save"},
    # parts of the package itself
    "outputs/html_page.py": {"*.read_text"},
    "outputs/plan_page/document.py": {"*.read_text"},
    # the sources of the compiled loops, and the folder that they are kept in between runs
    "terrain/compiled.py": {"*.read_bytes", "*.mkdir", "tempfile.*"},
    # a process of our own that draws, and its pipes; the null device
    "outputs/side_process.py": {"subprocess.*", "pickle.*", "open", "os.fdopen",
                                "importlib.import_module", "getattr"},
    "cli/main.py": {"os.open", "open"},
    "terrain/drainage.py": {"os.open"},
}  # fmt: skip


def watched_calls(tree: ast.AST) -> list[tuple[str, int]]:
    """Every watched call with its line; a function that is handed on counts as called."""
    nodes = list(ast.walk(tree))
    found, known = [], imported(nodes)
    called = {id(node.func) for node in nodes if isinstance(node, ast.Call)}
    for node in nodes:
        if isinstance(node, ast.Call):
            pattern = _pattern_of(node, known) or _by_its_name(node, known)
            if pattern:
                found.append((pattern, node.lineno))
            if any(key.arg == "shell" for key in node.keywords):
                found.append(("shell", node.lineno))
        elif isinstance(node, ast.Attribute | ast.Name) and id(node) not in called:
            pattern = _pattern_of_name(ast.unparse(node), known)
            if pattern:
                found.append((pattern, node.lineno))
    return found


def imported(nodes: Sequence[ast.AST]) -> dict[str, str]:
    """Whole dotted name of every name that a module, or a function in it, imports."""
    known = {}
    for node in nodes:
        if isinstance(node, ast.Import):
            for item in node.names:
                top = item.name.split(".")[0]
                known[item.asname or top] = item.name if item.asname else top
        elif isinstance(node, ast.ImportFrom):
            for item in node.names:
                known[item.asname or item.name] = f"{'.' * node.level}{node.module}.{item.name}"
    return known


def _pattern_of_name(name: str, known: dict[str, str]) -> str:
    """Give what of the watched a name is by its import; empty where it is none."""
    first, dot, rest = name.partition(".")
    if first not in known and dot:
        return ""
    return _longest_match(known.get(first, first) + dot + rest)


#: Those that stand for a whole dotted name, and all of them in one, since hardly any name is one.
NAMED = [one for one in WATCHED if not one.startswith("*")]
ANY_NAMED = re.compile("|".join(map(translate, NAMED)))


@cache
def _longest_match(whole: str) -> str:
    """Give the pattern that says most of a whole dotted name."""
    if not ANY_NAMED.match(whole):
        return ""
    return max((one for one in NAMED if fnmatchcase(whole, one)), key=len)


def _by_its_name(call: ast.Call, known: dict[str, str]) -> str:
    """Tell a function that is fetched by its name from a module that has watched ones."""
    if ast.unparse(call.func) not in {"getattr", "vars"} or not call.args:
        return ""
    module = ast.unparse(call.args[0]).split(".")[0]
    watched = {one.split(".")[0] for one in WATCHED if "." in one}
    return "getattr" if known.get(module, "").split(".")[0] in watched else ""


def _pattern_of(call: ast.Call, known: dict[str, str]) -> str:
    """Give what of the watched a call is; empty where it is none."""
    name = ast.unparse(call.func)
    by_import = _pattern_of_name(name, known)
    if by_import:
        return by_import
    first, dot, rest = name.partition(".")
    whole = known.get(first, first) + dot + rest
    last = f"*.{whole.split('.')[-1]}" if dot else ""
    return last if last in WATCHED and not _is_of_text(call, last) else ""


def _is_of_text(call: ast.Call, name: str) -> bool:
    """Tell `text.replace(old, new)` and `re.compile` from calls that change the disk."""
    if name == "*.rename":  # that of a table names its columns
        return bool(call.keywords)
    return name == "*.replace" and len(call.args) + len(call.keywords) != 1


@cache
def calls_of(module: str) -> list[tuple[str, int]]:
    """Every watched call of a module of the package."""
    return watched_calls(ast.parse((PACKAGE / module).read_text(encoding="utf-8")))


def modules() -> list[str]:
    return sorted(path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py"))


def test_only_the_doors_touch_files() -> None:
    """A call that opens, writes or runs something stands where it is allowed by name."""
    found = modules()
    assert len(found) > 200
    wrong = {
        module: [f"line {line}: {call}" for call, line in calls_of(module)
                 if call not in MAY.get(module, set())]
        for module in found
    }  # fmt: skip
    assert {module: calls for module, calls in wrong.items() if calls} == {}


def test_the_list_of_the_allowed_is_not_longer_than_needed() -> None:
    """What is allowed is also done, so that the list says what there is."""
    for module, allowed in MAY.items():
        assert allowed <= {call for call, _ in calls_of(module)}, module


#: Calls that the watch must see, with the imports before them.
SEEN = [
    "open('a')", "Path(a).open()", "p.write_text('x')", "frame.to_file(p)", "eval(t)",
    "run(t, shell=True)", "a.replace(b)", "from pyogrio import raw; raw.write(a)",
    *(f"import {call.split('.')[0]}; {call}" for call in (
        "rasterio.open(p)", "pyogrio.read_dataframe(p)", "numpy.load(p)", "pickle.loads(b)",
        "os.system(t)", "subprocess.run(t)", "shutil.copy(a, b)", "os.replace(a, b)",
        "os.rename(src=a, dst=b)", "yaml.safe_load(t)", "yaml.load(t)", "io.FileIO(p)",
        "io.open(p)", "numpy.memmap(p)", "os.makedirs(p)", "os.link(a, b)", "os.symlink(a, b)",
        "os.truncate(p, 0)", "os.execv(p, a)", "os.execvpe(p, a, e)", "os.spawnl(m, p)",
        "os.posix_spawn(p, a, e)", "marshal.loads(b)", "zipfile.ZipFile(p)",
        "http.client.HTTPConnection(h)", "urllib.request.Request(u)", "socket.create_connection(a)",
        "pandas.read_csv(p)", "asyncio.open_connection(h)", "multiprocessing.Process()",
        "builtins.open(p)", "codecs.open(p)",
    )),
    "import numpy as np; np.load(p)", "import numpy as np; np.memmap(p)",
    "import numpy as n; n.savez_compressed(p)", "import subprocess as sp; sp.run(t)",
    "import os as o; o.replace(a, b)", "import http.client as c; c.HTTPSConnection(h)",
    "import xml.dom, os.path; os.system(t)",
    "from os import system; system(t)", "from os import replace as move; move(a, b)",
    "from os import execvp; execvp(p, a)", "from subprocess import run; run(t)",
    "from shutil import copyfile; copyfile(a, b)",
    "from pyogrio import read_dataframe; read_dataframe(p)",
    "from pickle import loads; loads(b)", "from marshal import load; load(f)",
    "from zipfile import ZipFile; ZipFile(p)", "from http.client import HTTPSConnection as C; C(h)",
    "from http import client; client.HTTPConnection(h)", "from numpy import load; load(p)",
    "from io import FileIO as F; F(p)", "from rasterio import open as ropen; ropen(p)",
    "from yaml import safe_load; safe_load(t)",
    "def f():\n    from os import remove\n    remove(p)",
    "import os; f = os.remove; f(p)", "import os; list(map(os.remove, paths))",
    "from shutil import rmtree; partial(rmtree, p)()", "f = open; f(p)", "map(eval, texts)",
    "import os; getattr(os, name)(p)", "import shutil as s; getattr(s, 'rm' + 'tree')(p)",
    "import io; vars(io)['open'](p)",
]  # fmt: skip


@pytest.mark.parametrize("text", SEEN)
def test_the_watch_sees(text: str) -> None:
    """The instrument itself, by whatever name a call goes."""
    assert watched_calls(ast.parse(text))


@pytest.mark.parametrize(
    "text",
    ["a.replace('x', 'y')", "import re; re.compile(t)", "opened(p)", "load(p)", "system(t)",
     "from lotflow.inputs.vectors import read_layer; read_layer(p)", "import os; os.fspath(p)",
     "from dataclasses import replace; replace(a, b=c)", "import json; json.loads(t)",
     "import numpy as np; np.array(a)", "import io; io.BytesIO(b)"],
)  # fmt: skip
def test_the_watch_sees_no_more(text: str) -> None:
    """And what it must not take for such."""
    assert not watched_calls(ast.parse(text))
