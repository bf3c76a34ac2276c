"""What is drawn where on the paper of a map, so that labels keep off it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
from affine import Affine
from rasterio.features import rasterize

from lotflow.outputs.map_labels import PaperGround

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from geopandas import GeoDataFrame

    from lotflow.outputs.map_layers import MapField

#: Side of a square of paper [inch]: the width of the lot line.
STEP: Final = 0.05
#: What a label had better not cover: the lot line first of all.
_LOT_LINE: Final = 1.0
_INLET: Final = 0.8
_DRAIN_LINE: Final = 0.5
_FLOW_PATH: Final = 0.4


def paper_ground(
    field: MapField,
    size: tuple[float, float],
    *,
    lot: GeoDataFrame,
    flow_paths: GeoDataFrame,
    inlets: GeoDataFrame,
    low_spots: GeoDataFrame,
    drain_lines: Sequence[Any],
) -> PaperGround:
    """
    Find which squares of the paper bear lines, and which low spot each belongs to.

    Parameters
    ----------
    field
        The field of the map.
    size
        Its width and height [inch].
    lot, flow_paths, inlets, low_spots
        Layers of the result.
    drain_lines
        Drain lines that are drawn.
    """
    columns, rows = (max(int(np.ceil(side / STEP)), 1) for side in size)
    side = STEP * field.units_per_inch
    west, south = field.bounds[:2]
    transform = Affine(side, 0.0, west, 0.0, -side, south + rows * side)

    def burnt(shapes: Iterable[tuple[Any, float]], dtype: str) -> Any:
        drawn = [(shape, value) for shape, value in shapes if not shape.is_empty]
        if not drawn:
            return np.zeros((rows, columns), dtype)
        return rasterize(drawn, out_shape=(rows, columns), transform=transform, all_touched=True,
                         dtype=dtype)[::-1]  # fmt: skip

    paths = ((line, _FLOW_PATH) for line in field.reaching(flow_paths).geometry)
    drains = ((shape, _INLET) for shape in field.reaching(inlets).geometry)
    pipes = ((line, _DRAIN_LINE) for line in drain_lines)
    edges = ((line, _LOT_LINE) for line in lot.geometry.boundary)
    # the smaller one lies on top, where one is within another
    spots = field.reaching(low_spots)
    spots = spots.iloc[np.argsort(-spots.geometry.area.to_numpy(), kind="stable")]
    owners = zip(spots.geometry, spots["id"], strict=True)
    return PaperGround(
        STEP,
        np.asarray(burnt((*paths, *pipes, *drains, *edges), "float64")),
        np.asarray(burnt(owners, "int32")),
    )
