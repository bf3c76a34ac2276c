"""Every column says its heading and quantity once, in the schema, and reports read it there."""

import ast
import math
from itertools import chain
from pathlib import Path

import lotflow.outputs
from lotflow.layers import QUANTITIES, RESULT_LAYERS, SITE_LAYERS
from lotflow.outputs.plan_page.drawn import DRAWN
from lotflow.outputs.plan_page.tables import TABLES
from lotflow.units import CARRIED, SHOWN, TO_SI

#: Units that are none of SI: what they are stands elsewhere in the row or in the price list.
OF_THEIR_OWN = {"unit of the CRS", "see unit", "currency of the price list",
                "degrees"}  # fmt: skip
#: Printed unit of a result's column, as the conversion factors know it.
KEYS = {"m3/s": "m3s", "m/s": "m_s", "mm/h": "mm_h", "s/m^(1/3)": "1"}
#: Headings that are also the name of a layer, or an ordinary word.
ALSO_TITLES = {"Inlets", "Outlet", "Building", "Note", "Layer", "Lot", "Ground", "Line", "Name",
               "Label", "Rule", "Rain", "Water", "Opening", "Place"}  # fmt: skip

RESULT_COLUMNS = [(name, column) for name, layer in RESULT_LAYERS.items()
                  for column in layer.columns]  # fmt: skip


def test_a_column_with_a_unit_is_shown_as_a_quantity_that_is_carried_in_it():
    measures = 0
    for layer, column in RESULT_COLUMNS:
        if not column.unit or column.unit in OF_THEIR_OWN:
            assert column.quantity == "", (layer, column.name)
            continue
        measures += 1
        assert CARRIED[column.quantity] == KEYS.get(column.unit, column.unit), (layer, column.name)
        assert column.shown(1.0, "us") != column.shown(None, "us") == "-"
    assert measures > 200


def test_both_systems_show_each_quantity_in_units_of_what_it_is_carried_in():
    """A metre is 3.28 ft and 39.4 in, not a square foot: the unit of one dimension."""
    one_of = {"m": {"m", "mm", "ft", "in"}, "m2": {"m2", "ft2"}, "m3": {"m3", "ft3"},
              "m3s": {"l_s", "gpm"}, "mm_h": {"mm_h", "in_h"}, "mm": {"mm", "in"},
              "m_s": {"m_s", "ft_s"}, "1": {"1", "%"}, "h": {"h"}, "min": {"min"},
              "yr": {"yr"}}  # fmt: skip
    assert set(CARRIED) == set(SHOWN)
    for quantity, systems in SHOWN.items():
        for unit, _ in systems.values():
            assert unit in one_of[CARRIED[quantity]], quantity
            assert math.isfinite(TO_SI[unit] / TO_SI[CARRIED[quantity]])


def test_measured_columns_of_a_site_are_shown_as_a_quantity_they_may_be_given_in():
    for layer in SITE_LAYERS.values():
        for column in layer.columns:
            assert column.quantity in {"", *QUANTITIES}
            assert column.quantity in {"", *SHOWN}
            assert column.is_measured == bool(column.quantity)


def test_every_column_has_a_heading_of_a_few_words():
    for column in chain(*(layer.columns for layer in (RESULT_LAYERS | SITE_LAYERS).values())):
        assert column.label == column.label.strip() != ""
        assert "_" not in column.label
        assert len(column.label) <= 34, column.label


def texts_of(tree):
    """Texts of a module that are no docstrings."""
    documents = (ast.Module, ast.ClassDef, ast.FunctionDef)
    docs = {id(node.body[0].value) for node in ast.walk(tree)
            if isinstance(node, documents) and isinstance(node.body[0], ast.Expr)}  # fmt: skip
    return {node.value for node in ast.walk(tree) if isinstance(node, ast.Constant)
            and isinstance(node.value, str) and id(node) not in docs}  # fmt: skip


def test_no_report_writes_a_heading_of_a_column_again():
    """Titles of layers and tables are no headings, even where the words are the same."""
    titles = ALSO_TITLES | {one.title for one in (*DRAWN.values(), *TABLES.values())}
    headings = {column.label for _, column in RESULT_COLUMNS} - titles
    texts = {path.name: texts_of(ast.parse(path.read_text(encoding="utf-8")))
             for path in Path(lotflow.outputs.__file__).parent.rglob("*.py")}  # fmt: skip
    assert {name: again for name, found in texts.items() if (again := found & headings)} == {}
