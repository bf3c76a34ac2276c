"""Where each level of a result comes from: levelled on site, drawn, or public elevation data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from lotflow.layers.drawn import Drawn

    #: Layer, name and column of each level of the site that a shot gives.
    Levelled = frozenset[tuple[str, str, str]]

_LEVELLED: Final = "levelled"
_DRAWN: Final = "drawn"
_PUBLIC: Final = "public data"
#: A level so near is of the place itself [m]: three times how well it is placed, lotflow's rule.
_AT_M: Final = 1.0
#: Sources of levels that somebody gave, in the drawing unless a shot did.
_GIVEN: Final = ("given", "below rim", "from line")

Marks = dict[str, dict[str, list[str | None]]]


def level_marks(layers: Mapping[str, pd.DataFrame], site: Drawn, levelled: Levelled) -> Marks:
    """
    Say of openings, inlets, nodes and drain lines where their levels come from.

    Parameters
    ----------
    layers
        Layers of the result; those that are missing are left out.
    site
        Tells which levels were drawn.
    levelled
        Levels of the site that were measured.

    Returns
    -------
    marks
        By layer and column, one of `LEVEL_SOURCES` per row; None where no level is known, or it
        is only proposed.
    """
    drawn_rims = _named_with(site.inlets, "rim_m")
    own_ends = {end: _named_with(site.drain_lines, f"invert_{end}_m") for end in ("up", "down")}

    def rim(name: str) -> str:
        if ("inlets", name, "rim_m") in levelled:
            return _LEVELLED
        return _DRAWN if name in drawn_rims else _PUBLIC

    marks: Marks = {}
    if (openings := layers.get("openings")) is not None:
        marks["openings"] = {"level_from": [
            _given("openings", row["name"], "sill_m", levelled) if row["sill_m"] == row["sill_m"]
            else None for row in _rows(openings)
        ]}  # fmt: skip
    if (placed := layers.get("inlets")) is not None:
        marks["inlets"] = {"level_from": [rim(str(row["name"])) for row in _rows(placed)]}
    nodes, lines = layers.get("nodes"), layers.get("drain_lines")
    if nodes is not None and lines is not None:
        pipes = _rows(lines)
        marks["nodes"] = {"level_from": [
            _of_node(row, pipes, levelled) if row["kind"] == "outlet"
            else rim(str(row["name"])) if row["kind"] == "inlet" else _PUBLIC
            for row in _rows(nodes)
        ]}  # fmt: skip
        marks["drain_lines"] = {
            f"level_{end}_from": [_of_end(row, end, pipes, own, levelled) for row in pipes]
            for end, own in own_ends.items()
        }
    return marks


def ground_marks(
    layers: Mapping[str, pd.DataFrame], taken: Sequence[tuple[float, float]], metres_per_unit: float
) -> Marks:
    """
    Say of low spots, walls and ways to outlets whether their ground was levelled on site.

    Parameters
    ----------
    layers
        Layers of the result; those that are missing are left out.
    taken
        Places of the levels that went into the ground.
    metres_per_unit
        Of the coordinates.

    Returns
    -------
    marks
        By layer and column. "levelled" are low spots at their deepest and where they run over,
        walls with a level at them and one farther out before them, ways with a level at both ends;
        all else is public data, corrected as far as levels near by tell.
    """
    per_metre = 1.0 / metres_per_unit
    points, marks = np.asarray(taken, dtype=float).reshape(-1, 2), Marks()

    def is_at(x: Any, y: Any) -> bool:
        apart = np.hypot(points[:, 0] - float(x), points[:, 1] - float(y))
        return bool((apart <= _AT_M * per_metre).any())

    def told(found: Sequence[bool]) -> dict[str, list[str | None]]:
        return {"level_from": [_LEVELLED if one else _PUBLIC for one in found]}

    starts: set[str] = set()
    if (spots := layers.get("low_spots")) is not None:
        rows = _rows(spots)
        starts = {f"low spot {row['id']}" for row in rows if is_at(row["x"], row["y"])}
        marks["low_spots"] = told([
            is_at(row["x"], row["y"]) and is_at(row["spill_x"], row["spill_y"]) for row in rows
        ])  # fmt: skip
    if (inlets := layers.get("inlets")) is not None:
        starts |= {str(row["name"]) for row in _rows(inlets) if is_at(row["x"], row["y"])}
    if (facades := layers.get("facades")) is not None:
        found = []
        for line, reach in zip(facades.geometry, facades["reach_m"], strict=True):
            away = shapely.distance(line, shapely.points(points)) / per_metre
            near = away[away <= reach + _AT_M]
            found.append(len(near) > 1 and near.min() <= _AT_M < near.max())
        marks["facades"] = told(found)
    if (options := layers.get("outlet_options")) is not None:
        marks["outlet_options"] = told([
            row["subject"] in starts and is_at(row["x"], row["y"]) for row in _rows(options)
        ])  # fmt: skip
    return marks


def _named_with(frame: pd.DataFrame, column: str) -> set[str]:
    """Names of the rows in which a level is given."""
    return set(frame.loc[frame[column].notna(), "name"].astype(str))


def _rows(frame: pd.DataFrame) -> list[dict[Any, Any]]:
    """Rows of a layer without their shapes."""
    rows: list[dict[Any, Any]] = frame.drop(columns="geometry", errors="ignore").to_dict("records")
    return rows


def _given(layer: str, name: Any, column: str, levelled: Levelled) -> str:
    """A level that somebody gave."""
    return _LEVELLED if (layer, str(name), column) in levelled else _DRAWN


def _by_source(source: str, *given: tuple[str, Any, str], levelled: Levelled) -> str | None:
    """Bring the source of a level to what is told of it; `given` are the levels it may be."""
    if source == "from ground":
        return _PUBLIC
    if source not in _GIVEN:
        return None
    if source == "below rim":  # a depth that was drawn, whatever the rim
        return _DRAWN
    return _LEVELLED if any((a, str(b), c) in levelled for a, b, c in given) else _DRAWN


def _of_node(
    node: Mapping[Any, Any], lines: Sequence[Mapping[Any, Any]], levelled: Levelled
) -> str | None:
    """Mark of an outlet, by its own level or that of a line that runs to it."""
    name, source = node["name"], node["level_source"]
    own = [("outlets", name, "invert_m")] if source == "given" else [
        ("drain_lines", line["name"], "invert_down_m") for line in lines if line["to_node"] == name
    ]  # fmt: skip
    return _by_source(source, *own, levelled=levelled)


def _of_end(
    line: Mapping[Any, Any], end: str, lines: Sequence[Mapping[Any, Any]], drawn: set[str],
    levelled: Levelled,
) -> str | None:  # fmt: skip
    """Mark of an end of a line: its own level, that of its outlet or of a line that meets it."""
    source, is_up = line[f"invert_{end}_basis"], end == "up"
    own = [("drain_lines", line["name"], f"invert_{end}_m")]
    if source == "given" and not is_up and str(line["name"]) not in drawn:
        own.append(("outlets", line["to_node"], "invert_m"))
    if source == "from line":
        here, there, column = (
            ("from_node", "to_node", "invert_down_m") if is_up
            else ("to_node", "from_node", "invert_up_m")
        )  # fmt: skip
        own += [("drain_lines", other["name"], column) for other in lines
                if other[there] == line[here]]  # fmt: skip
    return _by_source(source, *own, levelled=levelled)
