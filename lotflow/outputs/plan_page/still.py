"""A still plan of the lot for a page whose script does not run, and until it does."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING, Any, Final

from lotflow.outputs import palette

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

#: Drawn from the ground up; what only a storm or a tap explains is left out.
_LAYERS: Final = (
    "buildings", "low_spots", "flow_paths", "lot", "earthwork_areas", "earthwork_lines", "facades",
    "drain_lines", "lot_line_crossings", "openings", "outlets", "observations", "shots", "inlets",
)  # fmt: skip
#: Width of the whole picture in the units of its lines and letters.
_WIDTH: Final = 800.0
#: Outlines of the symbols, about their place.
_MARKS: Final[Mapping[str, str]] = {
    "square": "M-6-6H6V6H-6Z", "diamond": "M0-7L7 0L0 7L-7 0Z", "on": "M0 7L-7-6H7Z",
    "off": "M0-7L7 6H-7Z", "circle": "M0-6A6 6 0 0 1 0 6A6 6 0 0 1 0-6Z",
    "cross": "M-1.5-6H1.5V-1.5H6V1.5H1.5V6H-1.5V1.5H-6V-1.5H-1.5Z",
}  # fmt: skip


def still_plan(
    layers: Sequence[Mapping[str, Any]],
    items: Sequence[Mapping[str, Any]],
    view: Sequence[Sequence[float]],
    extent: tuple[float, float],
    pictures: Mapping[str, str],
) -> str:
    """
    Draw what is known of a lot as one picture.

    `layers`: as `drawn_layers` gives them; `items`: with `rank` and the place `at`, [north, east];
    `view`: lower left and upper right corner of what is seen; `extent`: height and width of the
    ground; `pictures`: data addresses of `ground` and `depth`.

    Returns an SVG in which the pictures have the names `ground-picture` and `depth-picture`.
    """
    (south, west), (north, east) = view
    scale = _WIDTH / (east - west)
    height = (north - south) * scale

    def place(point: Sequence[float]) -> tuple[float, float]:
        return (point[1] - west) * scale, (north - point[0]) * scale

    top, left = (north - extent[0]) * scale, -west * scale
    whole = (
        f'x="{left:.1f}" y="{top:.1f}" width="{extent[1] * scale:.1f}" '
        f'height="{extent[0] * scale:.1f}" preserveAspectRatio="none" image-rendering="pixelated"'
    )
    # a window is far wider than the lot: what is out of view is not written
    drawn = {
        layer["key"]: {
            **layer, "features": [one for one in layer["features"] if _is_seen(one["shape"], view)]
        }
        for layer in layers
        if layer["key"] in _LAYERS
    }  # fmt: skip
    parts = [
        f'<image id="{key}-picture" href="{pictures[key]}" {whole}/>' for key in ("ground", "depth")
    ]
    for key in _LAYERS:
        if key in drawn:
            parts += [
                piece
                for feature in drawn[key]["features"]
                for piece in _feature(drawn[key], feature, place)
            ]
    for key in ("inlets", "outlets", "low_spots", "lot_line_crossings"):
        parts += [_name(feature, place) for feature in drawn.get(key, {"features": ()})["features"]]
    there: list[Any] = []
    for item in items:
        x, y = place(item["at"])
        parts.append(_rank(item["rank"], x, y, there.count(item["at"])))
        there.append(item["at"])
    return (
        f'<svg id="still" viewBox="0 0 {_WIDTH:.0f} {height:.0f}" role="img" '
        'aria-label="Still plan of the lot with the numbers of the answer; grid north is up" '
        f'font-family="sans-serif" font-size="13">{"".join(parts)}</svg>'
    )


def _is_seen(shape: Mapping[str, Any], view: Sequence[Sequence[float]]) -> bool:
    """
    Whether the frame of a shape meets the view.

    Examples
    --------
    >>> point = {"kind": "point", "parts": [[5.0, 5.0]]}
    >>> _is_seen(point, [[0, 0], [9, 9]]), _is_seen(point, [[6, 0], [9, 9]])
    (True, False)
    """
    parts = shape["parts"]
    if shape["kind"] == "polygon":
        parts = [part[0] for part in parts]
    points = parts if shape["kind"] == "point" else [point for part in parts for point in part]
    return all(
        min(one[k] for one in points) <= view[1][k] and max(one[k] for one in points) >= view[0][k]
        for k in (0, 1)
    )


def _feature(layer: Mapping[str, Any], feature: Mapping[str, Any], place: Any) -> Iterator[str]:
    """One feature in the style of its layer."""
    shape, colour = feature["shape"], feature.get("colour")
    dashes = feature.get("dashes", layer["dashes"])
    line = (
        f'stroke="{colour or layer["stroke"]}" stroke-width="{layer["width"]}"'
        + (f' stroke-dasharray="{dashes}"' if dashes else "")
    )  # fmt: skip
    if shape["kind"] == "polygon":
        outline = "".join(_path(ring, place) + "Z" for part in shape["parts"] for ring in part)
        fill = f'fill="{layer["fill"] or "none"}" fill-opacity="{layer["opacity"]}"'
        yield f'<path d="{outline}" {fill} {line}/>'
    elif shape["kind"] == "line":
        yield f'<path d="{"".join(_path(p, place) for p in shape["parts"])}" fill="none" {line}/>'
    else:
        mark = feature.get("mark") or layer["mark"]
        fill = palette.RUN_OFF if mark == "off" else layer["fill"]
        for point in shape["parts"]:
            x, y = place(point)
            yield (
                f'<path transform="translate({x:.1f} {y:.1f})" d="{_MARKS[mark]}" fill="{fill}" '
                f'stroke="{layer["stroke"]}"/>'
            )


def _path(points: Sequence[Sequence[float]], place: Any) -> str:
    """Outline of a row of points."""
    return "M" + "L".join("{:.1f} {:.1f}".format(*place(point)) for point in points)


def _name(feature: Mapping[str, Any], place: Any) -> str:
    """Name or number beside a feature, in its middle where it is an area."""
    parts = feature["shape"]["parts"]
    ring = parts[0][0] if feature["shape"]["kind"] == "polygon" else parts
    ring = ring[0] if feature["shape"]["kind"] == "line" else ring
    norths, easts = [point[0] for point in ring], [point[1] for point in ring]
    x, y = place([(min(norths) + max(norths)) / 2, (min(easts) + max(easts)) / 2])
    beside = 9 if feature["shape"]["kind"] != "polygon" else 0
    return (
        f'<text x="{x + beside:.1f}" y="{y + 4:.1f}" font-weight="700" fill="{palette.INK}" '
        'stroke="#fff" stroke-width="3" paint-order="stroke">'
        f"{html.escape(str(feature['name']))}</text>"
    )


def _rank(rank: int, x: float, y: float, before: int) -> str:
    """Number of an item of the answer beside its place, after the others of the same place."""
    at = 24 * before - 20
    return (
        f'<g transform="translate({x:.1f} {y:.1f})" stroke="{palette.ANSWER}">'
        f'<path d="{"M0 0L-20-20" if before == 0 else ""}" stroke-width="2"/>'
        f'<circle cx="{at}" cy="-22" r="11" fill="#fff" stroke-width="2"/><text '
        f'class="item" x="{at}" y="-17" font-weight="700" text-anchor="middle" stroke="none" '
        f'fill="{palette.ANSWER}">{rank}</text></g>'
    )
