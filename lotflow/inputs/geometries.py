"""Shapes of a site layer: of the right kind, sound, in two dimensions, in the grid's CRS."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from lotflow.errors import Fault
from lotflow.findings import Finding, Severity
from lotflow.grid import BoolArray
from lotflow.inputs.open import reading
from lotflow.inputs.sources import Place
from lotflow.layers import Geometry, Layer, table_for
from lotflow.text import clean_text

if TYPE_CHECKING:
    from pyproj import CRS, Transformer

Shapes = NDArray[Any]

#: Layers of which a row is one thing at one place, with one upstream and one downstream end.
_ONE_PART: Final = frozenset(
    {
        "inlets",
        "downspouts",
        "drain_lines",
        "outlets",
        "openings",
        "culverts",
        "earthworks",
        "shots",
    }
)

#: Layers whose outlines are never repaired: the user must say what the boundary is.
_NEVER_REPAIRED: Final = frozenset({"lot"})

#: Where two datums differ, positions are shifted by what is known of the difference; above this
#: it is said [m].
_NOTABLE_SHIFT_M: Final = 0.5

#: Degrees of so few decimals are a metre off: 0.00001 degrees of latitude are 1.1 m.
_FEW_DECIMALS: Final = 5
#: Fewer corners may be rounded by chance.
_FEW_CORNERS: Final = 3
_METRES_PER_DEGREE: Final = 111_320.0
_FLOAT_NOISE: Final = 1e-6

_FAMILIES: Final[dict[int, Geometry]] = {
    0: "point", 1: "line", 2: "line", 3: "polygon", 4: "point", 5: "line", 6: "polygon",
}  # fmt: skip


@dataclass
class _Check:
    """Shapes on their way through the checks; a row with a fault is not looked at again."""

    shapes: Shapes
    schema: Layer
    place: Place
    faults: list[Fault] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    def refuse(self, rows: Iterable[int], rule: str, remedy: str) -> None:
        """Add the same fault for several rows, and take these rows out of the further checks."""
        for row in rows:
            self.faults.append(self.place.fault(rule, remedy, row=row + 1))
            self.shapes[row] = None

    def find(self, rule: str, *, row: int | None = None, warn: bool = False, **facts: Any) -> None:
        """Add a finding about the layer or one of its rows; provenance holds no folders."""
        subject = (
            self.place.layer
            if row is None
            else f"{self.place.layer}, row {self.place.row_in_file(row + 1)}"
        )
        severity: Severity = "warn" if warn else "note"
        facts = {"file": Path(self.place.file).name, **facts}
        self.findings.append(Finding(rule, severity, clean_text(subject), facts=facts))


def sound_shapes(
    shapes: Shapes, own_crs: CRS, crs: CRS, schema: Layer, place: Place
) -> tuple[Shapes, list[Fault], list[Finding]]:
    """
    Check the shapes of a layer and bring them into the grid's CRS.

    Given are the shapes in two dimensions, None where there is a fault; faults: no shape, wrong
    kind, crossing outline, no area or length, no position; and findings of what was repaired, left
    out or is uncertain.

    Examples
    --------
    >>> from pyproj import CRS
    >>> from lotflow.layers import SITE_LAYERS
    >>> utm = CRS(32618)
    >>> bow_tie = shapely.from_wkt("POLYGON ((0 0, 2 2, 2 0, 0 2, 0 0))")
    >>> lot = SITE_LAYERS["lot"], Place("a.gpkg", "lot")
    >>> _, faults, _ = sound_shapes(np.array([bow_tie]), utm, utm, *lot)
    >>> print(*faults)
    a.gpkg, layer lot, row 1: the outline crosses itself at (1, 1). Move its corners so that ...
    """
    check = _Check(shapes.copy(), schema, place)
    _refuse_wrong_kinds(check)
    _drop_heights(check)
    _repair(check)
    lines = _of_family(check.shapes, "line")
    check.refuse(
        _rows(lines & (shapely.length(check.shapes) == 0)),
        "the line has no length",
        "Draw it again, or delete the row",
    )
    _take_single_parts(check)
    if own_crs.is_geographic:
        _doubt_rounded(check)
    # a damaged CRS may fail only now that it is used
    with reading(place.file, layer=place.layer):
        own_flat, flat = _horizontal(own_crs), _horizontal(crs)
        if not own_flat.equals(flat, ignore_axis_order=True):
            _reproject(check, own_flat, flat)
            _repair(check)
    return check.shapes, check.faults, check.findings


def _doubt_rounded(check: _Check) -> None:
    """Ask about degrees that were rounded so far that corners of a lot are lost."""
    degrees = shapely.get_coordinates(check.shapes[~shapely.is_missing(check.shapes)])
    if len(degrees) < _FEW_CORNERS:
        return
    for decimals in range(_FEW_DECIMALS + 1):
        scaled = degrees * 10.0**decimals
        if (np.abs(scaled - np.round(scaled)) < _FLOAT_NOISE).all():
            off = _METRES_PER_DEGREE * 0.5 * 10.0**-decimals
            check.find("coordinates-rounded", warn=True, decimals=decimals, off_m=off)
            return


def _rows(mask: BoolArray) -> list[int]:
    """List the rows, counted from 0, in which something holds."""
    return [int(row) for row in np.flatnonzero(mask)]


def _of_family(shapes: Shapes, family: Geometry) -> BoolArray:
    """Tell which shapes belong to a family; single and multi-part count alike."""
    ids = [number for number, name in _FAMILIES.items() if name == family]
    return np.isin(shapely.get_type_id(shapes), ids)


def _refuse_wrong_kinds(check: _Check) -> None:
    """Refuse rows without a shape, with a shape that is nowhere, or of another kind."""
    nothing = shapely.is_missing(check.shapes) | shapely.is_empty(check.shapes)
    check.refuse(_rows(nothing), "the row has no shape", "Draw its shape, or delete the row")
    _refuse_nowhere(check, "Draw the shape again, or delete the row")
    allowed = check.schema.geometries
    wanted = " or a ".join(allowed)
    for row in _rows(~shapely.is_missing(check.shapes)):
        shape = check.shapes[row]
        family = _FAMILIES.get(int(shapely.get_type_id(shape)))
        if family in allowed:
            continue
        home = table_for(check.schema.name, family)
        remedy = f"Draw it as a {wanted}, or move the row to {home or 'another layer'}"
        rule = f"is a {family or 'collection of shapes'}, must be a {wanted}"
        if family == "line" and "polygon" in allowed and shapely.is_closed(shape):
            rule = "is a closed line, must be a polygon"
            remedy = "Turn closed lines into polygons when exporting from the drawing program"
        check.refuse([row], rule, remedy)


def _refuse_nowhere(check: _Check, remedy: str) -> None:
    """Refuse shapes with a coordinate that is no finite number."""
    coordinates, rows = shapely.get_coordinates(check.shapes, return_index=True)
    nowhere = np.zeros(len(check.shapes), dtype=bool)
    nowhere[rows[~np.isfinite(coordinates).all(axis=1)]] = True
    check.refuse(_rows(nowhere), "a coordinate is not a finite number", remedy)


def _drop_heights(check: _Check) -> None:
    """Keep easting and northing only; heights come from named columns, in a known unit."""
    heights = int(shapely.has_z(check.shapes).sum())
    if heights:
        check.find("heights-ignored", shapes=heights, of=len(check.shapes))
    check.shapes = shapely.force_2d(check.shapes)


def _repair(check: _Check) -> None:
    """Repair outlines that cross themselves, or refuse them where a repair would be a guess."""
    invalid = _of_family(check.shapes, "polygon") & ~shapely.is_valid(check.shapes)
    for row in _rows(invalid):
        shape = check.shapes[row]
        repaired = shapely.make_valid(shape, method="structure", keep_collapsed=False)
        problem = _problem(shapely.is_valid_reason(shape))
        if repaired.is_empty or repaired.area == 0:
            remedy = "Draw its outline again, or delete the row"
            check.refuse([row], "the polygon encloses no area", remedy)
        elif check.schema.name in _NEVER_REPAIRED:
            remedy = "Move its corners so that the outline runs once round the area"
            check.refuse([row], problem, remedy)
        else:
            check.shapes[row] = repaired
            check.find("outline-repaired", row=row, warn=True, problem=problem)


def _problem(reason: str) -> str:
    """Say GEOS's reason, such as `Self-intersection[1 1]`, in our words."""
    match = re.fullmatch(r"(.*?)\s*\[(\S+) (\S+)\]", reason)
    if match is None:
        return f"the outline is not sound ({reason.lower()})"
    what, x, y = match[1], float(match[2]), float(match[3])
    where = f"at ({x:.10g}, {y:.10g})"
    if what == "Self-intersection":
        return f"the outline crosses itself {where}"
    if what == "Ring Self-intersection":
        return f"the outline touches itself {where}"
    return f"the outline is not sound ({what.lower()}) {where}"


