"""
Forms in the native language of the open-source viewer QGIS: what one fills in for a row.

The file itself tells titles, choices and what is owed by the open standard (`geopackage_schema`).
A viewer makes usable fields of that but for numbers with bounds, which it lets be whole only; so
the style that opens with a layer names the field of each column too.

References
----------
QGIS project, user guide 3.22, "Attributes form properties", "QML - The QGIS style file format".
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lotflow.layers import Kind
    from lotflow.outputs.geopackage_schema import ToldColumn

#: Categories of a style that hold its form, as the viewer names them.
CATEGORIES: Final = "Fields|Forms"
#: How the viewer writes in a list of choices that none is chosen.
_NOTHING: Final = "{2839923C-8B7D-419E-B84B-CA2FE9B80EC7}"
#: The viewer refuses a row, rather than to warn of it.
_HARD: Final = "1"
_NOT_NULL, _UNIQUE, _EXPRESSION = 1, 2, 4


@dataclass(frozen=True)
class FormField:
    """
    One column as it is filled in.

    Parameters
    ----------
    column
        What is told of it.
    kind
        Of its values: decides about the kind of field.
    unique
        Whether no two rows may have the same value.
    """

    column: ToldColumn
    kind: Kind
    unique: bool = False


def add_form(root: ET.Element, fields: Sequence[FormField], *, hidden: Sequence[str] = ()) -> None:
    """
    Add the fields of a form to a document of the viewer.

    Parameters
    ----------
    root
        Of a style, or of a layer in a project.
    fields
        In the order of the form.
    hidden
        Columns that nobody fills in, such as the number of a row.

    Examples
    --------
    >>> from lotflow.outputs.geopackage_schema import ToldColumn
    >>> root = ET.Element("qgis")
    >>> add_form(root, [FormField(ToldColumn("open", "Open share", "", low=0, high=1), "number")])
    >>> [widget.get("type") for widget in root.iter("editWidget")]
    ['TextEdit']
    """
    configuration = ET.SubElement(root, "fieldConfiguration")
    for name in hidden:
        _widget(configuration, name, "Hidden")
    for field in fields:
        _field(configuration, field)
    aliases = ET.SubElement(root, "aliases")
    for field in fields:
        ET.SubElement(aliases, "alias", {"field": field.column.name, "name": field.column.title})
    constraints = ET.SubElement(root, "constraints")
    rules = ET.SubElement(root, "constraintExpressions")
    for field in fields:
        condition, said = _condition(field)
        flags = (_NOT_NULL * field.column.required | _UNIQUE * field.unique
                 | _EXPRESSION * bool(condition))  # fmt: skip
        ET.SubElement(constraints, "constraint", {
            "field": field.column.name, "constraints": str(flags),
            "notnull_strength": _HARD if field.column.required else "0",
            "unique_strength": _HARD if field.unique else "0",
            "exp_strength": _HARD if condition else "0",
        })  # fmt: skip
        ET.SubElement(
            rules, "constraint", {"field": field.column.name, "exp": condition, "desc": said}
        )


def _field(parent: ET.Element, field: FormField) -> None:
    """Choose the kind of field: list, box, calendar, or text, in which numbers keep decimals."""
    if field.column.choices:
        options = _widget(parent, field.column.name, "ValueMap")
        listed = ET.SubElement(options, "Option", {"name": "map", "type": "List"})
        pairs = [(choice, choice) for choice in field.column.choices]
        if not field.column.required:
            pairs.insert(0, ("", _NOTHING))
        for shown, value in pairs:
            one = ET.SubElement(listed, "Option", {"type": "Map"})
            _option(one, shown, "QString", value)
    elif field.kind == "yes_no":
        _option(_widget(parent, field.column.name, "CheckBox"), "AllowNullState", "bool", "true")
    elif field.kind == "date":
        options = _widget(parent, field.column.name, "DateTime")
        _option(options, "allow_null", "bool", "true")
        _option(options, "calendar_popup", "bool", "true")
        _option(options, "display_format", "QString", "yyyy-MM-dd")
        _option(options, "field_format", "QString", "yyyy-MM-dd")
        _option(options, "field_format_overwrite", "bool", "true")
    else:
        options = _widget(parent, field.column.name, "TextEdit")
        _option(options, "IsMultiline", "bool", "false")
        _option(options, "UseHtml", "bool", "false")


def _widget(parent: ET.Element, name: str, kind: str) -> ET.Element:
    """Add a field, and give its options to be filled."""
    field = ET.SubElement(parent, "field", {"name": name, "configurationFlags": "None"})
    config = ET.SubElement(ET.SubElement(field, "editWidget", {"type": kind}), "config")
    return ET.SubElement(config, "Option", {"type": "Map"})


def _option(parent: ET.Element, name: str, kind: str, value: str) -> None:
    ET.SubElement(parent, "Option", {"name": name, "type": kind, "value": value})


def _condition(field: FormField) -> tuple[str, str]:
    """Bounds of a number as the viewer's expression, and in words; empty without bounds."""
    name, low, high = f'"{field.column.name}"', field.column.low, field.column.high
    parts = [f"{name} >= {low:g}"] if low is not None else []
    parts += [f"{name} <= {high:g}"] if high is not None else []
    if not parts:
        return "", ""
    said = {
        (True, True): f"from {low} to {high}", (True, False): f"{low} or more",
        (False, True): f"{high} or less",
    }[low is not None, high is not None]  # fmt: skip
    return f"{name} IS NULL OR ({' AND '.join(parts)})", said
