"""
What a STAC Item says of an elevation raster: where it lies, when it was surveyed.

Items are text from strangers: they are read by this model and by nothing else, no link in them is
followed, and the address of a file goes to the door of this room and to no library.

References
----------
STAC Item specification 1.1.0; its extensions projection 2.0.0 (1.x: `proj:epsg`), file 2.1.0.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from lotflow.errors import Fault, InputError
from lotflow.text import clean_text, did_you_mean

#: No Item needs more [bytes].
ITEM_BYTES: Final = 2_000_000
_CALLED: Final = ("elevation", "data", "dem", "dtm")


def _day(value: object) -> date | None:
    """Take the day of a date and time, as RFC 3339 writes it."""
    if value is None:
        return None
    if not isinstance(value, str):
        raise ValueError("must be a date and time in quotes")  # noqa: TRY004 - pydantic's way
    return datetime.fromisoformat(value.strip().replace("Z", "+00:00")).date()


def _text(value: object) -> str:
    """Clean a text."""
    if not isinstance(value, str):
        raise ValueError("must be text in quotes")  # noqa: TRY004 - pydantic's way
    return clean_text(value)


_Day = Annotated[date | None, BeforeValidator(_day)]
_Text = Annotated[str, BeforeValidator(_text)]


class _Model(BaseModel):
    """Other keys are allowed by the specification, and left alone."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore", allow_inf_nan=False)


class Asset(_Model):
    """One file of an Item."""

    href: Annotated[str, Field(min_length=1, max_length=4096)]
    media_type: Annotated[_Text, Field(alias="type")] = ""
    roles: tuple[_Text, ...] = ()
    file_size: Annotated[int | None, Field(alias="file:size", ge=1)] = None
    file_checksum: Annotated[
        str | None, Field(alias="file:checksum", pattern="^[0-9a-fA-F]{2,200}$")
    ] = None
    bands: Annotated[tuple[dict[str, Any], ...], Field(alias="raster:bands")] = ()

    @property
    def unit(self) -> str:
        """Unit of the first band as it is declared; empty where it is not."""
        said = self.bands[0].get("unit") if self.bands else None
        return clean_text(said) if isinstance(said, str) else ""

    @property
    def sha256(self) -> str:
        """SHA-256 of the whole file, where the checksum is one (multihash code 0x12)."""
        said = (self.file_checksum or "").lower()
        return said[4:] if said.startswith("1220") and len(said) == 68 else ""


class _Properties(_Model):
    datetime: _Day = None
    start_datetime: _Day = None
    end_datetime: _Day = None
    code: Annotated[str | None, Field(alias="proj:code")] = None
    epsg: Annotated[int | None, Field(alias="proj:epsg")] = None
    shape: Annotated[tuple[int, int] | None, Field(alias="proj:shape")] = None
    transform: Annotated[tuple[float, ...] | None, Field(alias="proj:transform")] = None


class Item(_Model):
    """What is read of an Item."""

    type: Literal["Feature"]
    stac_version: _Text
    id: _Text
    properties: _Properties
    assets: Annotated[dict[str, Asset], Field(min_length=1, max_length=200)]

    @property
    def crs(self) -> str:
        """Code of the CRS, as "EPSG:26918"; empty where it is not said."""
        said = self.properties
        return said.code or (f"EPSG:{said.epsg}" if said.epsg else "")

    @property
    def surveyed(self) -> tuple[date, date] | None:
        """First and last day of the survey."""
        said = self.properties
        first = said.start_datetime or said.datetime
        last = said.end_datetime or said.datetime
        return (first, last) if first and last else None


@dataclass(frozen=True)
class Chosen:
    """The file of an Item that is to be fetched."""

    item: Item
    asset: Asset
    #: SHA-256 of the Item's text.
    sha256: str


def read_item(data: bytes, file: str, *, sha256: str, asset: str = "") -> Chosen:
    """
    Read an Item and choose its elevation raster.

    Parameters
    ----------
    data
        The text.
    file
        For messages.
    sha256
        Of the text, kept with what is chosen.
    asset
        Name of the file in the Item; empty for the only GeoTIFF of data.

    Raises
    ------
    InputError
        If it is no Item, or it is not clear which of its files is meant.
    """
    try:
        told = json.loads(data, parse_constant=_no_number)
        item = Item.model_validate_json(json.dumps(told))
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(map(str, first["loc"]))
        rule = f"this is no STAC Item that can be used: {key}: {first['msg']}"
        raise InputError(Fault(rule + _instead(told), "Name the Item of one tile", file)) from None
    except (ValueError, RecursionError):
        rule = "this is no STAC Item: it is no JSON text"
        raise InputError(Fault(rule, "Name the Item of one tile", file)) from None
    return Chosen(item, _asset(item, asset, file), sha256)


def _no_number(text: str) -> float:
    """Refuse NaN and infinity, which JSON does not know."""
    raise ValueError(text)


def _instead(told: object) -> str:
    """Say what else it is."""
    kind = told.get("type") if isinstance(told, dict) else None
    return f" (it is a {kind})" if kind in ("FeatureCollection", "Collection", "Catalog") else ""


def _asset(item: Item, name: str, file: str) -> Asset:
    """Give the asset that is named, or the one that can only be meant."""
    if name:
        if name in item.assets:
            return item.assets[name]
        remedy = f"{did_you_mean(name, list(item.assets))}"
        raise InputError(Fault(f"the Item has no asset {name!r}", remedy, file))
    tiffs = {
        key: asset
        for key, asset in item.assets.items()
        if asset.media_type.lower().startswith(("image/tiff", "image/vnd.stac.geotiff"))
    }
    found = {k: a for k, a in tiffs.items() if "data" in a.roles or k.lower() in _CALLED} or tiffs
    if len(found) == 1:
        return next(iter(found.values()))
    names = ", ".join(map(repr, found or item.assets))
    rule = "no asset of the Item is a GeoTIFF" if not found else "several assets are GeoTIFFs"
    raise InputError(Fault(f"{rule}: {names}", "Choose one with --asset NAME", file))
