"""What a raster says of how lotflow made it, by `fetch` or `grid`: shown by later runs."""

from __future__ import annotations

import json
from typing import Annotated, Any, Final, TypeVar

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from lotflow.findings import Finding
from lotflow.grid import FloatArray
from lotflow.text import clean_text

#: Names of the tags of a GeoTIFF that hold it.
FETCHED_TAG: Final = "LOTFLOW_FETCHED"
GRIDDED_TAG: Final = "LOTFLOW_GRIDDED"
#: No tag needs more [characters].
_LONGEST: Final = 100_000


def _clean(value: object) -> str:
    """Clean a text of at most 2000 characters."""
    return clean_text(str(value)[:2000], longest=2000)


_Text = Annotated[str, BeforeValidator(_clean)]


class FetchedTile(BaseModel):
    """
    One file that was fetched.

    Parameters
    ----------
    url
        Its address, without a query.
    etag, modified
        By which its version is told, as the server said; empty where it did not.
    size_bytes
        Of the whole file.
    sha256
        Of first and last byte and the SHA-256 of every part that was fetched, one a line.
    item
        Name of the STAC Item; empty where none was given.
    surveyed
        First and last day of the survey as the Item declares them; empty where it does not.
    vertical_unit, vertical_datum
        As file and Item declare them; empty where they do not.
    checked
        By what its numbers were verified: "adler-32", "sha-256", or "nothing".
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    url: _Text
    etag: _Text = ""
    modified: _Text = ""
    size_bytes: Annotated[int, Field(ge=0)]
    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    item: _Text = ""
    surveyed: Annotated[tuple[_Text, ...], Field(max_length=2)] = ()
    vertical_unit: _Text = ""
    vertical_datum: _Text = ""
    checked: Annotated[str, Field(pattern="^(adler-32|sha-256|nothing)$")]

    @property
    def host(self) -> str:
        """Host it came from."""
        return self.url.removeprefix("https://").partition("/")[0]


class Fetched(BaseModel):
    """
    Where a raster was fetched from.

    Parameters
    ----------
    tiles
        Of which it was made, the one that counts first where two overlap at the front.
    resampled
        Why its numbers are not those of the files; empty where they are.
    seam_step_m
        Largest step along a seam between two of them that is more than the ground's own [m].
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    tiles: Annotated[tuple[FetchedTile, ...], Field(min_length=1, max_length=16)]
    resampled: _Text = ""
    seam_step_m: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0

    def text(self) -> str:
        """Give the content of the tag."""
        return json.dumps(self.model_dump(mode="json"), sort_keys=True)

    @property
    def surveyed(self) -> tuple[str, ...]:
        """First and last day of all surveys that are known; empty where any is not."""
        if not all(tile.surveyed for tile in self.tiles):
            return ()
        days = sorted(day for tile in self.tiles for day in tile.surveyed)
        return days[0], days[-1]

    def findings(self, name: str) -> tuple[Finding, ...]:
        """
        Tell what a reader of results must know of it.

        Parameters
        ----------
        name
            Of the raster.
        """
        hosts = tuple(dict.fromkeys(tile.host for tile in self.tiles))
        facts: dict[str, Any] = {
            "hosts": hosts, "tiles": len(self.tiles), "surveyed": self.surveyed,
            "seam_step_m": self.seam_step_m,
        }  # fmt: skip
        found = [Finding("fetched", "note", name, facts=facts)]
        unverified = sum(tile.checked == "nothing" for tile in self.tiles)
        if unverified:
            facts = {"tiles": unverified, "of": len(self.tiles)}
            found.append(Finding("fetched-unverified", "note", name, facts=facts))
        return tuple(found)


class GriddedFile(BaseModel):
    """
    One file of lidar returns.

    Parameters
    ----------
    file
        Its name, without a folder.
    sha256
        Of the file.
    points, ground_points
        All returns in it, and those of the ground that were taken.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    file: _Text
    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    points: Annotated[int, Field(ge=0)]
    ground_points: Annotated[int, Field(ge=0)]


class GriddedLaw(BaseModel):
    """
    How far a level may be off: variance s0^2 + (c d^h)^2 at d metres from the nearest return.

    Parameters
    ----------
    s0_m, c, h
        Of that law.
    returns
        Number of returns that were left out to learn it.
    farthest_m
        Greatest distance at which it was learned [m].
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    s0_m: Annotated[float, Field(ge=0)]
    c: Annotated[float, Field(ge=0)]
    h: Annotated[float, Field(ge=0, le=3)]
    returns: Annotated[int, Field(ge=0)]
    farthest_m: Annotated[float, Field(ge=0)]

    def apart(self, distance_m: FloatArray) -> FloatArray:
        """Give the standard deviation that is added away from returns, at each distance [m]."""
        return np.asarray(self.c * distance_m**self.h)

    def within(self, distance_m: float) -> float:
        """Give what nine in ten levels are off by at most, at a distance from a return [m]."""
        return float(1.645 * (self.s0_m**2 + (self.c * distance_m**self.h) ** 2) ** 0.5)


class Gridded(BaseModel):
    """
    How a raster was made from lidar returns.

    Parameters
    ----------
    files
        Of the returns.
    cell_m, reach_m
        Side of a cell, and how far a cell may lie from a return [m].
    far_share
        Share of the cells that lie more than 1 m from every return.
    law
        How far levels may be off between returns; None where there were too few to tell.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    files: Annotated[tuple[GriddedFile, ...], Field(min_length=1, max_length=16)]
    cell_m: Annotated[float, Field(gt=0)]
    reach_m: Annotated[float, Field(gt=0)]
    far_share: Annotated[float, Field(ge=0, le=1)]
    law: GriddedLaw | None = None

    def text(self) -> str:
        """Give the content of the tag."""
        return json.dumps(self.model_dump(mode="json"), sort_keys=True)

    def findings(self, name: str) -> tuple[Finding, ...]:
        """
        Tell what a reader of results must know of it.

        Parameters
        ----------
        name
            Of the raster.
        """
        off = {d: self.law.within(d) if self.law else None for d in (1.0, 3.0)}
        facts = {
            "files": tuple(one.file for one in self.files), "far_share": self.far_share,
            "off_at_1_m": off[1.0], "off_at_3_m": off[3.0],
        }  # fmt: skip
        return (Finding("gridded", "note", name, facts=facts),)


_Tag = TypeVar("_Tag", Fetched, Gridded)


def tag_of(kind: type[_Tag], text: str | None) -> _Tag | None:
    """
    Read a tag of a raster; None where it has none, or one that lotflow did not write.

    Examples
    --------
    >>> tag_of(Fetched, '{"tiles": []}') is None
    True
    """
    if not text or len(text) > _LONGEST:
        return None
    try:
        return kind.model_validate_json(text)
    except (ValidationError, ValueError, RecursionError):
        return None
