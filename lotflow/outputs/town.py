"""The overview of a batch: a layer of its lots, the same as GeoParquet, and a page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import pandas as pd

from lotflow.errors import OutputError
from lotflow.layers.result_town import CONCERNS, TOWN_LAYER, TOWN_LAYERS
from lotflow.outputs.geopackage import geopackage_file
from lotflow.outputs.result_file import ResultFile, text_file
from lotflow.outputs.summary import SCHEMA_VERSION
from lotflow.outputs.town_page import town_page

if TYPE_CHECKING:
    from lotflow.units import UnitSystem

GEOPACKAGE: Final = "town.gpkg"
PARQUET: Final = "town.parquet"
PAGE: Final = "town.html"
#: All that may be there besides the manifest.
NAMES: Final = (GEOPACKAGE, PARQUET, PAGE)
_EMPTY: Final[dict[str, object]] = {"text": "", "number": None, "whole": 0, "yes_no": None}


def town_table(rows: Sequence[Mapping[str, Any]], shapes: gpd.GeoSeries) -> gpd.GeoDataFrame:
    """
    Make the layer of the overview.

    Parameters
    ----------
    rows
        One per parcel, in their order; what a row does not have is empty.
    shapes
        Outlines of the parcels.
    """
    columns: dict[str, Any] = {}
    for column in TOWN_LAYER.columns:
        values = [row.get(column.name, _EMPTY[column.kind]) for row in rows]
        dtype = {"text": "object", "number": "float64", "whole": "int64"}[column.kind]
        columns[column.name] = pd.Series(values, dtype=dtype)
    return gpd.GeoDataFrame(columns, geometry=shapes.reset_index(drop=True), crs=shapes.crs)


def town_files(
    table: gpd.GeoDataFrame, *, title: str, run_id: str, program: str, units: UnitSystem,
    opens: str,
) -> list[ResultFile]:  # fmt: skip
    """
    Make the files of an overview.

    Parameters
    ----------
    table
        From `town_table`.
    title
        Of the page.
    run_id, program
        Where it comes from.
    units
        Of the page.
    opens
        File of a lot's folder that the page leads to.
    """
    files = [
        geopackage_file(
            GEOPACKAGE, {TOWN_LAYER.name: table}, schema=TOWN_LAYERS,
            metadata={"run_id": run_id, "program": program},
        ),
        text_file(PAGE, town_page(table, title=title, units=units, opens=opens)),
    ]  # fmt: skip
    if find_spec("pyarrow") is not None:
        files.append(_parquet_file(table))
    return files


def _parquet_file(table: gpd.GeoDataFrame) -> ResultFile:
    """
    Make the layer as GeoParquet.

    References
    ----------
    OGC 24-013, GeoParquet 1.0.
    """

    def write(path: Path) -> None:
        table.to_parquet(path, index=False)

    def verify(path: Path) -> None:
        back = gpd.read_parquet(path)
        if list(back.columns) != list(table.columns) or back.crs != table.crs:
            raise OutputError(f"{path.name} does not read back the same")
        for name in table.columns:  # of text the library may make another type
            if _plain(back[name]) != _plain(table[name]):
                raise OutputError(f"{path.name} holds other values of {name}")

    return ResultFile(PARQUET, write, verify)


def _plain(values: pd.Series[Any]) -> list[Any]:
    """Values as they can be compared: shapes as bytes, what is missing as None."""
    if isinstance(values, gpd.GeoSeries):
        return list(values.to_wkb())
    return [None if one is None or one != one else one for one in values.tolist()]  # noqa: PLR0124


def town_summary(
    table: gpd.GeoDataFrame, *, run_id: str, program: str, made_from: Mapping[str, Any]
) -> dict[str, Any]:
    """
    Give the content of the `summary.json` of a batch.

    Parameters
    ----------
    table
        From `town_table`.
    run_id, program, made_from
        Where it comes from.
    """
    counts = table["concern"].value_counts()
    return {
        "schema_version": SCHEMA_VERSION,
        "lot": {"name": None},
        "town": {
            "lots": len(table),
            "failed": int((table["outcome"] == "failed").sum()),
            "concerns": {name: int(counts.get(name, 0)) for name in CONCERNS},
        },
        "provenance": {"program": program, "run_id": run_id, **made_from},
    }


def town_text(table: gpd.GeoDataFrame) -> str:
    """
    Say what came of a batch in some lines.

    Parameters
    ----------
    table
        From `town_table`.
    """
    counts = table["concern"].value_counts()
    lines = [f"{len(table):,} lots", ""]
    lines += [f"  {counts[name]:>7,}  {name}" for name in CONCERNS if counts.get(name, 0)]
    wrong = table[table["outcome"] == "failed"]
    if len(wrong):
        lines += ["", "Not studied"]
        for parcel, reason in list(zip(wrong["parcel"], wrong["reason"], strict=True))[:_TOLD]:
            lines.append(f"  {parcel or '(no key)'}: {reason}")
        if len(wrong) > _TOLD:
            lines.append(f"  and {len(wrong) - _TOLD:,} more in {GEOPACKAGE}")
    return "\n".join(lines)


#: Lots that could not be studied, told on the terminal.
_TOLD: Final = 10
