"""
What `summary.json` may hold, as a JSON Schema made from the layers and the contract.

References
----------
JSON Schema: A Media Type for Describing JSON Documents, draft 2020-12.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs.summary import CONTRACT, SCHEMA_VERSION, unit_key

if TYPE_CHECKING:
    from lotflow.layers import Column

_TYPES: Final = {"text": "string", "number": "number", "whole": "integer", "yes_no": "boolean",
                 "date": "string"}  # fmt: skip
#: Lists that are no layer, and the layers whose columns they carry.
_OF_LAYERS: Final = {"lines": ("line_storms", "drain_lines"), "confidence": (), "answer": (),
                     "evidence_only": (), "harm": (), "sheet_places": ()}  # fmt: skip
_MEANINGS: Final = {
    "confidence": "How sure the result is.",
    "answer": "What is wrong, why, what to do first, what it takes, how sure: the worst first.",
    "evidence_only": "Failures and warnings that are no item of the answer, and why.",
    "harm": "The table of harm: each place against a published limit.",
    "sheet_places": "Places of the field sheet by the names that level notes may call them.",
}
#: Lists that are there where drains are, or observations.
_OPTIONAL: Final = ("outlet_storms", "inlet_bypass", "observations")


def summary_schema() -> dict[str, Any]:
    """
    Give the schema.

    Returns
    -------
    schema
        As a document of JSON.

    Examples
    --------
    >>> schema = summary_schema()
    >>> schema["properties"]["low_spots"]["items"]["properties"]["depth_m"]["type"]
    ['number', 'null']
    """
    lists = {name: _list(name) for name in CONTRACT}
    sha256 = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "summary.json of a lotflow result",
        "description": "Values are SI, the unit is the end of the key; null where there is none.",
        "type": "object",
        "required": [
            "schema_version", "lot", *lists, "balance", "accuracy", "provenance", "state", "files",
        ],
        "properties": {
            "schema_version": {"const": SCHEMA_VERSION},
            "lot": {
                "type": "object",
                "required": ["name", "area_m2"],
                "properties": {
                    "name": {"type": ["string", "null"]}, "area_m2": {"type": ["number", "null"]},
                    "bounds_deg": {
                        "description": "West, south, east, north; null if nowhere on Earth.",
                        "type": ["array", "null"], "items": {"type": "number"},
                        "minItems": 4, "maxItems": 4,
                    },
                },
            },
            **lists,
            **{name: _list(name) for name in _OPTIONAL},
            "balance": _numbers("Where the water of the lot goes, areas counted once."),
            "accuracy": _numbers("What is known of the elevation data's accuracy."),
            "provenance": {
                "type": "object",
                "description": "Hashes of the inputs, versions, options, seed.",
                "required": ["run_id", "program"],
            },
            "state": {"enum": ["complete", "being replaced"]},
            "files": {
                "type": "object",
                "description": "The files of the result; summary.json itself is not among them.",
                "additionalProperties": {
                    "type": "object",
                    "required": ["sha256", "bytes"],
                    "properties": {"sha256": sha256, "bytes": {"type": "integer", "minimum": 0}},
                },
            },
        },
    }  # fmt: skip


def _list(name: str) -> dict[str, Any]:
    """A list of the document: what each of its entries has."""
    layers = [RESULT_LAYERS[layer] for layer in _OF_LAYERS.get(name, (name,))]
    told = {column.key: _column(column)
            for layer in reversed(layers) for column in layer.columns}  # fmt: skip
    owed = CONTRACT.get(name, ())
    properties = {key: told.get(key) or _key(key) for key in owed}
    if name in RESULT_LAYERS:
        properties |= told
    return {
        "type": "array",
        "description": layers[0].meaning if layers else _MEANINGS[name],
        "items": {
            "type": "object",
            "required": list(owed),
            "properties": properties,
        },
    }


def _column(column: Column) -> dict[str, Any]:
    """What a column of a layer is here."""
    return {"description": column.meaning, "type": [_TYPES[column.kind], "null"]}


def _key(key: str) -> dict[str, Any]:
    """What a key without a column is: a number where it ends with a unit."""
    return {"type": ["number", "null"]} if unit_key(key) else {}


def _numbers(description: str) -> dict[str, Any]:
    return {
        "type": "object",
        "description": description,
        "additionalProperties": {"type": ["number", "null"]},
    }
