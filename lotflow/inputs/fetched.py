"""What a raster says of how it was fetched: written by `lotflow fetch`, shown by later runs."""

from __future__ import annotations

import json
from typing import Annotated, Any, Final

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from lotflow.findings import Finding
from lotflow.text import clean_text

#: Name of the tag of a GeoTIFF that holds it.
FETCHED_TAG: Final = "LOTFLOW_FETCHED"
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


def fetched_of(text: str | None) -> Fetched | None:
    """
    Read the tag of a raster; None where it has none, or one that `lotflow fetch` did not write.

    Examples
    --------
    >>> fetched_of('{"tiles": []}') is None
    True
    """
    if not text or len(text) > _LONGEST:
        return None
    try:
        return Fetched.model_validate_json(text)
    except (ValidationError, ValueError, RecursionError):
        return None
