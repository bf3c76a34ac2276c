"""The plan page as one file: data, style and script in one document that asks nobody."""

from __future__ import annotations

import html
import importlib.resources
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely

from lotflow.outputs import palette
from lotflow.outputs.html_page import data_text, own_text, page_policy
from lotflow.outputs.map.ground import DEPTH_STOPS, depth_pixels, depth_scale, ground_pixels
from lotflow.outputs.plan_page.answers import answer_html
from lotflow.outputs.plan_page.drawn import drawn_layers, open_value
from lotflow.outputs.plan_page.grids import (
    corner_degrees,
    elevation_grid,
    packed_text,
    picture,
    water_grid,
)
from lotflow.outputs.plan_page.still import still_plan
from lotflow.outputs.plan_page.tables import inlet_peaks, page_tables, with_none_said
from lotflow.outputs.result_file import ResultFile, text_file
from lotflow.units import CARRIED, SHOWN, TO_SI, after_number

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from lotflow.grid import Grid
    from lotflow.outputs.map.ground import DepthScale, Pixels
    from lotflow.terrain.routing import Routing
    from lotflow.units import UnitSystem

#: In the order in which they run.
_SCRIPTS: Final = (
    "water.js", "numbers.js", "symbols.js", "section.js", "layers.js", "answers.js",
    "choosing.js", "asking.js", "plan.js",
)  # fmt: skip
#: Addresses in a style sheet would be asked for; the page needs none of them.
_ADDRESS: Final = re.compile(r"[\w-]+\s*:\s*url\((?!['\"]?#)[^)]*\)[^;}]*;?")


@dataclass(frozen=True, eq=False)
class PageContent:
    """
    What a plan page shows.

    Parameters
    ----------
    summary
        As `summary_content` gives it, not rounded: the page rounds to what it shows.
    layers
        Layers of the result.
    ground, depth
        Elevation, and depth of low spots below their spill level [m].
    routing
        With inlets.
    names
        Of the inlets, in the order of their numbers.
    error
        `rmse`, `correlation` [m] and `whiteShare` of the elevation data.
    title
        Name of the lot.
    note, doubt
        What the page was made from, and what the accuracy of that means, in each system of units.
    cautions
        Sentences on accuracy and safety.
    units
        "us" or "metric", at first.
    """

    summary: Mapping[str, Any]
    layers: Mapping[str, pd.DataFrame]
    ground: Grid
    depth: Grid
    routing: Routing
    names: list[str]
    error: Mapping[str, float]
    title: str
    note: Mapping[UnitSystem, str]
    doubt: Mapping[UnitSystem, str]
    cautions: Sequence[str]
    units: UnitSystem


def plan_page_file(name: str, content: PageContent) -> ResultFile:
    """
    Make the plan page a file of a result.

    Parameters
    ----------
    name
        Name in the result folder.
    """
    return text_file(name, plan_page(content))


def plan_page(content: PageContent) -> str:
    """
    Write a plan page: the same content gives the same text.

    Returns HTML that works from a file, without a network, under its own strict content
    policy.
    """
    leaflet = importlib.resources.files("js_lib_leaflet") / "static" / "js_lib_leaflet"
    library = (leaflet / "leaflet.js").read_text("utf-8")
    # the name of a file that is not there would be asked for
    library = re.sub(r"\n?//# sourceMappingURL=.*", "", library)
    style = _ADDRESS.sub("", (leaflet / "leaflet.css").read_text("utf-8")) + own_text(
        "plan_page/page.css"
    )
    script = "\n".join((library, *(own_text(f"plan_page/{name}") for name in _SCRIPTS)))
    drawn = drawn_layers(content.layers, content.ground)
    parts = {
        "title": html.escape(content.title),
        "note": html.escape(content.note[content.units]),
        "answer": answer_html(content.summary, content.ground.bounds[:2]),
        "still": _still(content, drawn),
        "cautions": "".join(f"<li>{html.escape(text)}</li>" for text in content.cautions),
        "policy": page_policy(style, script, images=True),
        "style": style,
        "data": data_text(_page_data(content, drawn)),
        "script": script,
    }
    # one pass: what stands in one part is never taken for the place of another
    return re.sub(
        rf"\{{({'|'.join(parts)})\}}", lambda m: parts[m[1]], own_text("plan_page/page.html")
    )


