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
from lotflow.outputs.journal import GEOPACKAGE, PARQUET, TOLD
from lotflow.outputs.result_file import ResultFile, text_file
from lotflow.outputs.summary import SCHEMA_VERSION
from lotflow.outputs.town_page import town_page

if TYPE_CHECKING:
    from lotflow.units import UnitSystem

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
    table: gpd.GeoDataFrame, *, page: Mapping[str, str], run_id: str, program: str,
    units: UnitSystem,
) -> list[ResultFile]:  # fmt: skip
    """
    Make the files of an overview.

    Parameters
    ----------
    table
        From `town_table`.
    page
        Its "title", and the file of a lot's folder that it "opens".
    run_id, program
        Where it comes from.
    units
        Of the page.
    """
    files = [
        geopackage_file(
            GEOPACKAGE, {TOWN_LAYER.name: table}, schema=TOWN_LAYERS,
            metadata={"run_id": run_id, "program": program},
        ),
        text_file(PAGE, town_page(table, units=units, **page)),
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
    table: gpd.GeoDataFrame, *, run_id: str, program: str, made_from: Mapping[str, Any],
    page: Mapping[str, str],
) -> dict[str, Any]:  # fmt: skip
    """
    Give the content of the `summary.json` of a batch.

    Parameters
    ----------
    table
        From `town_table`.
    run_id, program, made_from
        Where it comes from.
    page
        How its page was made.
    """
    counts = table["concern"].value_counts()
    wrong = table[table["outcome"] == "failed"]
    first = wrong.iloc[:TOLD]
    return {
        "schema_version": SCHEMA_VERSION,
        "lot": {"name": None},
        "town": {
            "lots": len(table),
            "failed": len(wrong),
            "concerns": {name: int(counts.get(name, 0)) for name in CONCERNS},
            "not_studied": [
                {"parcel": parcel, "reason": reason}
                for parcel, reason in zip(first["parcel"], first["reason"], strict=True)
            ],
            "page": dict(page),
        },
        "provenance": {"program": program, "run_id": run_id, **made_from},
    }
