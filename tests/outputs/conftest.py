"""A result of made-up numbers: every declared layer and column, with empty cells here and there."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from lotflow.layers import RESULT_LAYERS

ORIGIN = 500_000.0


def _column(column, rows, rng):
    if column.kind == "number":
        return np.where(rng.random(rows) < 0.1, np.nan, rng.random(rows) * 100)
    if column.kind == "whole":
        return np.arange(1, rows + 1)
    if column.kind == "yes_no":
        return rng.random(rows) < 0.5
    texts = [f"{column.name} é {row}" for row in range(rows)]
    return [None if rng.random() < 0.1 else text for text in texts]


def _shapes(geometries, rows, rng):
    points = shapely.points(ORIGIN + rng.random((rows, 2)) * 100)
    lines = shapely.linestrings(ORIGIN + rng.random((rows, 12, 2)) * 100)
    outlines = shapely.buffer(points, 1 + rng.random(rows))
    by_kind = {"point": points, "line": lines, "polygon": outlines}
    return [by_kind[geometries[row % len(geometries)]][row] for row in range(rows)]


@pytest.fixture(scope="session")
def make_layers():
    """Layers with `rows` rows each, the same for the same seed."""

    def make(rows=5, seed=0, crs="EPSG:32618"):
        rng, layers = np.random.default_rng(seed), {}
        for layer in RESULT_LAYERS.values():
            data = {column.name: _column(column, rows, rng) for column in layer.columns}
            if layer.name == "findings":
                data["severity"] = [("note", "fail", "warn")[row % 3] for row in range(rows)]
                data["message"] = [text or "Nothing is said." for text in data["message"]]
            if layer.name == "lot_line_crossings":
                data["direction"] = [("on", "off")[row % 2] for row in range(rows)]
            frame = pd.DataFrame(data)
            if layer.geometries:
                shapes = _shapes(layer.geometries, rows, rng)
                frame = gpd.GeoDataFrame(frame, geometry=shapes, crs=crs)
            layers[layer.name] = frame
        return layers

    return make
