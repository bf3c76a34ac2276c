"""
Make `lotflow/tables/united_states.csv`, the coarse outline of the United States.

By hand, with the land of countries of Natural Earth at 1:10 million (public domain,
naturalearthdata.com) as a file that GDAL reads:

    python .ci/united_states.py ne_10m_admin_0_countries.shp
"""

import csv
import sys
from pathlib import Path

import geopandas as gpd
import shapely

#: As Natural Earth names them: what uses US customary units.
OURS = (
    "United States of America", "Puerto Rico", "U.S. Virgin Is.", "American Samoa", "Guam",
    "N. Mariana Is.",
)  # fmt: skip
#: Those with land within `SEAWARD` of it, but for Russia: no lot lies in the Bering Strait.
NEIGHBOURS = ("Canada", "Mexico", "British Virgin Is.")
#: How far the outline is carried out to sea, and how far it may lie off a border [degrees].
SEAWARD, OFF = 0.3, 0.01
SOURCE = (
    "Natural Earth 4.1.0, 1:10 million, countries (public domain): carried 0.3 degrees out to sea, "
    "thinned to 0.01 degrees; may err within 5 km of a land border"
)


def main(countries: str) -> None:
    """Write the table."""
    frame = gpd.read_file(countries)
    names = frame["NAME" if "NAME" in frame else "name"]
    own = shapely.union_all(shapely.make_valid(frame.geometry[names.isin(OURS)].to_numpy()))
    near = frame.geometry[names.isin(NEIGHBOURS)].to_numpy()
    others = shapely.union_all(shapely.make_valid(near))
    wide = own.buffer(SEAWARD, quad_segs=1).difference(others).union(own).simplify(OFF)
    parts = sorted(
        (shapely.Polygon(part.exterior) for part in shapely.get_parts(wide) if part.area > 0.02),
        key=lambda part: -part.area,
    )
    target = Path(__file__).parents[1] / "lotflow" / "tables" / "united_states.csv"
    with target.open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(("part", "outline", "source"))
        for number, part in enumerate(parts, 1):
            corners = shapely.get_coordinates(part)[:-1].round(3)
            rows.writerow((number, " ".join(f"{x:g} {y:g}" for x, y in corners), SOURCE))


if __name__ == "__main__":
    main(sys.argv[1])
