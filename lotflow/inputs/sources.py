"""Where an input comes from: what was asked for, and how messages and provenance name it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from lotflow.errors import Fault


@dataclass(frozen=True)
class LayerFile:
    """
    The file a site layer is read from.

    Parameters
    ----------
    path
        GeoPackage, GeoJSON or Shapefile.
    layer
        Name of the layer in that file; None for its only layer, or the one of the same name.
    """

    path: Path
    layer: str | None = None


@dataclass(frozen=True)
class Source:
    """
    What a site layer was read from, for the provenance of a result.

    Parameters
    ----------
    layer
        Site layer.
    file
        Name of the file, without its folder.
    layer_in_file
        Name of the layer there.
    hashes
        SHA-256 of the file and of every part beside it that was read with it, by file name.
    rows
        Number of rows read.
    """

    layer: str
    file: str
    layer_in_file: str
    hashes: dict[str, str]
    rows: int


@dataclass(frozen=True)
class Place:
    """
    The file and layer that a message is about.

    Parameters
    ----------
    file
        The file as it was named.
    layer
        Name of the layer in the file.

    Examples
    --------
    >>> print(Place("site.gpkg", "walls").fault("height is missing", row=2))
    site.gpkg, layer walls, row 2: height is missing.
    """

    file: str
    layer: str

    def fault(
        self,
        rule: str,
        remedy: str = "",
        *,
        row: int | None = None,
        column: str | None = None,
        value: object = None,
    ) -> Fault:
        """
        Build a fault that stands in this layer.

        Parameters
        ----------
        rule, remedy, row, column, value
            As for `Fault`.
        """
        return Fault(rule, remedy, self.file, self.layer, row, column, value)
