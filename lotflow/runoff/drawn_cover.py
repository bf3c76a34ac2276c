"""What covers the ground of a site as drawn, and what was assumed where nothing is drawn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import shapely

from lotflow.findings import Finding
from lotflow.runoff.covers import DrawnCover, GroundCover, ground_cover
from lotflow.terrain.surface import typical_slope

if TYPE_CHECKING:
    from lotflow.grid import BoolArray
    from lotflow.layers.drawn import Drawn
    from lotflow.runoff.covers import SoilGroup
    from lotflow.terrain.surface import Surface

#: Less of the lot under two covers is how two outlines meet, not a mistake [-].
_LEAST_OVERLAP: Final = 0.001


@dataclass(frozen=True, eq=False)
class SiteCover:
    """
    Cover of every cell, and what was assumed.

    Parameters
    ----------
    ground
        The covers.
    findings
        What was assumed, with its source.
    """

    ground: GroundCover
    findings: tuple[Finding, ...]


def drawn_cover(
    site: Drawn, surface: Surface, lot: BoolArray, *, ground: str, soil_group: SoilGroup,
    coefficient: float | None, by_storm: bool,
) -> SiteCover:  # fmt: skip
    """
    Find what covers every cell, and say what was assumed.

    Parameters
    ----------
    site
        Gives the cover polygons, of which the later ones count.
    surface
        Gives roofs and water, which go before them.
    lot
        Cells of the lot.
    ground, soil_group
        Cover and hydrologic soil group of ground without a polygon.
    coefficient
        Runoff coefficient of all ground, where one is given [-].
    by_storm
        Whether there are storms to compute by curve number.
    """
    drawn = [
        DrawnCover(
            str(row.cover), row.geometry, float(row.runoff_coefficient), float(row.curve_number)
        )
        for row in site.covers.itertuples()
    ]
    slope = typical_slope(surface.ground, lot)
    cover = ground_cover(
        surface.ground, drawn, roof=surface.roof, water=surface.water, ground=ground,
        soil_group=soil_group, slope=slope,
    )  # fmt: skip
    findings = []
    assumed = ~cover.drawn & lot
    if assumed.any():
        # what is not computed with is not told
        value = float(cover.coefficient[assumed].mean()) if coefficient is None else None
        number = float(cover.curve_number[assumed].mean()) if by_storm else None
        share = float(assumed.sum() / lot.sum())
        findings.append(
            Finding(
                "cover-assumed", "note", "lot",
                measured=round(share, 4), unit="1",
                source="FHWA HEC-22, 3rd edition (2009), Table 3-1; the choice is lotflow's",
                facts={"share": share, "ground": ground, "soil_group": soil_group, "slope": slope,
                       "coefficient": value, "curve_number": number},
            )
        )  # fmt: skip
    findings += _overlaps(site)
    if coefficient is not None:
        cover = cover.with_coefficient(coefficient)
    return SiteCover(cover, tuple(findings))


def _overlaps(site: Drawn) -> list[Finding]:
    """Say on how much of the lot cover polygons of different kinds overlap, roofs apart."""
    inside = site.lot.geometry.union_all()
    seen, twice = shapely.Polygon(), shapely.Polygon()
    for _, same in site.covers.groupby("cover"):
        whole = same.geometry.union_all()
        twice, seen = twice.union(whole.intersection(seen)), seen.union(whole)
    always = shapely.union_all([*site.buildings.geometry, *site.water.geometry])
    share = float(twice.intersection(inside).difference(always).area / inside.area)
    if share < _LEAST_OVERLAP:
        return []
    return [
        Finding(
            "covers-overlap", "note", "covers",
            measured=round(share, 4), unit="1", source="lotflow's rule", facts={"share": share},
        )
    ]  # fmt: skip
