"""`study` knows the order of the steps and computes nothing: that is for the other rooms."""

import ast
from pathlib import Path

import pytest

STUDY = Path(__file__).parents[2] / "lotflow" / "study"
MODULES = sorted(path.name for path in STUDY.glob("*.py"))

#: What only those import who compute.
_FOR_NUMBERS = {"math", "numpy", "numba", "scipy", "shapely"}
_ARITHMETIC = (ast.Add, ast.Sub, ast.Mult, ast.Div, ast.FloorDiv, ast.Mod, ast.Pow, ast.MatMult)
#: What is put together with "+", and is no number.
_TEXTS_AND_LISTS = (ast.JoinedStr, ast.List, ast.Tuple, ast.ListComp)


def _is_no_number(node, lists=()):
    """Whether a text or a list is written out there, or a name stands for a list."""
    if isinstance(node, ast.BinOp):
        return _is_no_number(node.left, lists) or _is_no_number(node.right, lists)
    if isinstance(node, ast.Constant):
        return isinstance(node.value, str)
    return isinstance(node, _TEXTS_AND_LISTS) or ast.unparse(node) in lists


def _named_lists(tree):
    """Names to which a list is given somewhere in the module."""
    given = [
        (node.targets[0], node.value) for node in ast.walk(tree) if isinstance(node, ast.Assign)
    ]
    given += [(node.target, node.value) for node in ast.walk(tree)
              if isinstance(node, ast.AnnAssign)]  # fmt: skip
    return {
        ast.unparse(name) for name, value in given if isinstance(value, ast.List | ast.ListComp)
    }


def _for_types(tree):
    """Nodes that are read only where types are checked."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING":
            found |= set(ast.walk(node))
    return found


def computed(source):
    """Lines of a module in which numbers are worked out, or what works them out is imported."""
    tree = ast.parse(source)
    only_types, lists = _for_types(tree), _named_lists(tree)

    def works_out(node):
        if isinstance(node, ast.Import | ast.ImportFrom):
            named = [a.name for a in node.names] if isinstance(node, ast.Import) else [node.module]
            rooms = {name.partition(".")[0] for name in named}
            return bool(rooms & _FOR_NUMBERS) and node not in only_types
        if isinstance(node, ast.UnaryOp):
            # the last of a list is no arithmetic
            is_position = isinstance(node.operand, ast.Constant)
            return isinstance(node.op, ast.USub | ast.Invert) and not is_position
        if not isinstance(node, ast.BinOp | ast.AugAssign) or not isinstance(node.op, _ARITHMETIC):
            return False
        sides = (
            (node.left, node.right) if isinstance(node, ast.BinOp) else (node.target, node.value)
        )
        is_text_or_list = any(_is_no_number(side, lists) for side in sides)
        return not (isinstance(node.op, ast.Add) and is_text_or_list)

    return [f"{n.lineno}: {ast.unparse(n)}" for n in ast.walk(tree) if works_out(n)]


@pytest.mark.parametrize("name", MODULES)
def test_a_module_of_study_works_out_no_number(name):
    assert computed((STUDY / name).read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("line", "is_arithmetic"),
    [("a + 1", True), ("a * b", True), ("-a", True), ("n -= 1", True), ("~where", True),
     ("import numpy as np", True), ("from shapely import box", True), ("a[-1]", False),
     ("a | b", False), ('text + "."', False), ("lines += [1]", False), ("[1] + found", False),
     ("if TYPE_CHECKING:\n    import numpy", False), ("lines += found", True),
     ("lines = []\nlines += found", False)],
)  # fmt: skip
def test_what_counts_as_arithmetic(line, is_arithmetic):
    assert bool(computed(line)) == is_arithmetic
