"""The files of a result for the open-source viewer QGIS: looks beside rasters, and a project."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from pyproj import CRS

from lotflow.layers import RESULT_LAYERS
from lotflow.outputs import palette
from lotflow.outputs.styles import depth_rules, layer_rules
from lotflow.outputs.viewer_project import Shown, viewer_project_text
from lotflow.outputs.viewer_styles import RasterLook
from lotflow.scenarios import ALL_BLOCKED, LIMITED, OPEN
from lotflow.units import shown

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import pandas as pd

    from lotflow.outputs.grids import Raster
    from lotflow.outputs.styles import Rule
    from lotflow.units import UnitSystem

PROJECT: Final = "result.qgs"
_PACKAGE: Final = "result.gpkg"
_GROUND: Final = "ground.tif"
#: Share of the lot's size that is shown round it.
_MARGIN: Final = 0.15

#: Relief stays behind all that is drawn on it.
_RELIEF_OPACITY: Final = 0.6
#: Titles of rasters of which the description says what their numbers mean.
_TITLES: Final = {
    "flow_direction.tif": "Direction of flow", "inlet.tif": "Inlet that takes the water",
}  # fmt: skip

#: Groups of the project with their layers, the topmost first.
_TABLES: Final = ("findings", "quantities", "as_built", "runoff", "falls", "pond_cases",
                  "wall_water", "inlet_intake", "line_storms", "outlet_storms",
                  "inlet_bypass")  # fmt: skip
_PLACES: Final = ("observations", "inlets", "inlet_lines", "inlet_areas", "levels_to_take",
                  "stakes", "shots", "openings", "facades", "swale_ways", "earthwork_lines",
                  "earthwork_areas", "earthwork_profiles", "lot", "buildings")  # fmt: skip
_DRAINS: Final = ("nodes", "drain_lines", "line_profiles", "outlet_options")
_WATER: Final = ("lot_line_crossings", "spill_points", "inner_low_spots", "flow_paths",
                 "flow_paths_today")  # fmt: skip
_AREAS: Final = ("low_spots", "water", "catchments", "catchment_cells")
#: Layers that are not drawn when the project opens: what is seldom asked for, or lies over the
#: rest.
_OFF: Final = ("outlet_options", "line_profiles", "earthwork_profiles", "stakes", "spill_points",
               "inner_low_spots", "catchment_cells", "flow_paths_today")  # fmt: skip


def raster_looks(rasters: Mapping[str, Raster], units: UnitSystem) -> dict[str, RasterLook]:
    """
    Say how rasters are coloured: the ground as relief, depths as on the map.

    Parameters
    ----------
    rasters
        By the name of their file.
    units
        "us" or "metric", of titles.

    Returns
    -------
    looks
        By the name of the file; of rasters of directions and numbers there is none.
    """
    return {
        name: RasterLook(opacity=_RELIEF_OPACITY) if name == _GROUND else _depth_look(units)
        for name in rasters
        if name == _GROUND or "depth" in name
    }


def _depth_look(units: UnitSystem) -> RasterLook:
    """Classes of depth, each with its upper bound; dry ground is clear."""
    upper = [low for low, _ in palette.DEPTHS[1:]] + [np.inf]
    dry: tuple[tuple[float, str, str], ...] = ((0.0, "#ffffff", "dry"),)
    return RasterLook(
        dry
        + tuple(
            (float(high), colour, f"up to {shown(high, 'depth', units)}" if np.isfinite(high)
             else "deeper")
            for high, (_, colour) in zip(upper, palette.DEPTHS, strict=True)
        ),
        opacity=0.8,
    )  # fmt: skip


def project_text(
    layers: Mapping[str, pd.DataFrame],
    rasters: Mapping[str, Raster],
    title: str,
    units: UnitSystem,
) -> str:
    """
    Write a project that opens a result as one map, in order and styled.

    Parameters
    ----------
    layers
        As they are written.
    rasters
        By the name of their file.
    title
        Of the map.
    units
        "us" or "metric", of titles and labels.
    """
    lot: Any = layers["lot"]
    rules = layer_rules(units)

    def listed(names: Sequence[str]) -> list[Shown]:
        return [
            _shown(name, rules, has_ponds="ponds" in layers) for name in names if name in layers
        ]

    looks = raster_looks(rasters, units)
    pictures = [
        Shown(_TITLES.get(name) or one.description[:1].upper() + one.description[1:], name,
              look=looks.get(name), on=name == _GROUND)
        for name, one in sorted(rasters.items(), key=lambda item: item[0] == _GROUND)
    ]  # fmt: skip
    groups = [
        ("Answer and findings", listed(_TABLES)),
        ("Places", listed(_PLACES)),
        ("Drains", listed(_DRAINS)),
        ("Water", [*listed(_WATER), *_ponds(layers, rules, units), *listed(_AREAS)]),
        ("Ground", [*listed(("contours",)), *pictures]),
    ]
    west, south, east, north = lot.total_bounds
    margin = _MARGIN * max(east - west, north - south)
    crs = CRS.from_user_input(lot.crs)
    return viewer_project_text(
        title,
        [(name, shown_layers) for name, shown_layers in groups if shown_layers],
        crs.sub_crs_list[0] if crs.is_compound else crs,
        (west - margin, south - margin, east + margin, north + margin),
    )


def _shown(name: str, rules: Mapping[str, tuple[Rule, ...]], *, has_ponds: bool) -> Shown:
    """Give a layer of the GeoPackage."""
    layer = RESULT_LAYERS[name]
    look = rules.get(name, ())
    if name == "catchments":  # the inlets bear the names
        look = tuple(replace(rule, label=()) for rule in look)
    if name == "low_spots" and has_ponds:  # water lies in them
        look = tuple(replace(rule, fill_opacity=0.1, figure=None) for rule in look)
    geometry = layer.geometries[0] if layer.geometries else ""
    return Shown(layer.title, _PACKAGE, name, geometry, look or None, on=name not in _OFF,
                 titles=layer.titles)  # fmt: skip


def _ponds(
    layers: Mapping[str, pd.DataFrame], rules: Mapping[str, tuple[Rule, ...]], units: UnitSystem
) -> Iterator[Shown]:
    """Give the ponds of the rarest storm: as inlets take water, and with all of them blocked."""
    if "ponds" not in layers:
        return
    ponds = layers["ponds"]
    rarest, told = ponds["return_period_yr"].max(), set(ponds["scenario"])
    usual = str(LIMITED if str(LIMITED) in told else OPEN)
    year = f'"return_period_yr" = {rarest:g}'
    blocked = str(ALL_BLOCKED)
    if "overflow_paths" in layers:
        yield Shown("Overflow of these ponds", _PACKAGE, "overflow_paths", "line",
                    rules["overflow_paths"], titles=RESULT_LAYERS["overflow_paths"].titles,
                    rows=f"\"scenario\" = '{usual}'")  # fmt: skip
    for name, scenario, on in (
        (f"Ponds of the {rarest:g}-year storm", usual, True),
        (f"Ponds of the {rarest:g}-year storm, all inlets blocked", blocked, False),
    ):
        if scenario in told:
            look = depth_rules(units) if on else rules["ponds"]
            yield Shown(name, _PACKAGE, "ponds", "polygon", look, on=on,
                        titles=RESULT_LAYERS["ponds"].titles,
                        rows=f"{year} AND \"scenario\" = '{scenario}'")  # fmt: skip
