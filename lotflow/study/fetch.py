"""`lotflow fetch`: elevation data of an area from where they lie into a local file."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from pyproj import CRS
from pyproj.exceptions import ProjError

from lotflow import __version__
from lotflow.advice.sentences import worded
from lotflow.errors import Fault, FetchError, InputError
from lotflow.fetching.http_door import Budget, Door, Place, Store, place_of
from lotflow.fetching.merging import Extract, merged, same_cells, window_of
from lotflow.fetching.remote_tiff import Plan, RemoteFile, RemoteTiff, naming
from lotflow.fetching.stac_item import ITEM_BYTES, Chosen, read_item
from lotflow.inputs.area import Area
from lotflow.inputs.georeference import horizontal_crs, vertical_name
from lotflow.inputs.limits import DEFAULT_LIMITS
from lotflow.inputs.open import local_file, read_bytes
from lotflow.inputs.raster_tags import FETCHED_TAG, Fetched, FetchedTile
from lotflow.outputs.fetched import PartStore, check_target, write_raster
from lotflow.study.chapter import say_nothing
from lotflow.text import megabytes

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lotflow.findings import Finding
    from lotflow.inputs.raster_header import RasterHeader
    from lotflow.study.chapter import Tell
    from lotflow.units import VerticalUnit


@dataclass(frozen=True)
class Order:
    """
    What is to be fetched.

    Parameters
    ----------
    stac
        Files or addresses of STAC Items.
    urls
        Addresses of GeoTIFFs; those of Items count first where files overlap.
    area
        What is asked for.
    vertical_unit
        Unit of the elevations, where the files do not say.
    asset
        Name of the file in the Items; empty for the one that can only be meant.
    whole
        Whether files are fetched whole, and held against the SHA-256 their Item states.
    proxy
        Host and port of a proxy; None for none.
    """

    stac: tuple[str, ...]
    urls: tuple[str, ...]
    area: Area
    vertical_unit: VerticalUnit | None = None
    asset: str = ""
    whole: bool = False
    proxy: tuple[str, int] | None = None


@dataclass(frozen=True)
class Planned:
    """
    What a fetch would take.

    Parameters
    ----------
    rows
        Per file: address, bytes, requests, and why it comes whole, empty where it does not.
    """

    rows: tuple[tuple[str, int, int, str], ...]


@dataclass(frozen=True)
class Done:
    """
    What was fetched.

    Parameters
    ----------
    fetched
        Where it comes from.
    extract
        What was written.
    findings
        What is to be known of it.
    octets, requests
        That this took; parts kept of an earlier try are not counted.
    """

    fetched: Fetched
    extract: Extract
    findings: tuple[Finding, ...]
    octets: int
    requests: int


def fetch(
    order: Order,
    output: Path,
    confirm: Callable[[str], bool],
    budget: Budget,
    *,
    overwrite: bool = False,
    tell: Tell = say_nothing,
) -> Done:
    """
    Fetch elevation data into a local GeoTIFF, with a file beside it that says where it is from.

    Parameters
    ----------
    order
        What is to be fetched.
    output
        Where it goes.
    confirm
        Tells whether a host may be asked.
    budget
        What it may take.
    overwrite
        Whether a raster that was fetched before, and not changed, may be replaced.
    tell
        Called with the name of each step.

    Raises
    ------
    FetchError
        If a server does not give what was asked for; what has come is kept for the next try.
    InputError
        If a file cannot be used.
    OutputError
        If the result cannot be written.
    """
    check_target(output, overwrite=overwrite)
    store = PartStore(output)
    with _opened(order, confirm, budget, store, tell) as (tiles, _):
        for tile, header in _come(tiles, tell):
            _check_hash(tile)
            tile.header = header
        tell("writing")
        try:
            done = _written(order, output, tiles, budget)
        except InputError:
            # damaged parts must come anew
            store.clear()
            raise
    return done


def plan(
    order: Order,
    confirm: Callable[[str], bool],
    budget: Budget,
    *,
    tell: Tell = say_nothing,
) -> Planned:
    """
    Ask for the directories of the files only, and tell what a fetch would take.

    Parameters
    ----------
    order, confirm, budget, tell
        As of `fetch`.
    """
    with _opened(order, confirm, budget, _KeepNothing(), tell, ask_only=True) as (tiles, whole):
        rows = [
            (tile.place.shown, sum(span.size for span in tile.plan.spans), len(tile.plan.spans), "")
            for tile in tiles
        ]
        return Planned((*rows, *whole))


class _KeepNothing:
    """What a plan puts what it has asked for: nothing is written."""

    def get(self, _: str, __: tuple[int, int], /) -> bytes | None:
        """Give nothing."""
        return None

    def put(self, _: str, __: tuple[int, int], ___: bytes, /) -> None:
        """Keep nothing."""


@dataclass(eq=False)
class _Tile:
    """One file that the area needs."""

    place: Place
    item: Chosen | None
    tiff: RemoteTiff
    plan: Plan
    header: RasterHeader


@contextmanager
def _opened(
    order: Order,
    confirm: Callable[[str], bool],
    budget: Budget,
    store: Store,
    tell: Tell,
    *,
    ask_only: bool = False,
) -> Iterator[tuple[list[_Tile], list[tuple[str, int, int, str]]]]:
    """Open the files of an order that the area touches; also those that would come whole."""
    with (
        TemporaryDirectory(prefix="lotflow-") as private,
        Door(confirm, budget, proxy=order.proxy) as door,
    ):
        tell("looking")
        tiles: list[_Tile] = []
        whole: list[tuple[str, int, int, str]] = []
        for number, (place, item) in enumerate(_places(order, door)):
            folder = Path(private, str(number))
            folder.mkdir()
            remote = RemoteFile(door, place, store, folder, whole=order.whole)
            _check_size(remote, item)
            if remote.why_whole and ask_only:
                whole.append((place.shown, max(remote.size, 0), 1, remote.why_whole))
                continue
            if remote.why_whole:
                remote.fetch_whole(
                    lambda octets: tell("looking", f"{megabytes(octets)} MB of a whole file")
                )
            tiff = RemoteTiff(remote, folder)
            with naming(place, tiff.path):
                _check_item(tiff, item)
                window = window_of(tiff.header, order.area)
            if not window.is_empty:
                tiles.append(_Tile(place, item, tiff, tiff.plan(window), tiff.header))
        if not tiles and not whole:
            raise InputError(
                "the area asked for lies outside every file",
                "Check the lot and its CRS, or name the tile that holds it",
            )
        yield tiles, whole


def _places(order: Order, door: Door) -> Iterator[tuple[Place, Chosen | None]]:
    """Give the files of an order in their order."""
    DEFAULT_LIMITS.check(
        "tiles", len((*order.stac, *order.urls)), "{} files are asked for", file="the order"
    )
    for text in order.stac:
        base = ""
        if text.lower().startswith(("https:", "http:")):
            place = place_of(text)
            data, base, shown = _text_of(door, place), place.url, place.shown
        else:
            shown = text
            data = read_bytes(local_file(text, "STAC Item"), ITEM_BYTES, "STAC Item")
        sha256 = hashlib.sha256(data).hexdigest()
        chosen = read_item(data, shown, sha256=sha256, asset=order.asset)
        try:
            yield place_of(chosen.asset.href, base=base), chosen
        except InputError as error:
            raise InputError([replace(one, file=shown) for one in error.faults]) from error
    for text in order.urls:
        yield place_of(text), None


def _text_of(door: Door, place: Place) -> bytes:
    """Fetch a short text."""
    parts: list[bytes] = []

    def sink(piece: bytes) -> None:
        parts.append(piece)
        if sum(map(len, parts)) > ITEM_BYTES:
            raise FetchError(f"{place.shown}: this is too long for a STAC Item.")

    door.whole(place, sink, parts.clear)
    return b"".join(parts)


def _check_size(remote: RemoteFile, item: Chosen | None) -> None:
    """Refuse a file of another length than its Item states."""
    said = item.asset.file_size if item else None
    if said is not None and remote.size not in (-1, said):
        raise FetchError(
            f"{remote.place.shown}: the file has {remote.size:,} bytes, its Item says {said:,}: it "
            "is not the file that the Item describes. Get the Item anew."
        )


def _check_item(tiff: RemoteTiff, item: Chosen | None) -> None:
    """Refuse a file that lies elsewhere than its Item states."""
    if item is None:
        return
    header, said = tiff.header, item.item.properties
    differs = []
    if said.shape is not None and said.shape != header.shape:
        differs.append(f"rows and columns {header.shape}, not {said.shape}")
    if (
        said.transform
        and header.transform
        and not same_cells(header.transform[:6], said.transform[:6])
    ):
        differs.append("another place or size of cells")
    if item.item.crs and header.crs is not None:
        with naming(tiff.remote.place, tiff.path):
            crs = horizontal_crs(header.crs)
        stated = _stated_crs(item.item.crs)
        if stated is not None and stated != crs:
            differs.append(f"{_code(crs) or crs.name}, not {item.item.crs[:40]}")
    if differs:
        raise InputError(
            Fault(f"the file is not the one that its Item describes: it has {'; '.join(differs)}",
                  "Get the Item anew", file=tiff.remote.place.shown)
        )  # fmt: skip


def _stated_crs(code: str) -> CRS | None:
    """Horizontal CRS of a code; None where it is of another kind, or unknown here."""
    match = re.fullmatch(r"EPSG:(\d{1,6})", code, re.IGNORECASE)
    if match is None:
        return None
    with suppress(ProjError):
        return horizontal_crs(CRS.from_epsg(int(match[1])))
    return None


def _code(crs: CRS) -> str:
    """Code of a CRS; empty where it has none."""
    authority = crs.to_authority()
    return ":".join(authority) if authority else ""


def _come(tiles: Sequence[_Tile], tell: Tell) -> Iterator[tuple[_Tile, RasterHeader]]:
    """Have the blocks of every file come."""
    whole = sum(span.size for tile in tiles for span in tile.plan.spans)
    got: list[int] = []
    tell("fetching")

    def here(octets: int) -> None:
        got.append(octets)
        tell("fetching", f"{megabytes(sum(got))} of {megabytes(whole)} MB")

    for tile in tiles:
        yield tile, tile.tiff.fetch(tile.plan, here)


def _check_hash(tile: _Tile) -> None:
    """Hold a file that came whole against the SHA-256 its Item states."""
    said = tile.item.asset.sha256 if tile.item else ""
    if said and tile.tiff.remote.local is not None and said != tile.tiff.remote.sha256:
        raise FetchError(
            f"{tile.place.shown}: the file has another SHA-256 than its Item states: it is "
            "damaged, or another version. Get the Item anew, or ask who publishes it."
        )


def _written(order: Order, output: Path, tiles: Sequence[_Tile], budget: Budget) -> Done:
    """Put together what has come, and write it."""
    with _naming_all(tiles):
        extract = merged([tile.header for tile in tiles], order.area, order.vertical_unit)
    if not extract.used:
        raise InputError("the files have no elevation in the area asked for",
                         "Name the tile that holds it")  # fmt: skip
    used = [tiles[number] for number in extract.used]
    steps = [one.measured or 0.0 for one in extract.findings]
    fetched = Fetched(
        tiles=tuple(_described(tile) for tile in used),
        resampled=extract.resampled,
        seam_step_m=round(max(steps, default=0.0), 4),
    )
    findings = worded([*extract.findings, *fetched.findings(output.name)])
    write_raster(
        output,
        {"elevation": extract.values},
        transform=extract.transform,
        crs=extract.crs,
        nodata=extract.nodata,
        units=(extract.unit,),
        tags={FETCHED_TAG: fetched.text()},
        record=_record(order, extract, fetched, used, findings),
        scale=extract.scale,
        offset=extract.offset,
    )
    return Done(fetched, extract, findings, budget.octets_taken, budget.requests_taken)


@contextmanager
def _naming_all(tiles: Sequence[_Tile]) -> Iterator[None]:
    """Name addresses in faults instead of the local files."""
    try:
        yield
    except InputError as error:
        told = {str(tile.tiff.path): tile.place.shown for tile in tiles}
        raise InputError(
            [replace(one, file=told.get(one.file or "", one.file)) for one in error.faults]
        ) from error


def _described(tile: _Tile) -> FetchedTile:
    """Say where a file comes from."""
    remote, item = tile.tiff.remote, tile.item
    parts = "\n".join(f"{first} {last} {sha256}" for first, last, sha256 in remote.fingerprints())
    checked = "adler-32" if tile.tiff.has_checksum else "nothing"
    if item and item.asset.sha256 and remote.local is not None:
        checked = "sha-256"
    return FetchedTile(
        url=remote.known.place.shown,
        etag=remote.known.tag,
        modified=remote.known.modified,
        size_bytes=remote.size,
        sha256=hashlib.sha256(parts.encode()).hexdigest(),
        item=item.item.id if item else "",
        surveyed=tuple(map(str, item.item.surveyed or ())) if item else (),
        vertical_unit=tile.header.unit or (item.asset.unit if item else ""),
        vertical_datum=vertical_name(tile.header.crs) or "",
        checked=checked,
    )


def _record(
    order: Order,
    extract: Extract,
    fetched: Fetched,
    used: Sequence[_Tile],
    findings: Sequence[Finding],
) -> dict[str, Any]:
    """Say all that is known of where a raster comes from."""
    told = fetched.model_dump(mode="json")
    for tile, entry in zip(used, told["tiles"], strict=True):
        entry["parts"] = [list(part) for part in tile.tiff.remote.fingerprints()]
        entry["item_sha256"] = tile.item.sha256 if tile.item else ""
        entry["came_whole"] = tile.tiff.remote.why_whole
    return {
        "lotflow": __version__,
        "area": {
            "bounds": list(order.area.bounds),
            "crs": _code(order.area.crs) or order.area.crs.name,
            "margin_m": order.area.margin_m,
        },
        "beyond": list(extract.beyond),
        "covered": round(extract.covered, 6),
        "vertical_unit_declared": order.vertical_unit,
        **told,
        "findings": [one.as_dict() for one in findings],
    }