def _take_single_parts(check: _Check) -> None:
    """Make shapes of one part single; refuse several where a row must be one thing."""
    several: list[int] = []
    for row in _rows(shapely.get_type_id(check.shapes) >= 4):
        shape = check.shapes[row]
        if shapely.get_type_id(shape) == 5 and check.schema.name in _ONE_PART:
            # drawn in pieces that follow one another, downstream: one line after all
            shape = shapely.line_merge(shape, directed=True)
        parts = shapely.get_parts(shape)
        parts = parts[~shapely.is_empty(parts)]
        if len(parts) == 1:
            check.shapes[row] = parts[0]
        elif check.schema.name in _ONE_PART:
            several.append(row)
    check.refuse(
        several,
        "the row has several parts that do not follow one another",
        "Split it into one row for each, with a name of its own",
    )


def _horizontal(crs: CRS) -> CRS:
    """Take the horizontal part of a CRS, so that no height can take part in a transformation."""
    return crs.sub_crs_list[0] if crs.is_compound else crs.to_2d()


def _reproject(check: _Check, own_crs: CRS, crs: CRS) -> None:
    """Bring shapes into the grid's CRS, and say how well the shift between datums is known."""
    from pyproj import Transformer  # noqa: PLC0415  only needed where the two differ

    if shapely.is_missing(check.shapes).all():
        return
    transformer = Transformer.from_crs(own_crs, crs, always_xy=True)
    transform: Callable[..., Any] = transformer.transform
    check.shapes = shapely.transform(check.shapes, transform, interleaved=False)
    _refuse_nowhere(
        check, f"It lies where {crs.name} has no coordinates; check the CRS of the file"
    )
    if shapely.is_missing(check.shapes).all():
        return  # then no operation was used
    known_to = _accuracy_m(transformer)
    if not 0 <= known_to <= _NOTABLE_SHIFT_M:
        check.find(
            "datum-shift", warn=known_to < 0, own=own_crs.name, raster=crs.name,
            known_to_m=known_to if known_to >= 0 else None,
        )  # fmt: skip


def _accuracy_m(transformer: Transformer) -> float:
    """Give the accuracy of a transformation just used [m]; below 0 where it is not known."""
    from pyproj.exceptions import ProjError  # noqa: PLC0415  only needed where two CRSs differ

    if transformer.accuracy >= 0:
        return float(transformer.accuracy)
    # several were possible; which one was taken is known after it was used, if it is
    try:
        return float(transformer.get_last_used_operation().accuracy)
    except ProjError:
        return -1.0
