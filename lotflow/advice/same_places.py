"""Which place of one result is which of another: by name, overlap and position, not by number."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.text import as_it_looks

if TYPE_CHECKING:
    import pandas as pd

#: So far apart a place without a common name may be drawn twice [m]; further it is another one.
REACH_M: Final = 2.0
#: A place drawn less far off stays where it was: coordinates are read off a screen [m].
SAME_M: Final = 0.05
#: Before the name of a place that is gone, where another one has its name now.
_GONE: Final = "{} (as before)"


@dataclass(frozen=True)
class Place:
    """
    One place of two results.

    Parameters
    ----------
    kind
        "low spot", "inlet", "line", "node", "opening", "building", "facade" or "crossing".
    name
        As it is called now; where it is gone, as it was called.
    was_named
        As it was called; empty where it is new.
    before, after
        Row of the layer of each result; None where it is not there.
    at_before, at_after
        Easting and northing of a point of it; None where it is not there.
    apart_m
        How far it has moved: of points their distance, of lines the greatest distance from one to
        the other (Hausdorff) [m].
    sort
        Of a node "inlet", "outlet", "junction" or "loose end".
    """

    kind: str
    name: str
    was_named: str
    before: int | None
    after: int | None
    at_before: tuple[float, float] | None
    at_after: tuple[float, float] | None
    apart_m: float = 0.0
    sort: str = ""


@dataclass(frozen=True)
class Places:
    """
    All places of two results, and how the earlier one's names read in the words of the later.

    Parameters
    ----------
    found
        The places.
    renamed
        Name now, by the name before, where they differ.
    """

    found: tuple[Place, ...]
    renamed: Mapping[str, str] = field(default_factory=dict)

    def now(self, name: str) -> str:
        """Give the name that a place of the earlier result has now."""
        return self.renamed.get(name, name)

    def by_name(self) -> dict[str, Place]:
        """The places by their name; of several the first."""
        named: dict[str, Place] = {}
        for place in self.found:
            named.setdefault(place.name, place)
        return named


def same_places(
    before: Mapping[str, pd.DataFrame], after: Mapping[str, pd.DataFrame], *, metres: float = 1.0
) -> Places:
    """
    Match the places of two results of one lot.

    Low spots and buildings by the overlap of their outlines; what has a name by its name, and what
    then is left by its kind and position; crossings of the lot line by direction and position.

    Parameters
    ----------
    before, after
        Layers with geometry, by name.
    metres
        Length of one unit of the CRS [m].

    Returns
    -------
    places
        One for each pair, and one for each that has none.
    """
    found: list[Place] = []
    taken: set[str] = set()
    for kind, layer in _LAYERS.items():
        old, new = (_listed(kind, one.get(layer)) for one in (before, after))
        known = [name for name in new.names if name not in taken]
        for i, k in _pairs(kind, old, new, metres):
            name = new.names[k] if k is not None else old.names[i or 0]
            if name in taken and kind == "node":
                continue  # an inlet is a node of the drains by the same name
            if k is None and (name in taken or name in known):
                name = _GONE.format(name)
            found.append(_place(kind, name, (old, i), (new, k), metres))
        taken |= {place.name for place in found}
    renamed: dict[str, str] = {}
    for place in found:
        if place.was_named and place.was_named != place.name:
            renamed.setdefault(place.was_named, place.name)
    return Places(tuple(found), renamed)


_LAYERS: Final = {
    "opening": "openings", "building": "buildings", "facade": "facades", "low spot": "low_spots",
    "crossing": "lot_line_crossings", "inlet": "inlets", "line": "drain_lines", "node": "nodes",
}  # fmt: skip
#: What tells two of one kind apart beside name and place.
_SORTS: Final = {"node": "kind", "crossing": "direction"}


@dataclass(frozen=True, eq=False)
class _Listed:
    """Names, shapes and sorts of the places of one kind; rows are those of the layer."""

    names: Sequence[str] = ()
    shapes: Any = ()
    sorts: Sequence[str] = ()
    rows: Sequence[int] = ()


def _listed(kind: str, layer: pd.DataFrame | None) -> _Listed:
    """List the places of one kind, each name once: the state that the result is for first."""
    if layer is None or not len(layer):
        return _Listed()
    frame = layer.reset_index(drop=True)
    frame["_name"] = place_names(kind, frame)
    if "case" in frame:
        frame = frame.sort_values("case", kind="stable")  # proposed before today
    frame = frame.drop_duplicates("_name")
    sorts = frame[_SORTS[kind]].tolist() if kind in _SORTS else [""] * len(frame)
    return _Listed(frame["_name"].tolist(), frame.geometry.to_numpy(), sorts, frame.index.tolist())


def place_names(kind: str, frame: pd.DataFrame) -> list[str]:
    """
    Name the places of a layer as findings do.

    Parameters
    ----------
    kind
        As of `Place`.
    frame
        The layer.
    """
    if kind == "low spot":
        return [f"low spot {number:.0f}" for number in frame["id"]]
    if kind == "crossing":
        return [
            f"crossing {number:.0f}, {way} the lot"
            for number, way in zip(frame["id"], frame["direction"], strict=True)
        ]
    return [name or f"{kind} {row}" for row, name in enumerate(frame["name"], start=1)]


def _pairs(
    kind: str, old: _Listed, new: _Listed, metres: float
) -> list[tuple[int | None, int | None]]:
    """Match two lists; what has no partner stands alone."""
    pairs: list[tuple[int, int]] = []
    if kind not in ("low spot", "crossing"):
        looks = {as_it_looks(name).casefold(): k for k, name in enumerate(new.names)}
        pairs = [
            (i, looks[key])
            for i, name in enumerate(old.names)
            if (key := as_it_looks(name).casefold()) in looks
        ]
        pairs = list({k: (i, k) for i, k in reversed(pairs)}.values())
    pairs += _nearest(kind, old, new, pairs, metres)
    of_old, of_new = {i for i, _ in pairs}, {k for _, k in pairs}
    gone = [(i, None) for i in range(len(old.names)) if i not in of_old]
    come = [(None, k) for k in range(len(new.names)) if k not in of_new]
    return [*sorted(pairs, key=lambda pair: pair[1]), *come, *gone]


def _nearest(
    kind: str, old: _Listed, new: _Listed, pairs: Iterable[tuple[int, int]], metres: float
) -> list[tuple[int, int]]:
    """Match those without a partner yet, best first, by overlap or else by distance."""
    paired = list(pairs)
    left = np.setdiff1d(np.arange(len(old.names)), [i for i, _ in paired])
    free = np.setdiff1d(np.arange(len(new.names)), [k for _, k in paired])
    if not len(left) or not len(free):
        return []
    tree = shapely.STRtree([new.shapes[k] for k in free])
    reach = REACH_M / metres
    by_overlap = kind in ("low spot", "building")
    near = tree.query(
        [old.shapes[i] for i in left], predicate="intersects" if by_overlap else "dwithin",
        distance=None if by_overlap else reach,
    )  # fmt: skip
    costs = []
    for i, k in zip(left[near[0]], free[near[1]], strict=True):
        one, other = old.shapes[i], new.shapes[k]
        if by_overlap:
            shared = shapely.area(shapely.intersection(one, other))
            cost = -shared / max(shapely.area(shapely.union(one, other)), 1e-12)
        else:
            cost = _apart(one, other)
        if old.sorts[i] == new.sorts[k] and (cost < 0 if by_overlap else cost <= reach):
            costs.append((float(cost), int(i), int(k)))
    matched: list[tuple[int, int]] = []
    used: tuple[set[int], set[int]] = (set(), set())
    for _, i, k in sorted(costs):
        if i not in used[0] and k not in used[1]:
            matched.append((i, k))
            used[0].add(i)
            used[1].add(k)
    return matched


def _apart(one: Any, other: Any) -> float:
    """Give how far two shapes lie apart, at their furthest."""
    return float(shapely.hausdorff_distance(one, other))


def _place(
    kind: str, name: str, old: tuple[_Listed, int | None], new: tuple[_Listed, int | None],
    metres: float,
) -> Place:  # fmt: skip
    """Make the place of a pair."""
    (was, i), (now, k) = old, new
    shapes = [None if n is None else one.shapes[n] for one, n in (old, new)]
    apart = 0.0
    if shapes[0] is not None and shapes[1] is not None and kind not in ("low spot", "facade"):
        apart = _apart(*shapes) * metres
    return Place(
        kind, name, "" if i is None else was.names[i],
        None if i is None else was.rows[i], None if k is None else now.rows[k],
        _point(shapes[0]), _point(shapes[1]), apart,
        (was.sorts[i] if i is not None else now.sorts[k or 0]) if kind == "node" else "",
    )  # fmt: skip


def _point(shape: Any) -> tuple[float, float] | None:
    """Give a point of a shape to mark it at: of a line its middle."""
    if shape is None:
        return None
    if shapely.get_dimensions(shape) == 1:
        part = max(shapely.get_parts(shape), key=shapely.length)
        point = shapely.line_interpolate_point(part, 0.5, normalized=True)
    else:
        point = shapely.point_on_surface(shape)
    return float(shapely.get_x(point)), float(shapely.get_y(point))
