"""
Levels measured on site: drawn points and level notes become one layer, and feed what they are of.

A point of level notes has its place by x and y, by the name of something drawn, or by a numbered
place of the field sheet. Sills, rims and inverts are levels of openings, buildings, inlets,
outlets and ends of lines, and count there as measured.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import shapely
from geopandas import GeoDataFrame

from lotflow.errors import Fault, InputError
from lotflow.inputs.columns import read_columns, repeated
from lotflow.inputs.level_notes import LevelNotes, read_level_notes
from lotflow.inputs.results import SheetPlace, places_of_sheet
from lotflow.inputs.site import Site, in_raster_datum
from lotflow.inputs.sources import Place, Source, naming_files
from lotflow.layers import GROUND_KINDS, SITE_LAYERS
from lotflow.layers.columns import SURFACE_KINDS
from lotflow.text import as_it_looks, did_you_mean
from lotflow.units import TO_SI, both_units

if TYPE_CHECKING:
    from pathlib import Path

    from lotflow.grid import Grid, IntArray
    from lotflow.inputs.job import Job
    from lotflow.inputs.site import LevelBook
    from lotflow.units import VerticalUnit

#: Standard deviations that are assumed [m], and what soft ground adds by squares: common practice,
#: no published source.
_BY_LEVEL_M: Final = 0.005
_BY_SATELLITE_M: Final = 0.020
_SOFT_GROUND_M: Final = 0.010
_SOFT_KINDS: Final = ("lawn", "planting")
#: How well a point is placed that was drawn or named: common practice, no published source [m].
_PLACED_WITHIN_M: Final = 0.3
#: Shots nearer than this are of one place [m], and differ beyond so many deviations: lotflow's
#: rule.
_ONE_PLACE_M: Final = 0.1
_DEVIATIONS: Final = 3.0
#: Two levels of one thing that differ by more do not belong together [m]: half an inch, common
#: practice, no published source; more where their deviations are larger.
_ONE_LEVEL_M: Final = 0.0127

#: Levels of one thing farther apart are hardly of one datum [m]: lotflow's rule.
_ONE_DATUM_M: Final = 3.0

#: Kinds of levels that are of something drawn.
_OF_THINGS: Final = ("sill", "rim", "invert")

_SHOTS: Final = SITE_LAYERS["shots"]
#: Of its columns those that notes give as they were written.
_WRITTEN: Final = tuple(
    name
    for column in _SHOTS.columns
    if column.name not in ("name", "level")
    for name in column.file_names
)


@dataclass(frozen=True)
class _Thing:
    """Something a crew may name: its place, and the level that a shot of it gives."""

    name: str
    x: float = math.nan
    y: float = math.nan
    #: Column that holds its level; empty for a place alone.
    layer: str = ""
    column: str = ""
    row: int = -1
    #: Kinds of shots that are of that level.
    kinds: tuple[str, ...] = ()
    #: The kind that is meant where nobody says it; empty where it must be said.
    usual: str = ""
    #: What is drawn there whose level it is, of a place of the field sheet; itself otherwise.
    subject: str = ""
    #: Whether a level of it is only compared, unless the notes say otherwise.
    only_compared: bool = False


#: By their names as they are compared.
_Things = Mapping[str, Sequence[_Thing]]


def with_shots(site: Site, job: Job, *, crs_name: str, vertical_unit: VerticalUnit) -> Site:
    """
    Add the points of a job's level notes to the layer of shots, and settle what was not stated.

    Parameters
    ----------
    site
        As it was read, levels as they were given.
    job
        Names the notes, and tells whether the site has a benchmark of its own.
    crs_name
        Of the CRS of the grid, in which an earlier result must be whose places are named.
    vertical_unit
        Unit of the raster's elevations: feet in its reference are its feet.

    Returns
    -------
    site
        Its layer of shots without missing datum, deviation, placed_within and counts.

    Raises
    ------
    InputError
        With every fault of the notes, each with its line.
    """
    printed: list[SheetPlace] = []
    if job.levels is not None and job.levels.places is not None:
        printed = places_of_sheet(job.levels.places, crs_name=crs_name)
    site = replace(site, shots=site.shots.assign(is_noted=False))
    if job.levels is not None and job.levels.notes:
        site = _with_notes(site, job, _things(site, printed), vertical_unit)
    if not len(site.shots):
        return site
    with naming_files(site.sources):
        faults = _name_faults(site.shots)
        site = replace(site, shots=_settled(site.shots, job))
        faults += [] if job.has_benchmark else _benchmark_faults(site.shots)
        if faults:
            raise InputError(faults)
    return site


def _settled(shots: GeoDataFrame, job: Job) -> GeoDataFrame:
    """Fill in what is assumed where nobody has stated it."""
    datum = shots["datum"].fillna("benchmark" if job.has_benchmark else "raster")
    levelled = shots["is_noted"] | (datum == "benchmark")
    instrument = np.where(levelled, _BY_LEVEL_M, _BY_SATELLITE_M)
    soft = np.where(shots["surface_kind"].isin(_SOFT_KINDS), _SOFT_GROUND_M, 0.0)
    assumed = pd.Series(np.hypot(instrument, soft), index=shots.index)
    return shots.assign(
        datum=datum,
        deviation_m=shots["deviation_m"].fillna(assumed),
        placed_within_m=shots["placed_within_m"].fillna(_PLACED_WITHIN_M),
        counts=shots["counts"].fillna("yes"),
    )


def _benchmark_faults(shots: GeoDataFrame) -> list[Fault]:
    """Refuse levels from a benchmark that nobody has told."""
    return [
        Fault(
            "the level is taken from a benchmark, and the job has none",
            "Give benchmark and elevation_m in [levels], or say datum = raster",
            layer="shots", row=row, column="datum", value=datum,
        )
        for row, datum in enumerate(shots["datum"], 1)
        if datum == "benchmark"
    ]  # fmt: skip


def _name_faults(shots: GeoDataFrame) -> list[Fault]:
    """Refuse two shots of one name; within one table they were looked for."""
    names = shots["name"].tolist()
    return [
        Fault(
            f"names must be unique, an earlier shot has {rule}", "Rename one of them",
            layer="shots", row=row + 1, column="name", value=names[row],
        )
        for row, _, rule in repeated(names)
    ]  # fmt: skip


# level notes


@dataclass(frozen=True, eq=False)
class _Point:
    """A point of level notes with all that was noted of it."""

    name: str
    file: str
    #: Of the first row that tells its place or what it is.
    line: int
    level_m: float
    x: float
    y: float
    texts: Mapping[str, str]
    in_feet: bool

    def fault(self, rule: str, remedy: str, column: str = "", value: object = None) -> Fault:
        return Fault(rule, remedy, file=self.file, line=self.line, column=column or None,
                     value=self.name if value is None else value)  # fmt: skip


def _with_notes(site: Site, job: Job, things: _Things, vertical_unit: VerticalUnit) -> Site:
    """Add the placed points of the notes of a job, behind the drawn ones."""
    books = _books(job)
    points, faults = _points(books)
    placed: list[_Point] = []
    for point in points:
        found, wrong = _placed(point, things)
        faults += wrong
        placed += [found] if found is not None else []
    table = pd.DataFrame(
        [{"name": p.name, "level_m": p.level_m, "surface_kind": "", **p.texts} for p in placed],
        dtype=object,
    ).replace("", None)
    known = {name: name for name in ("name", "level_m", *_WRITTEN) if name in table}
    columns, wrong = read_columns(
        table, known, _SHOTS, Place("", "shots"), vertical_unit=vertical_unit
    )
    for fault in wrong:
        at = placed[(fault.row or 1) - 1]
        faults.append(replace(fault, file=at.file, line=at.line, layer=None, row=None))
    if faults:
        raise InputError(sorted(faults, key=lambda fault: (fault.file or "", fault.line or 0)))
    if vertical_unit == "us-ft" and not job.has_benchmark:
        # in the raster's reference a foot is the raster's foot
        feet = TO_SI["us-ft"] / TO_SI["ft"]
        columns["level_m"] *= np.array([feet if p.in_feet else 1.0 for p in placed])
    shapes = shapely.points([p.x for p in placed], [p.y for p in placed])
    noted = GeoDataFrame(columns, geometry=shapes, crs=site.lot.crs).assign(is_noted=True)
    both = [frame for frame in (site.shots, noted) if len(frame)]
    shots = pd.concat(both, ignore_index=True) if both else site.shots
    return replace(
        site, shots=shots, given=site.given | ({"shots"} if len(shots) else set()),
        sources=_sources(site, books, placed), level_books=tuple(books),
    )  # fmt: skip


def _books(job: Job) -> list[LevelBook]:
    """Read the notes of a job; notes that nothing checks do not become part of it."""
    books: list[LevelBook] = []
    faults: list[Fault] = []
    paths: tuple[Path, ...] = () if job.levels is None else job.levels.notes
    for path in dict.fromkeys(paths):
        try:
            notes = read_level_notes(
                path, job.unit_of_notes, misclosure_m=job.criteria.misclosure_m
            )
        except InputError as error:
            faults += error.faults
            continue
        if not notes.is_closed:
            open_run = math.isnan(notes.misclosure_m)
            faults.append(
                Fault(
                    "the notes close on no known point: nothing checks them" if open_run else
                    "the notes go on after they were closed: nothing checks what comes last",
                    "Read the rod on the benchmark again at the end, as a foresight",
                    file=str(path), line=int(notes.points["line_of_file"].iloc[-1]),
                )
            )  # fmt: skip
        books.append((path, notes))
    if faults:
        raise InputError(faults)
    return books


def _points(books: Sequence[LevelBook]) -> tuple[list[_Point], list[Fault]]:
    """Gather the readings of each point over all notes; what is only turned on drops out."""
    sights: dict[str, list[tuple[str, Mapping[Any, Any], LevelNotes]]] = {}
    for path, notes in books:
        for row in notes.points.to_dict("records"):
            sights.setdefault(as_it_looks(row["point"]), []).append((str(path), row, notes))
    points: list[_Point] = []
    faults: list[Fault] = []
    for seen in sights.values():
        told = [sight for sight in seen if _tells(sight[1])]
        if not told:
            continue
        texts: dict[str, str] = {}
        for _, row, _ in reversed(told):
            texts |= {key: value for key in (*_WRITTEN, "place") if (value := row.get(key))}
        place = next((row for _, row, _ in told if not math.isnan(row["x"] + row["y"])), told[0][1])
        levels = [row["adjusted_m"] for _, row, _ in seen]
        file, first, notes = told[0]
        point = _Point(first["point"], file, first["line_of_file"], float(np.mean(levels)),
                       place["x"], place["y"], texts, notes.unit == "ft")  # fmt: skip
        points.append(point)
        faults += _sight_faults(point, seen, told, levels)
    return points, faults


def _tells(row: Mapping[str, Any]) -> bool:
    """Whether a row says more of its point than that the rod was read there."""
    texts = ("place", "surface_kind", "subject", "line")
    return any(row.get(key) for key in texts) or not math.isnan(row["x"] * row["y"])


def _sight_faults(
    point: _Point, seen: Sequence[tuple[str, Mapping[Any, Any], LevelNotes]],
    told: Sequence[tuple[str, Mapping[Any, Any], LevelNotes]], levels: Sequence[float],
) -> Iterator[Fault]:  # fmt: skip
    """Refuse readings of one point that do not belong together."""
    apart, allowed = float(np.ptp(levels)), max(notes.allowed_m for _, _, notes in seen)
    allowed = max(allowed, _ONE_LEVEL_M)
    if apart > allowed + 5e-7:
        yield point.fault(
            f"two readings of the point differ by {both_units(apart, 'depth')}, "
            f"{both_units(allowed, 'depth')} are allowed",
            "Level it again, or give what was another point a name of its own",
        )
    for key in ("x", "y", "place", "surface_kind"):
        given = {row[key] for _, row, _ in told} - {""}
        given = {one for one in given if isinstance(one, str) or not math.isnan(one)}
        if len(given) > 1:
            yield point.fault(
                f"{key} of the point is given twice, and differs",
                "Give it once, or give what is another point a name of its own", key,
            )  # fmt: skip


def _placed(  # noqa: PLR0911 - one rule after the other
    point: _Point, things: _Things
) -> tuple[_Point | None, list[Fault]]:
    """Settle where a point is, and what it is of where its place tells that."""
    called, kind = point.texts.get("place", ""), point.texts.get("surface_kind", "")
    if math.isnan(point.x) != math.isnan(point.y):
        return None, [point.fault("x and y belong together", "Give both", "x")]
    found = things.get(_folded(called), [])
    if called and not found:
        return None, [point.fault(_NO_SUCH_PLACE, _offered(called, things), "place", called)]
    if not called:
        if math.isnan(point.x):
            return None, [
                point.fault(
                    "nobody knows where the point is",
                    "Give x and y, or in place the name of what is drawn there or a place of the "
                    "field sheet as it is printed",
                )
            ]
        return _with_kind(point)
    meant = [one for one in found if kind in one.kinds or (not kind and one.usual)] or found
    at = [one for one in meant if not math.isnan(one.x)]
    if math.isnan(point.x):
        if len({(one.x, one.y) for one in at}) != 1:
            rule = "has no place of its own" if not at else "is the name of several things"
            return None, [point.fault(f"this {rule}", "Give x and y", "place", called)]
        point = replace(point, x=at[0].x, y=at[0].y)
    texts, one = dict(point.texts), meant[0]
    if one.usual in _OF_THINGS and not one.layer and kind not in ("", one.usual):
        rule = f"the field sheet asks for the {one.usual} there, and the rod stood on {kind}"
        remedy = "Leave on empty, or name another place"
        return None, [point.fault(rule, remedy, "surface_kind", kind)]
    if not kind and len({one.usual for one in meant}) == 1:
        texts["surface_kind"] = meant[0].usual
    texts.setdefault("subject", one.subject or called)
    if one.only_compared:
        texts["counts"] = texts.get("counts") or "check"
    return _with_kind(replace(point, texts=texts))


def _with_kind(point: _Point) -> tuple[_Point | None, list[Fault]]:
    """Ask what the rod stood on where neither the notes nor the place tells."""
    if point.texts.get("surface_kind"):
        return point, []
    rule = "the notes do not say what the rod stood on"
    remedy = f"Write it in the column on: {', '.join(SURFACE_KINDS)}"
    return None, [point.fault(rule, remedy, "surface_kind")]


def _sources(
    site: Site, books: Sequence[LevelBook], placed: Sequence[_Point]
) -> tuple[Source, ...]:
    """Say for the provenance and for messages from which notes the last rows of shots come."""
    others = [one for one in site.sources if one.layer != "shots"]
    own = next((one for one in site.sources if one.layer == "shots"), None)
    files = [path.name for path, _ in books]
    hashes = {path.name: notes.sha256 for path, notes in books}
    noted = tuple((point.file, point.line) for point in placed)
    if own is None or not own.rows:
        own = Source("shots", ", ".join(files), "level notes", hashes, len(placed), noted=noted,
                     path=", ".join(str(path) for path, _ in books))  # fmt: skip
    else:
        own = replace(
            own, file=", ".join((own.file, *files)), hashes={**own.hashes, **hashes},
            rows=own.rows + len(placed), noted=noted,
        )  # fmt: skip
    return (*others, own)


# what crews name


_NO_SUCH_PLACE: Final = "nothing is drawn by this name, and the field sheet has no such place"


def _things(site: Site, printed: Sequence[SheetPlace]) -> _Things:
    """List everything a crew may name as the place or the subject of a level, by its name."""
    found = [
        _Thing(one.name, one.x, one.y, usual=one.surface_kind, subject=one.subject,
               only_compared=one.only_compared)
        for one in printed
    ]  # fmt: skip
    sides = (
        ("openings", "sill_m", ("sill", "rim"), "sill"),
        ("inlets", "rim_m", ("rim",), "rim"),
        ("outlets", "invert_m", ("invert",), "invert"),
        ("downspouts", "", (), ""),
    )
    for layer, column, kinds, usual in sides:
        for row, name, point in _rows(getattr(site, layer)):
            found.append(_Thing(name, point.x, point.y, layer, column, row, kinds, usual))
    for row, name, _ in _rows(site.buildings):
        found.append(_Thing(name, layer="buildings", column="threshold_m", row=row,
                            kinds=("sill",), usual="sill"))  # fmt: skip
    lines = site.drain_lines
    for row, name, _ in _rows(lines):
        shape = lines.geometry.iloc[row]
        for end, at, of in (("upper", 0, "up"), ("lower", -1, "down")):
            x, y = shapely.get_coordinates(shape)[at]
            level = _Thing(f"{name} {end} end", x, y, "drain_lines", f"invert_{of}_m", row,
                           ("invert",), "invert")  # fmt: skip
            # the line alone is one of its ends: which, the place of the shot tells
            found += [level, replace(level, name=name, usual="")]
            node = lines[f"{'from' if end == 'upper' else 'to'}_node"].iloc[row]
            if node and end == "upper":
                found.append(replace(level, name=str(node), usual=""))
    things: dict[str, list[_Thing]] = {}
    for one in found:
        things.setdefault(_folded(one.name), []).append(one)
    return things


def _rows(frame: GeoDataFrame) -> Iterator[tuple[int, str, Any]]:
    """Give row, name and a point of everything that has a name."""
    for row, (name, shape) in enumerate(zip(frame["name"], frame.geometry, strict=True)):
        if name:
            is_point = shape.geom_type == "Point"
            yield row, str(name), shape if is_point else shape.representative_point()


def _folded(name: str) -> str:
    """Give a name as it is compared: capitals, commas, "the" and the .0 of 10.0 do not count."""
    plain = as_it_looks(name).casefold()
    words = (word.removesuffix(".0") for word in plain.replace(",", " ").split())
    return " ".join(word for word in words if word != "the") or plain


def _offered(name: str, things: _Things) -> str:
    """Say what may have been meant; without any places of a field sheet also how to give them."""
    names = [same[0].name for same in things.values()]
    near = did_you_mean(name, names) if names else "Give x and y"
    if any(not one.layer for same in things.values() for one in same):
        return near
    return f"{near}; a place of the field sheet is known where [levels] places names its result"


# what the shots are of


def with_levels_of_shots(site: Site, unit: float) -> Site:
    """
    Give sills, rims and inverts that were levelled to what they are of.

    Parameters
    ----------
    site
        All its levels in the raster's datum.
    unit
        Length of one unit of its CRS [m].

    Returns
    -------
    site
        `levelled` names layer, name and column of each level that was measured.

    Raises
    ------
    InputError
        If a shot names nothing that has such a level, if the drawing says otherwise, or if two
        shots of one thing or place differ: both are facts, and one of them is wrong.
    """
    if not len(site.shots):
        return site
    shots, faults = site.shots, _one_place_faults(site.shots, unit)
    things = _things(site, [])
    levels: dict[tuple[str, int, str], list[int]] = {}
    for row, shot in enumerate(shots.to_dict("records")):
        is_of = shot["counts"] == "yes" and shot["subject"] is not None
        if not is_of or shot["surface_kind"] not in _OF_THINGS:
            continue
        named = things.get(_folded(shot["subject"]), [])
        fits = [one for one in named if shot["surface_kind"] in one.kinds]
        if len({one.row for one in fits}) == 1 and len({one.layer for one in fits}) == 1:
            at = shots.geometry.iloc[row]
            best = min(fits, key=lambda one: math.hypot(one.x - at.x, one.y - at.y))
            levels.setdefault((best.layer, best.row, best.column), []).append(row)
        else:
            faults.append(_subject_fault(row, shot, named, fits, things))
    fed, wrong = _fed(site, levels)
    if faults := faults + wrong:
        with naming_files(site.sources):
            raise InputError(faults)
    return fed


def _subject_fault(
    row: int, shot: Mapping[str, Any], named: Sequence[_Thing], fits: Sequence[_Thing],
    things: _Things,
) -> Fault:  # fmt: skip
    """Say why a shot is of nothing that has its level."""
    kind = shot["surface_kind"]
    if fits:
        rule = f"several things of this name have a level of the kind {kind}"
        remedy = "Name the line with its end, or rename one of them"
    elif named:
        rule = f"what is drawn by this name has no level of the kind {kind}"
        remedy = "Correct the kind, name a line with its end, or leave subject empty"
    else:
        rule = "nothing is drawn by this name"
        remedy = did_you_mean(shot["subject"], dict.fromkeys(
            one.name for same in things.values() for one in same if kind in one.kinds
        ) or ("an empty cell",))  # fmt: skip
    return Fault(rule, remedy, layer="shots", row=row + 1, column="subject", value=shot["subject"])


def _fed(
    site: Site, levels: Mapping[tuple[str, int, str], Sequence[int]]
) -> tuple[Site, list[Fault]]:
    """Set the levels of things by the shots of each, or say which do not belong together."""
    changed: dict[str, GeoDataFrame] = {}
    levelled: set[tuple[str, str, str]] = set()
    from_benchmark: set[tuple[str, str, str]] = set()
    as_built: list[tuple[str, str, str, tuple[int, ...]]] = []
    faults: list[Fault] = []
    for (layer, row, column), rows in levels.items():
        shots = site.shots.iloc[list(rows)]
        taken, deviation = shots["level_m"], float(shots["deviation_m"].max())
        limit = max(_ONE_LEVEL_M, _DEVIATIONS * deviation)
        frame = changed.get(layer, getattr(site, layer))
        typed, name = float(frame[column].iloc[row]), str(frame["name"].iloc[row])
        apart = typed - float(taken.mean())
        if (spread := float(np.ptp(taken))) > limit:
            faults.append(
                Fault(
                    f"the shots {' and '.join(shots['name'])} of it differ by "
                    f"{both_units(spread, 'depth')}",
                    "Level it again, or say counts = no for the one that is wrong",
                    layer="shots", row=rows[-1] + 1, column="subject", value=name,
                )
            )  # fmt: skip
        elif frame.get("status", pd.Series(index=frame.index)).iloc[row] == "proposed":
            # what can be levelled is there: the finished work, which is judged by the proposal
            as_built.append((layer, name, column, tuple(rows)))
        elif abs(apart) > limit:  # not where nothing is typed
            faults.append(
                Fault(
                    f"the level of {name} is drawn {both_units(abs(apart), 'depth')} "
                    f"{'above' if apart > 0 else 'below'} the level that was taken "
                    f"there on site ({', '.join(shots['name'])})",
                    "Leave the cell empty, so that what was levelled counts, or say counts = check "
                    f"for the shot{_of_datum(apart)}", layer=layer, row=row + 1, column=column,
                )
            )  # fmt: skip
        else:
            values = frame[column].astype(float).to_numpy().copy()
            values[row] = float(taken.mean())
            changed[layer] = frame.assign(**{column: values})
            levelled.add((layer, name, column))
            if (shots["datum"] == "benchmark").all():
                from_benchmark.add((layer, name, column))
    return replace(
        site, **changed, levelled=frozenset(levelled), from_benchmark=frozenset(from_benchmark),
        as_built=tuple(as_built),
    ), faults  # fmt: skip


def on_levelled_ground(site: Site, offset_m: float, *, drawn: bool) -> Site:
    """
    Bring levels of a benchmark down to the ground that was made of its levels.

    Where the benchmark lies to the elevation data is known to centimetres, how a sill lies to the
    ground levelled beside it to millimetres: that must not be lost.

    Parameters
    ----------
    site
        In the raster's datum, with the levels of its shots.
    offset_m
        What levels of the benchmark lie above that ground [m].
    drawn
        Whether all levels in the drawing are from the benchmark.
    """
    if not offset_m:
        return site
    moved = in_raster_datum(site, -offset_m, drawn=drawn)
    levels: dict[str, GeoDataFrame] = {}
    for layer, name, column in site.levelled:
        is_own = (layer, name, column) in site.from_benchmark
        if is_own == drawn:  # it was moved as all others were, or rightly was not
            continue
        frame = levels.get(layer, getattr(moved, layer))
        lacks = -offset_m if is_own else offset_m
        levels[layer] = frame.assign(
            **{column: frame[column] + lacks * (frame["name"].astype(str) == name)}
        )
    return replace(moved, **levels)


def _of_datum(apart: float) -> str:
    """Say that two levels so far apart may be measured from different things."""
    if abs(apart) < _ONE_DATUM_M:
        return ""
    return "; are both from the benchmark? [levels] drawn tells what the drawing is measured from"


def _one_place_faults(shots: GeoDataFrame, unit: float) -> list[Fault]:
    """Refuse two shots of the same kind at one place that differ by more than they are off."""
    faults = []
    used = shots[shots["counts"] != "no"]
    if len(used) < 2:
        return []
    shapes = used.geometry.to_numpy()
    pairs = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=_ONE_PLACE_M / unit)
    same = ("surface_kind", "line", "line_part", "subject")
    for one, two in zip(*pairs, strict=True):
        first, second = used.iloc[two], used.iloc[one]
        if one <= two or any((first[key] or "") != (second[key] or "") for key in same):
            continue
        apart = abs(first["level_m"] - second["level_m"])
        if apart > _DEVIATIONS * math.hypot(first["deviation_m"], second["deviation_m"]):
            faults.append(
                Fault(
                    f"it differs by {both_units(apart, 'depth')} from {first['name']}, which was "
                    "taken at the same place",
                    "Level it again, or say counts = no for the one that is wrong",
                    layer="shots", row=int(used.index[one]) + 1, column="name",
                    value=second["name"],
                )
            )  # fmt: skip
    return faults


# the shots on the ground


def shot_faults(site: Site, grid: Grid, building: IntArray) -> list[Fault]:
    """
    Refuse levels of the ground where no ground is known: off the data, or under a roof.

    Parameters
    ----------
    site
        In the CRS of the grid.
    grid
        Elevations [m].
    building
        Number of the building on each cell, from 1; 0 where there is none.
    """
    faults = []
    outlines = shapely.union_all(site.buildings.geometry.to_numpy())
    for row, shot in enumerate(site.shots.to_dict("records"), 1):
        if shot["counts"] == "no" or shot["surface_kind"] not in GROUND_KINDS:
            continue
        point = shot["geometry"]
        at = grid.row_column(point.x, point.y)
        inside = bool(grid.contains(*at))
        rule, remedy = "", "Check its place and CRS, or say counts = no"
        if not inside or math.isnan(grid.values[at]):
            rule = "there is no elevation" if inside else "it lies off the elevation data"
            rule = f"{rule} to hold this level against"
        elif building[at] and _depth_in(point, outlines) > shot["placed_within_m"] / (
            grid.metres_per_unit
        ):
            rule = "it lies under the roof of a building, where no level of the ground was taken"
            remedy = "Check its place and the outline of the building, or say counts = no"
        if rule:
            faults.append(
                Fault(rule, remedy, layer="shots", row=row, column="name", value=shot["name"])
            )
    return faults


def _depth_in(point: Any, outlines: Any) -> float:
    """How far inside an outline a point lies; 0 outside."""
    inside = outlines.intersects(point)
    return float(outlines.boundary.distance(point)) if inside else 0.0
