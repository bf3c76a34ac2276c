"""The text of a GeoJSON file, checked strictly: the usual library forgives damage."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from lotflow.errors import Fault, InputError
from lotflow.inputs.limits import Limits


def check_geojson(data: bytes, path: Path, limits: Limits) -> tuple[int, int]:
    """
    Count what a GeoJSON file holds, so that what is lost when it is read shows.

    Parameters
    ----------
    data
        Content of the file.
    path
        Of the file, for messages.
    limits
        How much it may hold.

    Returns
    -------
    features, shapes
        Number of features, and of those that have a geometry.

    Raises
    ------
    InputError
        If it holds more than it may, or states no CRS and is not in degrees.
    ValueError, RecursionError
        If it is not JSON in UTF-8, or not GeoJSON.

    References
    ----------
    Butler, H. et al. (2016), The GeoJSON Format, RFC 7946, sections 3 and 4. The older member
    "crs" of GeoJSON 2008 is allowed.

    Examples
    --------
    >>> from lotflow.inputs.limits import DEFAULT_LIMITS
    >>> check_geojson(b'{"type": "Point", "coordinates": [4.3, 52.0]}', Path("a"), DEFAULT_LIMITS)
    (1, 1)
    """
    # one bracket per vertex, and one per ring and part: a bound known before parsing
    limits.check("vertices", data.count(b"[") // 2, "the file holds {} vertices at least",
                 file=str(path))  # fmt: skip
    document = json.loads(data.decode("utf-8-sig"), parse_constant=_no_number)
    features = [document]
    if document.get("type") == "FeatureCollection":
        features = document.get("features")
    if not (isinstance(features, list) and all(isinstance(item, dict) for item in features)):
        raise ValueError("its features are no list of features")
    limits.check("features", len(features), "the file holds {} features", file=str(path))
    if document.get("crs") is None:
        _check_degrees(document, path)
    return len(features), sum(1 for feature in features if _has_shape(feature))


def _no_number(text: str) -> float:
    """Refuse what JSON does not know as a number."""
    raise ValueError(f"{text} is no number in JSON")


def _has_shape(feature: dict[str, Any]) -> bool:
    """Tell a feature with a geometry, or a geometry that stands for one."""
    return feature.get("type") != "Feature" or feature.get("geometry") is not None


def _check_degrees(document: Any, path: Path) -> None:
    """Raise where a file that states no CRS cannot be in degrees."""
    stack = [document]
    while stack:
        item = stack.pop()
        if isinstance(item, dict):
            parts = ("features", "geometry", "geometries", "coordinates")
            stack.extend(item.get(part) for part in parts)
        elif _is_position(item):
            if abs(item[0]) > 180 or abs(item[1]) > 90:
                raise InputError(
                    Fault("a GeoJSON file without a CRS is in longitude and latitude (RFC 7946), "
                          "this holds other coordinates",
                          "Export it in WGS 84, or as GeoPackage with its CRS",
                          file=str(path), value=item[:2])
                )  # fmt: skip
        elif isinstance(item, list):
            stack.extend(item)


def _is_position(item: Any) -> bool:
    """Tell a pair or triple of numbers from lists of such."""
    return (isinstance(item, list) and len(item) > 1
            and all(isinstance(number, (int, float)) for number in item[:2]))  # fmt: skip
