"""How much an input may hold, said in one place."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final

from lotflow.errors import Fault, InputError


@dataclass(frozen=True)
class Limits:
    """
    How much an input may hold; checked before memory is taken, and named in the error.

    Examples
    --------
    >>> Limits(features=10).check("features", 12, "the layer holds {} features", file="a.geojson")
    Traceback (most recent call last):
    lotflow.errors.InputError: a.geojson: the layer holds 12 features, more than the limit
    features = 10. Cut the file down to the surroundings of the lot.
    """

    #: Cells of the window read from a raster.
    window_cells: int = 25_000_000
    #: Cells of one block (tile or strip) of a raster.
    block_cells: int = 16_000_000
    #: Decoded bytes of all blocks the window touches.
    decoded_bytes: int = 1 << 30
    #: Number of raster files given together.
    tiles: int = 16
    #: Size of an ASCII grid, of a vector file with its parts, of the job file, of a table such as
    #: rainfall, and of a `.prj` or `.tfw`.
    text_raster_bytes: int = 100_000_000
    vector_bytes: int = 200_000_000
    job_bytes: int = 256_000
    table_bytes: int = 2_000_000
    side_file_bytes: int = 64_000
    #: Features, vertices and columns of one vector layer.
    features: int = 100_000
    vertices: int = 1_000_000
    columns: int = 256
    #: Points of one lidar file, and ground points that are gridded together.
    points: int = 500_000_000
    ground_points: int = 5_000_000
    #: Time in which a GeoPackage must have passed its own check.
    database_seconds: int = 5

    def check(self, name: str, measured: int, says: str, *, file: str) -> None:
        """Raise where an input holds more than it may."""
        limit = getattr(self, name)
        if measured > limit:
            raise InputError(
                Fault(
                    f"{says.format(f'{measured:,}')}, more than the limit {name} = {limit:,}",
                    "Cut the file down to the surroundings of the lot",
                    file=file,
                )
            )

    def as_dict(self) -> dict[str, int]:
        """Every limit by its name."""
        return {item.name: getattr(self, item.name) for item in fields(self)}


#: What holds where the caller states nothing else.
DEFAULT_LIMITS: Final = Limits()
