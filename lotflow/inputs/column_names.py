"""Which column of a file is which column of the schema, and which was probably meant to be."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from lotflow.errors import Fault
from lotflow.inputs.sources import Place
from lotflow.layers import Layer
from lotflow.text import closest, one_of

#: Longest column name a Shapefile can hold (dBASE field descriptor).
SHAPEFILE_NAME: Final = 10

#: Likeness from which an unknown column is taken for a known one misspelt.
_LIKENESS: Final = 0.8


@dataclass(frozen=True)
class MatchedColumns:
    """
    The columns of a file, sorted out.

    Parameters
    ----------
    known
        Name in the schema (with its unit) to name in the file.
    ignored
        Names in the file that mean nothing here.
    faults
        Names that are almost known, or stand twice.
    """

    known: dict[str, str]
    ignored: tuple[str, ...]
    faults: tuple[Fault, ...]


def match_columns(names: Sequence[str], schema: Layer, place: Place) -> MatchedColumns:
    """
    Match the columns of a file with those of a layer; capitals do not count.

    Parameters
    ----------
    names
        Columns of the file, without the geometry.
    schema
        The layer they are read for.
    place
        File and layer, for messages.

    Returns
    -------
    matched
        What is known, what is ignored, what is wrong.

    Examples
    --------
    >>> from lotflow.layers import SITE_LAYERS
    >>> matched = match_columns(["NAME", "rim", "fid"], SITE_LAYERS["inlets"],
    ...                         Place("a.gpkg", "inlets"))
    >>> matched.known, matched.ignored
    ({'name': 'NAME'}, ('fid',))
    >>> print(*matched.faults)
    a.gpkg, layer inlets: column 'rim' must carry its unit. Name it 'rim_m' or 'rim_ft'.
    """
    written = {name.casefold(): name for name in _file_names(schema)}
    known: dict[str, str] = {}
    faults: list[Fault] = []
    strangers: list[str] = []
    for name in names:
        meant = written.get(name.strip().casefold())
        if meant is None:
            strangers.append(name)
        elif meant in known:
            both = f"{known[meant]!r} and {name!r}"
            faults.append(place.fault(f"columns {both} are the same one", "Remove one of them"))
        else:
            known[meant] = name
    free = [name for name in written.values() if name not in known]
    found = {name: _fault(name, schema, free, place) for name in strangers}
    faults += [fault for fault in found.values() if fault]
    ignored = tuple(name for name, fault in found.items() if not fault)
    return MatchedColumns(known, ignored, tuple(faults))


def missing_columns(known: Iterable[str], schema: Layer, place: Place) -> list[Fault]:
    """
    Name the required columns that a file does not have.

    Parameters
    ----------
    known
        Names of the schema that it has.
    schema, place
        The layer, and where it stands.
    """
    there = set(known)
    return [
        place.fault(
            f"column {one_of(column.file_names)} is required and missing",
            f"Add it: {column.meaning[0].lower()}{column.meaning[1:]}",
        )
        for column in schema.columns
        if column.required and there.isdisjoint(column.file_names)
    ]


def _file_names(schema: Layer) -> list[str]:
    """List every name a column of the layer may have in a file."""
    return [name for column in schema.columns for name in column.file_names]


def _fault(name: str, schema: Layer, free: Sequence[str], place: Place) -> Fault | None:
    """
    Say what an unknown column was probably meant to be; None where it resembles none.

    Only names the file does not have already are offered: beside a `name`, a `name_1` that came
    from a join is a column of its own.
    """
    folded = name.strip().casefold()
    for column in schema.columns:
        if column.quantity and folded == column.name and set(column.file_names) <= set(free):
            names = one_of(column.file_names)
            return place.fault(f"column {name!r} must carry its unit", f"Name it {names}")
    cut = [known for known in free if _is_cut(folded, known)]
    if cut:
        return place.fault(
            f"column {name!r} was cut, as Shapefiles cut names at {SHAPEFILE_NAME} characters",
            f"Did you mean {one_of(cut)}? Use a GeoPackage, which keeps names whole",
        )
    near = closest(folded, free, likeness=_LIKENESS)
    if near is None:
        return None
    return place.fault(f"column {name!r} is not known", f"Did you mean {near!r}?")


def _is_cut(name: str, known: str) -> bool:
    """Tell whether a name is what a Shapefile leaves of a longer one, numbered or not."""
    if len(name) != SHAPEFILE_NAME or len(known) <= SHAPEFILE_NAME:
        return False
    numbered = re.fullmatch(r"(.+)_\d{1,2}", name)
    return known.startswith(name) or bool(numbered and known.startswith(numbered[1]))
