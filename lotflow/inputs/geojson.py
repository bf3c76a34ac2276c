"""The text of a GeoJSON file, checked strictly: the usual library forgives damage."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any, Final

from lotflow.errors import Fault, InputError
from lotflow.inputs.limits import Limits

#: A list that begins with a number, and what every feature says of itself.
_POSITION: Final = re.compile(rb"\[\s*[-\d]")
_FEATURE: Final = re.compile(rb'"type"\s*:\s*"Feature"')
_CRS_NAME: Final = re.compile(
    r"urn:(x-)?ogc:def:crs[:,][\w:.,+-]+|[A-Za-z]{2,12}:[\w.+]{1,20}"
    r"|https?://(www\.)?opengis\.net/def/crs/[\w/.-]+", re.ASCII
)  # fmt: skip
_NAME_EXAMPLE: Final = "urn:ogc:def:crs:EPSG::26918"


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
        If it is not JSON in UTF-8, not GeoJSON, or names its CRS by a link.

    References
    ----------
    Butler, H. et al. (2016), The GeoJSON Format, RFC 7946, sections 3 and 4. The older member
    "crs" of GeoJSON 2008 is allowed where it is a name.

    Examples
    --------
    >>> from lotflow.inputs.limits import DEFAULT_LIMITS
    >>> check_geojson(b'{"type": "Point", "coordinates": [4.3, 52.0]}', Path("a"), DEFAULT_LIMITS)
    (1, 1)
    """
    _check_counts(data, path, limits)
    document = json.loads(
        data.decode("utf-8-sig"), parse_constant=_no_number, object_pairs_hook=_plain_object
    )
    features = [document]
    if document.get("type") == "FeatureCollection":
        features = document.get("features")
    if not (isinstance(features, list) and all(isinstance(item, dict) for item in features)):
        raise ValueError("its features are no list of features")
    limits.check("features", len(features), "the file holds {} features", file=str(path))
    if document.get("crs") is None:
        _check_degrees(document, path)
    return len(features), sum(1 for feature in features if _has_shape(feature))


def _check_counts(data: bytes, path: Path, limits: Limits) -> None:
    """Count in the bytes, since parsing takes ten times as long and a hundred times the memory."""
    file = str(path)
    # of all brackets at least half are those of positions, and counting brackets takes no memory
    limits.check("vertices", data.count(b"[") // 2, "the file holds {} positions or more",
                 file=file)  # fmt: skip
    limits.check("vertices", len(_POSITION.findall(data)), "the file holds {} positions", file=file)
    limits.check("features", len(_FEATURE.findall(data)), "the file holds {} features", file=file)


def _plain_object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """
    Refuse a CRS that is a link wherever one may stand: the usual library would fetch it.

    It also takes the member's name in any capitals, and of two members the one it likes.
    """
    for key, value in pairs:
        if key.casefold() == "crs" and isinstance(value, dict) and not _is_named_crs(value):
            raise ValueError(f"its CRS is no name of a CRS that is known, such as {_NAME_EXAMPLE}")
    return dict(pairs)


def _is_named_crs(member: dict[str, Any]) -> bool:
    """Tell a CRS given by authority and code."""
    properties = member.get("properties")
    if member.keys() != {"type", "properties"} or member["type"] != "name":
        return False
    return (isinstance(properties, dict) and properties.keys() == {"name"}
            and isinstance(properties["name"], str)
            and _CRS_NAME.fullmatch(properties["name"]) is not None)  # fmt: skip


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