def _still(content: PageContent, drawn: Sequence[Mapping[str, Any]]) -> str:
    """The plan as one picture, which holds the two images of the ground that the map shows too."""
    ground = content.ground
    west, south, east, north = ground.bounds
    items = [
        {"rank": item["rank"], "at": (item["y"] - south, item["x"] - west)}
        for item in content.summary.get("answer", ())
        if item["x"] is not None
    ]
    pictures = {
        "ground": picture(_ground_picture(content)),
        "depth": picture(depth_pixels(content.depth.values, _scale(content).deepest_m)),
    }
    view = _view(content, (west, south))
    return still_plan(drawn, items, view, (north - south, east - west), pictures)


def _page_data(content: PageContent, drawn: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Give everything a page shows as plain values."""
    ground = content.ground
    scale = _scale(content)
    rows, columns = ground.shape
    west, south, _, _ = ground.bounds
    return {
        "title": content.title,
        "note": dict(content.note),
        "doubt": dict(content.doubt),
        "units": content.units,
        "storms": _storms(content.summary),
        "flows": _flows(content.summary),
        "shown": _shown(),
        "corner": [west, south],
        "corners": corner_degrees(ground),
        "view": _view(content, (west, south)),
        "accuracy": dict(content.error),
        "deepest": scale.deepest_m,
        "openWater": palette.OPEN_WATER if content.routing.surface.open_water.any() else None,
        "depthColours": [[place, f"rgb{colour}"] for place, colour in DEPTH_STOPS],
        "grid": {
            "rows": rows,
            "columns": columns,
            "side": float(ground.transform.a),
            "metresPerUnit": ground.metres_per_unit,
            "cellArea": ground.cell_m2,
            "elevation": elevation_grid(ground),
            "water": water_grid(content.routing, content.names),
        },
        "layers": packed_text(data_text(drawn)),
        "tables": with_none_said(page_tables(content.summary, content.layers)),
        "cautions": list(content.cautions),
    }


def _scale(content: PageContent) -> DepthScale:
    """Scale of depths, up to the deepest low spot that nothing speaks against."""
    spots = content.layers.get("low_spots")
    certain = () if spots is None else spots["depth_m"][spots["artefact"].fillna("") == ""]
    limit = float(max(certain)) if len(certain) else np.inf
    return depth_scale(content.depth.values, content.units, certain_m=limit)


def _ground_picture(content: PageContent) -> Pixels:
    """Shaded ground, with open water."""
    pixels = ground_pixels(content.ground)
    hue = palette.OPEN_WATER.removeprefix("#")
    pixels[content.routing.surface.open_water] = (*bytes.fromhex(hue), 255)
    return pixels


def _storms(summary: Mapping[str, Any]) -> list[str]:
    """Return periods of the result as keys, rising."""
    entries = [*summary["runoff"], *summary["ponds"]]
    periods = {entry["return_period_yr"] for entry in entries}
    return [f"{period:g}" for period in sorted(p for p in periods if p is not None)]


def _flows(summary: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """Rational flow per inlet and storm."""
    flows: dict[str, dict[str, Any]] = {}
    for row in inlet_peaks(summary):
        if row["flow_m3s"] is not None:
            period = row["return_period_yr"]
            key = "" if period is None else f"{period:g}"
            flow = open_value(row, "flow_m3s", row["flow_m3s"])
            flows.setdefault(str(row["subject"]), {})[key] = flow
    return flows


def _shown() -> dict[str, dict[str, dict[str, Any]]]:
    """How the program shows each quantity, for the page to do the same."""
    return {
        quantity: {
            system: {
                "factor": TO_SI[unit] / TO_SI[CARRIED[quantity]],
                "decimals": decimals,
                "unit": after_number(unit),
            }
            for system, (unit, decimals) in systems.items()
        }
        for quantity, systems in SHOWN.items()
    }


def _view(content: PageContent, corner: tuple[float, float]) -> list[list[float]]:
    """Part of the map that is shown at first: the lot with some ground round it."""
    west, south, east, north = shapely.total_bounds(content.layers["lot"].geometry.to_numpy())
    margin = 0.08 * max(east - west, north - south)
    low = np.array([south - corner[1] - margin, west - corner[0] - margin])
    high = np.array([north - corner[1] + margin, east - corner[0] + margin])
    return [low.round(2).tolist(), high.round(2).tolist()]
