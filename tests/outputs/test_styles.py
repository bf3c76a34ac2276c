"""Styles: every layer that has one can be read by others, and names columns that exist."""

import json
import os
import shutil
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.styles import STYLED, layer_rules, sld_text

SLD, OGC = "{http://www.opengis.net/sld}", "{http://www.opengis.net/ogc}"
#: Order of the elements of a rule: OGC 02-070, appendix A.4, FeatureTypeStyle.xsd.
RULE_ORDER = (
    "Name", "Title", "Filter", "MinScaleDenominator", "MaxScaleDenominator", "LineSymbolizer",
    "PolygonSymbolizer", "PointSymbolizer", "TextSymbolizer",
)  # fmt: skip
LAYERS = sorted(layer_rules("metric"))
READER = """
import { SldStyleParser } from 'geostyler-sld-parser';
import { readFileSync } from 'node:fs';
const parser = new SldStyleParser({ sldVersion: '1.0.0' });
const { output, errors, unsupportedProperties } =
  await parser.readStyle(readFileSync(0, 'utf8'));
console.log(JSON.stringify({ output, errors: (errors ?? []).map(String), unsupportedProperties }));
"""


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("layer", LAYERS)
def test_a_style_names_columns_of_its_layer_and_keeps_the_order_of_the_standard(layer, units):
    root = ET.fromstring(sld_text(layer, layer_rules(units)[layer]))
    columns = {column.name for column in RESULT_LAYERS[layer].columns}
    named = {element.text for element in root.iter(f"{OGC}PropertyName")}
    assert named <= columns
    rules = list(root.iter(f"{SLD}Rule"))
    assert rules
    for rule in rules:
        order = [child.tag.removeprefix(SLD).removeprefix(OGC) for child in rule]
        assert order == sorted(order, key=RULE_ORDER.index)


def test_the_list_of_styled_layers_is_that_of_the_styles():
    assert tuple(layer_rules("us")) == STYLED


def test_every_value_a_style_picks_out_is_one_its_column_can_have():
    """As the description of the column lists them."""
    for layer, rules in layer_rules("metric").items():
        told = {column.name: column.meaning for column in RESULT_LAYERS[layer].columns}
        for rule in rules:
            assert rule.equals in told.get(rule.column, "") or rule.equals == "ordinary"


@pytest.mark.parametrize("layer", ["low_spots", "flow_paths"])
def test_classes_of_numbers_join_without_gap(layer):
    rules = layer_rules("metric")[layer]
    assert rules[0].low == 0
    assert rules[-1].high is None
    assert [rule.high for rule in rules[:-1]] == [rule.low for rule in rules[1:]]


@pytest.mark.parametrize("layer", LAYERS)
def test_an_independent_parser_reads_every_style(layer, tmp_path):
    """geostyler-sld-parser (npm) reads all rules, without errors or unsupported properties."""
    modules = os.environ.get("LOTFLOW_NODE_MODULES", "")
    if not (shutil.which("node") and Path(modules, "geostyler-sld-parser").is_dir()):
        pytest.skip("LOTFLOW_NODE_MODULES names no folder with geostyler-sld-parser")
    (tmp_path / "node_modules").symlink_to(modules)
    script = tmp_path / "read.mjs"
    script.write_text(READER)
    rules = layer_rules("metric")[layer]
    ran = subprocess.run(
        ["node", str(script)], input=sld_text(layer, rules), capture_output=True, text=True,
        check=True, cwd=tmp_path,
    )  # fmt: skip
    told = json.loads(ran.stdout)
    assert told["errors"] == []
    assert not told.get("unsupportedProperties")
    names = [rule["name"] for rule in told["output"]["rules"]]
    assert [name for name in names if not name.endswith(", with name")] == [r.title for r in rules]
    assert sum(name.endswith(", with name") for name in names) == sum(bool(r.label) for r in rules)


@pytest.mark.parametrize("layer", LAYERS)
def test_every_row_is_drawn_whole_by_one_rule_at_every_scale(layer):
    """A viewer that draws a row by one rule only misses neither its symbol nor its name."""
    rules = layer_rules("metric")[layer]
    written = ET.fromstring(sld_text(layer, rules)).iter(f"{SLD}Rule")
    by_title = {one.findtext(f"{SLD}Title"): one for one in written}
    for rule in rules:
        alone, named = by_title[rule.title], by_title.get(f"{rule.title}, with name")
        assert (named is None) == (not rule.label)
        if named is None:
            continue
        least = alone.findtext(f"{SLD}MinScaleDenominator")
        assert least == named.findtext(f"{SLD}MaxScaleDenominator") == str(rule.label_scale)
        symbols = [[part.tag for part in one if part.tag.endswith("Symbolizer")]
                   for one in (alone, named)]  # fmt: skip
        assert symbols[1] == [*symbols[0], f"{SLD}TextSymbolizer"]
