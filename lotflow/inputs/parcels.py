"""The parcels of a town: which of them can be studied, and in which order."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import shapely

from lotflow.inputs.limits import Limits
from lotflow.inputs.open import local_file
from lotflow.inputs.site import layer_in
from lotflow.inputs.sources import LayerFile
from lotflow.inputs.vectors import WHOLE, column_values, read_layers

if TYPE_CHECKING:
    from pathlib import Path

    from geopandas import GeoDataFrame, GeoSeries

#: A town has more parcels than a lot has of anything.
_LIMITS: Final = Limits(features=1_000_000, vertices=20_000_000)
#: Lots overlap if they share more than this of the smaller one.
_OVERLAP: Final = 0.01
#: Of a folder's name.
_LONGEST_NAME: Final = 80


@dataclass(frozen=True, eq=False)
class Parcels:
    """
    The rows of a layer of parcels.

    Parameters
    ----------
    keys
        Value of the key column of each row, as text; empty where there is none.
    shapes
        Outlines in the CRS of the file; None where a row has none, or no polygon.
    reasons
        Why a row cannot be studied, by its number from 0.
    overlaps
        How many others overlap each.
    """

    keys: tuple[str, ...]
    shapes: GeoSeries
    reasons: dict[int, str]
    overlaps: tuple[int, ...]

    def folder(self, row: int) -> str:
        """Name of the folder for the result of a row."""
        return folder_name(self.keys[row])

    def in_order(self) -> list[int]:
        """Rows that can be studied, neighbours one after the other."""
        rows = [row for row in range(len(self.keys)) if row not in self.reasons]
        along = self.shapes.iloc[rows].hilbert_distance().to_numpy()
        return [rows[at] for at in np.argsort(along, kind="stable").tolist()]


def read_parcels(path: Path, key: str) -> Parcels:
    """
    Read a layer of parcels; what is wrong with a row is told of that row alone.

    Parameters
    ----------
    path
        With one layer, or one that is called "lot".
    key
        Column that tells the parcels apart.

    Raises
    ------
    InputError
        If there is no such file, layer or column.
    """
    source = layer_in(LayerFile(local_file(path, "file of the parcels")), "lot")
    layer = str(source.layer)
    keys = column_values(source.path, layer, key)
    frame: GeoDataFrame = read_layers(source.path, {layer: WHOLE}, limits=_LIMITS)[layer]
    shapes = frame.geometry.copy()
    is_area = shapes.geom_type.isin(("Polygon", "MultiPolygon")).to_numpy() & ~shapes.is_empty
    shapes[~is_area] = None
    counts = Counter(keys)
    reasons: dict[int, str] = {}
    for row, (name, is_polygon) in enumerate(zip(keys, is_area.tolist(), strict=True)):
        if not name:
            reasons[row] = f"it has no value in the column {key!r}"
        elif counts[name] > 1:
            reasons[row] = f"{counts[name]} rows have {name!r} in the column {key!r}"
        elif not is_polygon:
            reasons[row] = "it has no polygon"
    return Parcels(tuple(keys), shapes, reasons, tuple(_overlaps(shapes)))


def _overlaps(shapes: GeoSeries) -> list[int]:
    """Count for each shape the others that overlap it."""
    own = shapes.to_numpy()
    sound = ~shapely.is_missing(own) & shapely.is_valid(own)
    tree = shapely.STRtree(np.where(sound, own, None))
    first, second = tree.query(np.where(sound, own, None), predicate="intersects")
    once = first < second
    first, second = first[once], second[once]
    shared = shapely.area(shapely.intersection(own[first], own[second]))
    smaller = np.minimum(shapely.area(own[first]), shapely.area(own[second]))
    over = shared > _OVERLAP * smaller
    pairs = np.concatenate([first[over], second[over]])
    return [int(count) for count in np.bincount(pairs, minlength=len(own))]


def folder_name(key: str) -> str:
    """
    Make a name for a folder of a key; one that had to be changed ends in a part of its hash.

    Examples
    --------
    >>> folder_name("R-17.4"), folder_name("17/4 north")
    ('R-17.4', '17_4_north-b7bbd1cf')
    """
    name = re.sub(r"[^A-Za-z0-9._-]+", "_", key)[:_LONGEST_NAME].strip(".") or "lot"
    if name == key and not key.startswith("-"):
        return name
    return f"{name.lstrip('-')}-{hashlib.sha256(key.encode()).hexdigest()[:8]}"
