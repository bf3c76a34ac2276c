"""From parcels to the overview of a town: the order of the steps."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from lotflow import __version__
from lotflow.errors import EngineError, InputError, LotflowError
from lotflow.inputs.elevation import inspect_elevation
from lotflow.inputs.open import files_kept, hashes_of, local_file
from lotflow.inputs.parcels import Parcels, read_parcels
from lotflow.inputs.usual_units import unit_choice
from lotflow.layers.result_town import CONCERNS
from lotflow.outputs.journal import LOTS, Journal, journal_of, made_lots_folder
from lotflow.outputs.manifest import COMPLETE, MANIFEST, Subject, read_manifest
from lotflow.outputs.positions import place_of
from lotflow.outputs.provenance import library_versions
from lotflow.outputs.result_set import check_result_folder, write_result_set
from lotflow.outputs.town import NAMES, town_files, town_summary, town_table
from lotflow.town.engine import Crew, run_lots
from lotflow.town.identity import page_of, run_id_of
from lotflow.town.lots import Lot, TownJob, failed

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    import geopandas as gpd

    from lotflow.units import UnitSystem


@dataclass(frozen=True)
class Keep:
    """
    Which lots' folders are kept.

    Parameters
    ----------
    folders
        Whether every lot's is.
    worst
        Of so many of the lots with the worst concern, where not every one's is.
    """

    folders: bool = False
    worst: int = 0


class Watch(Protocol):
    """Is told how far a batch has come."""

    def __call__(self, done: int, of: int, /) -> None:
        """Tell how many lots are done of how many."""


@dataclass(frozen=True, eq=False)
class Town:
    """
    What came of a batch.

    Parameters
    ----------
    table
        The overview, one row per parcel.
    told
        What its summary tells of it, for `town_text`.
    studied
        Lots that were studied now; the others were known already.
    kept
        New names of files that were not as a batch has left them.
    """

    table: gpd.GeoDataFrame
    told: Mapping[str, Any]
    studied: int
    kept: Mapping[str, str]


def run_batch(
    town: TownJob, folder: Path, *, keep: Keep, crew: Crew, overwrite: bool = False,
    retry: bool = False, watch: Watch = lambda _, __: None,
) -> Town:  # fmt: skip
    """
    Screen every lot of a layer of parcels and write the overview.

    The same batch into the same folder goes on where it stopped.

    Parameters
    ----------
    town
        What all lots have in common; whether folders are kept says `keep`.
    folder
        Of the overview.
    keep
        Which lots' folders are kept.
    crew
        Who works.
    overwrite
        Whether the batch of other inputs there may be replaced.
    retry
        Whether lots are studied again that could not be studied before.
    watch
        Told how many lots are done.

    Raises
    ------
    InputError
        If the parcels or the elevation data cannot be used at all.
    OutputError
        If the folder must not be written to, or cannot be.
    EngineError
        If the workers cannot do this work.
    """
    folder = folder.resolve()
    with files_kept():
        parcels = read_parcels(Path(town.layers["lot"]), town.key)
        town, units, made_from = _settled(town, parcels)
    run_id, page = run_id_of(town), page_of(town, folder)
    inputs = [Path(file) for file in (*town.elevation, *town.layers.values())]
    # with none there, what a batch keeps beside its result is not taken for somebody's own
    replaces = overwrite and (folder / MANIFEST).exists()
    check_result_folder(folder, NAMES, subject=Subject("batch"), overwrite=replaces, inputs=inputs)
    with journal_of(folder, run_id, overwrite=overwrite) as journal:
        if retry:
            journal.forget_failed()
        studied = _study_all(town, folder, parcels, keep, crew, journal, watch)
        rows = _rows(parcels, journal.rows)
        table = town_table(rows, parcels.shapes)
        kept: dict[str, str] = {}
        own: dict[str, Any] = {
            "page": page, "run_id": run_id, "program": f"lotflow {__version__}",
        }  # fmt: skip
        summary = town_summary(table, made_from=made_from, **own)
        write_result_set(
            folder, town_files(table, units=units, **own), summary, overwrite=replaces,
            inputs=inputs, tell_kept=kept.update,
        )  # fmt: skip
    return Town(table, summary["town"], studied, kept)


def _settled(town: TownJob, parcels: Parcels) -> tuple[TownJob, UnitSystem, dict[str, Any]]:
    """Give the job with whole paths, the units of the page, and what it is all made from."""
    files = {name: local_file(file, f"file of the layer {name}") for name, file in
             town.layers.items()}  # fmt: skip
    source = inspect_elevation(tuple(map(Path, town.elevation)), vertical_unit=town.vertical_unit)
    somewhere = parcels.shapes.dropna().iloc[:1].to_crs(source.crs).to_frame("geometry")
    if somewhere.empty:
        raise InputError(f"{files['lot'].name} has no parcel with a polygon", "Check the layer")
    units = unit_choice(
        town.units, source.file_crs, source.vertical_unit, place_of(somewhere)
    ).units
    whole = replace(
        town, elevation=tuple(str(Path(file).resolve()) for file in town.elevation),
        layers={name: str(file.resolve()) for name, file in files.items()},
    )  # fmt: skip
    made_from = {
        "elevation": source.describe(),
        "layers": [
            {"layer": name, "file": file.name, "sha256": hashes_of(file)}
            for name, file in files.items()
        ],
        "options": {
            "key": town.key, "vertical_unit": town.vertical_unit, "units": town.units,
            "realisations": town.realisations,
        },
        "libraries": library_versions(),
    }  # fmt: skip
    return whole, units, made_from


def _study_all(
    town: TownJob, folder: Path, parcels: Parcels, keep: Keep, crew: Crew, journal: Journal,
    watch: Watch,
) -> int:  # fmt: skip
    """Study what is not known yet; of the worst lots again, to keep their folders."""
    lots = [Lot(parcels.keys[row], parcels.folder(row)) for row in parcels.in_order()]
    own = replace(town, folders=str(made_lots_folder(folder)) if keep.folders else None)
    missing = [lot for lot in lots if not _is_known(journal.rows, folder, lot, keep.folders)]
    _study(own, missing, crew, journal, _counting(watch, len(lots), len(lots) - len(missing)))
    studied = len(missing)
    if keep.worst and not keep.folders:
        worst = _worst(lots, journal.rows, keep.worst)
        again = [lot for lot in worst if not _is_known(journal.rows, folder, lot, True)]
        _study(
            replace(town, folders=str(made_lots_folder(folder))), again, crew, journal,
            _counting(watch, len(worst), len(worst) - len(again)),
        )  # fmt: skip
        studied += len(again)
    return studied


def _study(
    town: TownJob, lots: Sequence[Lot], crew: Crew, journal: Journal, tick: Callable[[], None]
) -> None:
    """Study some lots, each written down as soon as it is done."""

    def take(row: dict[str, Any]) -> None:
        journal.add(row)
        tick()

    if lots:
        try:
            run_lots(town, lots, crew, take)
        except BaseException as stop:
            rest = f"{len(journal.rows):,} lots are kept, the same command goes on with the others"
            stop.add_note(rest)
            if isinstance(stop, EngineError):
                raise EngineError(f"{stop}; {rest}.") from stop
            raise


def _counting(watch: Watch, of: int, done: int) -> Callable[[], None]:
    """Count lots as they are done."""
    watch(done, of)

    def tick() -> None:
        nonlocal done
        done += 1
        watch(done, of)

    return tick


def _is_known(
    rows: Mapping[str, Mapping[str, Any]], folder: Path, lot: Lot, with_folder: bool
) -> bool:
    """Tell whether a lot need not be studied: its row is there, and its folder if it is wanted."""
    row = rows.get(lot.key)
    if row is None:
        return False
    if not with_folder or row["outcome"] == "failed":
        return True
    manifest: Mapping[str, Any] = {}
    with suppress(LotflowError):
        manifest = read_manifest(folder / LOTS / lot.folder)
    is_whole = manifest.get("state") == COMPLETE
    return is_whole and manifest.get("provenance", {}).get("run_id") == row["run_id"]


def _worst(lots: Iterable[Lot], rows: Mapping[str, Mapping[str, Any]], number: int) -> list[Lot]:
    """Lots with the worst concern; of one concern those with most harm, then deepest water."""

    def order(lot: Lot) -> tuple[int, int, float]:
        row = rows[lot.key]
        place = CONCERNS.index(row["concern"])
        return place, -row["harm_rows"], -(row["deepest_m"] or 0.0)

    return sorted((lot for lot in lots if rows[lot.key]["outcome"] == "done"), key=order)[:number]


def _rows(parcels: Parcels, known: Mapping[str, Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """One row per parcel, in the order of the file."""
    rows: list[Mapping[str, Any]] = []
    for row, key in enumerate(parcels.keys):
        told = failed(key, parcels.reasons[row]) if row in parcels.reasons else known[key]
        folder = f"{LOTS}/{told['folder']}" if told["folder"] else ""
        rows.append({**told, "folder": folder, "overlaps": parcels.overlaps[row]})
    return rows
