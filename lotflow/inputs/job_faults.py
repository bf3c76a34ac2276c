"""What pydantic finds wrong with a job file, as faults with key, line and remedy."""

from __future__ import annotations

import types
from collections.abc import Iterator
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from lotflow.errors import Fault, InputError
from lotflow.inputs.toml_text import KeyPath, TomlText
from lotflow.text import closest, did_you_mean, one_of

#: What must hold, by pydantic's type of error; `{}` are the limits it names.
_RULES: Final = {
    "string_type": "must be text in quotes",
    "int_type": "must be a whole number",
    "float_type": "must be a number, without quotes",
    "finite_number": "must be a finite number",
    "greater_than": "must be greater than {gt}",
    "greater_than_equal": "must be {ge} or more",
    "less_than": "must be less than {lt}",
    "less_than_equal": "must be {le} or less",
    "too_short": "must hold at least {min_length} value",
    "too_long": "may hold {max_length} values",
    "model_type": "must be a table",
}

#: Keys of earlier versions, and what to do with them.
_RENAMED: Final[dict[KeyPath, str]] = {
    ("criteria", "snap_cells"): "Write snap_m, a distance in metres: up to 1.5, 0 to leave every "
    "inlet in the cell in which it was drawn",
}


def faults_of(
    error: ValidationError, model: type[BaseModel], toml: TomlText, file: str
) -> list[Fault]:
    """
    Turn the errors of a model into faults, in the order of the file.

    Parameters
    ----------
    error
        All that pydantic found.
    model
        The model it was found by.
    toml
        The file, for the line of each key.
    file
        Its name.
    """
    faults: list[Fault] = []
    for details in error.errors(include_url=False):
        path = details["loc"]
        value = details["input"] if _is_scalar(details["input"]) else None
        faults += [
            Fault(rule, remedy, file, column=_key(path), value=value, line=toml.line(path))
            for rule, remedy in _explained(details, model)
        ]
    return sorted(faults, key=lambda fault: fault.line or 0)


def _is_scalar(value: object) -> bool:
    """Tell whether a value is worth quoting."""
    return isinstance(value, (str, int, float, bool))


def _key(path: KeyPath) -> str:
    """Write a path as it is written in TOML."""
    return ".".join(str(part) for part in path)


def _explained(details: ErrorDetails, model: type[BaseModel]) -> Iterator[tuple[str, str]]:
    """Say what must hold, and what to do."""
    path, kind = details["loc"], details["type"]
    raised = details.get("ctx", {}).get("error")
    if isinstance(raised, InputError):
        yield from ((fault.rule, fault.remedy) for fault in raised.faults)
    elif kind == "extra_forbidden":
        yield "the key is not known", _known_key(path, model)
    elif kind == "missing":
        is_table = len(path) == 1
        yield (
            ("the table is missing", f"Add it: [{path[0]}]")
            if is_table
            else ("the key is missing", "Add it")
        )
    elif kind == "literal_error":
        choices = list(_choices(_annotation(path, model)))
        yield f"must be {one_of(choices)}", _near(details["input"], choices)
    elif kind in _RULES:
        limits = {name: _plain(limit) for name, limit in details.get("ctx", {}).items()}
        yield _RULES[kind].format(**limits), ""
    else:
        yield f"{details['msg'][:1].lower()}{details['msg'][1:]}", ""


def _plain(limit: object) -> object:
    """Write a limit as one would write it: 1, not 1.0."""
    return f"{limit:g}" if isinstance(limit, float) else limit


def _near(value: object, choices: list[str]) -> str:
    """Offer the choice that was probably meant, if any is."""
    near = closest(value, choices) if isinstance(value, str) else None
    return f"Did you mean {near!r}?" if near else ""


def _known_key(path: KeyPath, model: type[BaseModel]) -> str:
    """Say what an unknown key was probably meant to be, or in which table it belongs."""
    name = str(path[-1])
    if path in _RENAMED:
        return _RENAMED[path]
    table = _model_in(_annotation(path[:-1], model)) or model
    for home, item in model.model_fields.items():
        other = _model_in(item.annotation)
        if len(path) <= 2 and other not in (None, table) and name in other.model_fields:
            return f"It belongs into [{home}]"
    return did_you_mean(name, table.model_fields)


def _annotation(path: KeyPath, model: type[BaseModel]) -> Any:
    """Find the type that a key is declared with."""
    found: Any = model
    for part in path:
        table = _model_in(found)
        # an index of a list leads no deeper into the tables
        if table is not None and part in table.model_fields:
            found = table.model_fields[str(part)].annotation
    return found


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """Find the table in a type such as `Annotated[Table, ...] | None`."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    inner = (_model_in(part) for part in _unwrapped(annotation))
    return next((table for table in inner if table is not None), None)


def _choices(annotation: Any) -> Iterator[str]:
    """List the words of a type such as `Literal[...] | None`."""
    if get_origin(annotation) is Literal:
        yield from get_args(annotation)
    for part in _unwrapped(annotation):
        yield from _choices(part)


def _unwrapped(annotation: Any) -> tuple[Any, ...]:
    """Take a union or an annotated type apart."""
    if get_origin(annotation) is Annotated:
        return get_args(annotation)[:1]
    return get_args(annotation) if get_origin(annotation) in (Union, types.UnionType) else ()
