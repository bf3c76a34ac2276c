"""The site: every layer found in its file, checked for itself and against the others."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pandas as pd
from geopandas import GeoDataFrame

from lotflow.errors import Fault, InputError, ParameterError
from lotflow.findings import Finding, ordered
from lotflow.inputs.columns import empty_column, factor_to_si, repeated
from lotflow.inputs.open import files_kept, local_file
from lotflow.inputs.site_layer import check_site_layer, empty_site_layer
from lotflow.inputs.sources import LayerFile, Place, Source
from lotflow.inputs.vectors import WHOLE, Part, layer_names, read_layers
from lotflow.layers import DRAWN_TABLES, SITE_LAYERS, Column, Layer, tables_of
from lotflow.text import LONGEST_TEXT, as_it_looks, clean_text, closest, did_you_mean, one_of
from lotflow.units import UnitSystem, VerticalUnit

if TYPE_CHECKING:
    from pyproj import CRS

    from lotflow.inputs.level_notes import LevelNotes

    LevelBook = tuple[Path, LevelNotes]

#: West, south, east and north edge, in units of a CRS.
Bounds = tuple[float, float, float, float]
#: Layers that may cover a town: of these only what lies near the lot is read. All rows of the
#: others are of this lot, and one that lies far from it is a fault.
_OF_A_TOWN: Final = ("buildings", "covers", "constraints", "culverts", "walls", "water")
#: Likeness from which an unknown layer is taken for a known one misspelt.
_LIKENESS = 0.8


@dataclass(frozen=True, eq=False)
class Site:
    """
    Everything that was drawn of a site, in SI and in the grid's CRS.

    Parameters
    ----------
    lot, buildings, covers, inlets, downspouts, drain_lines, outlets, openings, constraints, culverts, walls, earthworks, water, shots, observations, allowed_ends, wanted
        The site layers; without rows where nothing was given. Of shots `is_noted` tells those that
        stand in level notes.
    given
        Names of the layers that have rows.
    findings
        What was ignored, repaired or is uncertain.
    sources
        What was read, in the order of the schema.
    level_books
        Level notes that were read, each with its file.
    levelled
        Layer, name and column of each level that a shot gives.
    from_benchmark
        Those of them whose shots are all from the benchmark.
    as_built
        Layer, name and column of each level that is only proposed, with the positions of the shots
        that were taken of it: these are of the finished work.
    within
        Area of which buildings, covers, constraints, culverts, walls and water were read; None for
        all.
    again
        Reads the site for a wider area.
    """  # noqa: E501  numpydoc keeps the names of one description in one line

    lot: GeoDataFrame
    buildings: GeoDataFrame
    covers: GeoDataFrame
    inlets: GeoDataFrame
    downspouts: GeoDataFrame
    drain_lines: GeoDataFrame
    outlets: GeoDataFrame
    openings: GeoDataFrame
    constraints: GeoDataFrame
    culverts: GeoDataFrame
    walls: GeoDataFrame
    earthworks: GeoDataFrame
    water: GeoDataFrame
    shots: GeoDataFrame
    observations: GeoDataFrame
    allowed_ends: GeoDataFrame
    wanted: GeoDataFrame
    given: frozenset[str] = frozenset()
    findings: tuple[Finding, ...] = ()
    sources: tuple[Source, ...] = ()
    level_books: tuple[LevelBook, ...] = ()
    levelled: frozenset[tuple[str, str, str]] = frozenset()
    from_benchmark: frozenset[tuple[str, str, str]] = frozenset()
    as_built: tuple[tuple[str, str, str, tuple[int, ...]], ...] = ()
    within: Bounds | None = None
    again: Callable[[Bounds, Collection[str]], Site] | None = None

    def over(self, bounds: Bounds, names: Collection[str] = SITE_LAYERS) -> Site:
        """
        Give the site with all that lies in an area, read again where that goes farther.

        Parameters
        ----------
        bounds
            West, south, east and north, in units of the grid's CRS.
        names
            Layers that are needed; the others may be left out.
        """
        here = self.within
        if here is None or self.again is None or not self.given.intersection(names):
            return self
        west, south, east, north = bounds
        if here[0] <= west and here[1] <= south and east <= here[2] and north <= here[3]:
            return self
        return self.again(bounds, names)


@dataclass
class _Reading:
    """What has been read so far; faults and findings with their place in the reading order."""

    crs: CRS
    vertical_unit: VerticalUnit
    frames: dict[str, GeoDataFrame] = field(default_factory=dict)
    places: dict[str, Place] = field(default_factory=dict)
    sources: dict[str, Source] = field(default_factory=dict)
    findings: list[tuple[tuple[int, int], Finding]] = field(default_factory=list)
    faults: list[tuple[tuple[int, int], Fault]] = field(default_factory=list)

    def take(
        self, name: str, raw: Mapping[str, GeoDataFrame], source: LayerFile, file: int
    ) -> None:
        """Check a layer as its tables were read, and keep it or its faults; `file` is its place."""
        frames: list[GeoDataFrame] = []
        faults: list[Fault] = []
        place_in_order = (file, 1 + list(SITE_LAYERS).index(name))
        for table, rows in raw.items():
            try:
                frame, findings = self._checked(name, table, rows, source)
            except InputError as error:
                faults += error.faults
            else:
                frames.append(frame)
                self.findings += [(place_in_order, finding) for finding in findings]
        place = Place(str(source.path), next(iter(raw)))
        counts = tuple((table, len(rows)) for table, rows in raw.items())
        filled = ", ".join(table for table, rows in counts if rows) or place.layer
        self.places[name] = place
        self.sources[name] = Source(
            name, source.path.name, filled, next(iter(raw.values())).attrs["sha256"],
            sum(rows.attrs["of"] for rows in raw.values()), path=place.file, tables=counts,
            kept=tuple(rows.attrs["rows"] for rows in raw.values()),
        )  # fmt: skip
        if not faults:
            frame = _joined(frames)
            faults = _names_of_several_tables(frame, SITE_LAYERS[name], self.sources[name])
        if faults:
            self.faults += [(place_in_order, fault) for fault in faults]
        else:
            self.frames[name] = frame

    def _checked(
        self, name: str, table: str, rows: GeoDataFrame, source: LayerFile
    ) -> tuple[GeoDataFrame, list[Finding]]:
        """Check one table of a layer."""
        called = table.casefold()
        if source.kind is not None and called not in tables_of(name):
            rows = rows.assign(kind=source.kind)  # a road register's own kinds mean nothing here
        drawn = DRAWN_TABLES.get(called)
        is_own = drawn is not None and drawn.layer.name == name
        place = Place(str(source.path), table, rows.attrs["rows"])
        if source.only is not None:  # of what a lot is chosen by nothing is to be said
            key = source.only[0].casefold()
            rows = rows.drop(columns=[c for c in rows if c.casefold() == key != "name"])
        try:
            frame, findings = check_site_layer(
                rows,
                drawn.schema if drawn is not None and is_own else SITE_LAYERS[name],
                place,
                crs=self.crs,
                vertical_unit=self.vertical_unit,
            )
        except InputError as error:
            raise InputError(
                [
                    replace(fault, row=fault.row and place.row_in_file(fault.row))
                    for fault in error.faults
                ]
            ) from error
        if source.only is not None and len(frame):  # the lot is called by what it was chosen by
            frame["name"] = source.only[1][:LONGEST_TEXT]
        return frame, findings


def _joined(frames: Sequence[GeoDataFrame]) -> GeoDataFrame:
    """Put the rows of the tables of a layer one below the other."""
    if len(frames) == 1:
        return frames[0]
    full = [frame for frame in frames if len(frame)]
    if len(full) < 2:
        return full[0] if full else frames[0]
    # tables without rows would take part in settling the types of the columns
    return pd.concat(full, ignore_index=True)


def _names_of_several_tables(frame: GeoDataFrame, schema: Layer, source: Source) -> list[Fault]:
    """Find names that stand in two tables of a layer; within one they were looked for."""
    if len(source.tables) == 1:
        return []
    faults = []
    for column in schema.columns:
        for row, other, rule in repeated(frame[column.name].tolist() if column.unique else []):
            place, there = source.place(row + 1)
            first, before = source.place(other + 1)
            faults.append(
                place.fault(
                    f"names must be unique, row {before} of {first.layer} has {rule}",
                    "Rename one of them", row=there, column=column.name,
                    value=frame[column.name][row],
                )
            )  # fmt: skip
    return faults


def read_site(
    files: Mapping[str, LayerFile], *, crs: CRS, vertical_unit: VerticalUnit,
    reach: Callable[[Site], Bounds] | None = None,
) -> Site:  # fmt: skip
    """
    Read all layers of a site, of those that may cover a town only what lies near the lot.

    Parameters
    ----------
    files
        File of each layer that is given, by the name of the site layer.
    vertical_unit
        Unit of the raster's elevations: `_ft` of an elevation is the raster's foot.
    reach
        Gives the area to read by what is drawn of this lot alone; None for all there is.

    Returns
    -------
    site
        Every layer; those not given are empty. A layer of which nothing lies in that area keeps
        its first row, since it was given.

    Raises
    ------
    InputError
        With every fault of every layer, and of the layers with one another.
    ParameterError
        If a name is not one of a site layer.
    """
    if strangers := sorted(set(files) - set(SITE_LAYERS)):
        raise ParameterError(f"{strangers} are no site layers.")
    reading = _Reading(crs, vertical_unit)
    faults: list[Fault] = []
    within: Bounds | None = None
    with files_kept():
        by_path = _by_path(files, faults)
        _read_files(by_path, reading, [name for name in SITE_LAYERS if name not in _OF_A_TOWN])
        if reach is not None and "lot" in reading.frames and len(reading.frames["lot"]):
            within = reach(_site_of(reading))
        _read_files(by_path, reading, _OF_A_TOWN, within)
    faults += [fault for _, fault in sorted(reading.faults, key=lambda told: told[0])]
    faults += _lot_faults(files, reading)
    faults += _shared_name_faults(reading)
    faults += _building_faults(reading)
    faults += _observation_faults(reading)
    if faults:
        raise InputError(faults)
    return replace(_site_of(reading), within=within)


def _site_of(reading: _Reading) -> Site:
    """Give what has been read."""
    frames = {
        name: reading.frames[name]
        if name in reading.frames
        else empty_site_layer(schema, reading.crs)
        for name, schema in SITE_LAYERS.items()
    }
    found = sorted(reading.findings, key=lambda told: told[0])
    return Site(
        **frames,
        given=frozenset(name for name, frame in frames.items() if len(frame)),
        findings=tuple(ordered([finding for _, finding in found])),
        sources=tuple(reading.sources[name] for name in SITE_LAYERS if name in reading.sources),
    )


def in_raster_datum(site: Site, offset_m: float, *, drawn: bool = True) -> Site:
    """
    Raise every level of a site from a benchmark of its own to the raster's datum.

    Parameters
    ----------
    offset_m
        What its levels lack [m] (`Job.level_offset_m`).
    drawn
        Whether all levels in the drawing are from it; otherwise only shots that say so.

    Returns
    -------
    site
        With other elevations; heights and depths stay.
    """
    raised: dict[str, Any] = {}
    for name, schema in SITE_LAYERS.items():
        frame = getattr(site, name)
        levels = [c.inside_name for c in schema.columns if c.quantity == "elevation"]
        lacks: Any = offset_m if drawn else 0.0
        if name == "shots":  # each says what it is measured from
            lacks = offset_m * (frame["datum"] == "benchmark")
        raised[name] = frame.assign(**{level: frame[level] + lacks for level in levels})
    return replace(site, **raised)


def empty_layers(crs: CRS, units: UnitSystem) -> dict[str, GeoDataFrame]:
    """
    Build the tables to draw in: no rows, one geometry each, measured columns in the job's units.

    Parameters
    ----------
    units
        "us" for feet, inches and gallons, "metric" for metres, millimetres and litres.

    Examples
    --------
    >>> list(empty_layers(None, "us")["culverts"]), list(empty_layers(None, "metric")["walls"])
    (['name', 'diameter_in', 'geometry'], ['name', 'height_m', 'geometry'])
    """
    return {
        name: GeoDataFrame(
            {column.drawn_name(units): empty_column(column, 0) for column in table.columns},
            geometry=[], crs=crs,
        )
        for name, table in DRAWN_TABLES.items()
        if not table.is_optional
    }  # fmt: skip


def drawn_layers(
    site: Site, crs: CRS, units: UnitSystem, vertical_unit: VerticalUnit
) -> dict[str, GeoDataFrame]:
    """
    Bring the rows of a site into the tables to draw in.

    Parameters
    ----------
    site
        As it was read, in SI.
    crs
        Of the site.
    units
        Of the columns: as for `empty_layers`.
    vertical_unit
        Unit of the raster's elevations, with which the site was read.

    Returns
    -------
    tables
        Those to draw in, with the rows of the site in them; a table that only some sites need
        where it has rows.
    """
    made = empty_layers(crs, units)
    tables = {}
    for name, table in DRAWN_TABLES.items():
        frame = getattr(site, table.layer.name)
        families = frame.geometry.geom_type.map(_FAMILY)
        rows = frame[families == table.geometry]
        if len(rows):
            made_of = {
                column.drawn_name(units): _in_unit(rows, column, units, vertical_unit)
                for column in table.columns
            }
            shapes = rows.geometry.reset_index(drop=True)
            tables[name] = GeoDataFrame(made_of, geometry=shapes, crs=crs)
        elif name in made:
            tables[name] = made[name]
    return tables


_FAMILY: Final = {
    "Point": "point", "MultiPoint": "point", "LineString": "line", "MultiLineString": "line",
    "Polygon": "polygon", "MultiPolygon": "polygon",
}  # fmt: skip
#: Digits to which a value that was read is written again: of a foot, less than a micrometre.
_DECIMALS: Final = 6


def _in_unit(
    rows: GeoDataFrame, column: Column, units: UnitSystem, vertical_unit: VerticalUnit
) -> pd.Series[Any]:
    """Give the values of a column in the unit that it has in the table."""
    values: pd.Series[Any] = rows[column.inside_name].reset_index(drop=True)
    if column.is_measured:
        suffix = column.drawn_name(units).removeprefix(f"{column.name}_")
        values = (values / factor_to_si(column, suffix, vertical_unit)).round(_DECIMALS)
    return values


def _by_path(
    files: Mapping[str, LayerFile], faults: list[Fault]
) -> dict[Path, dict[str, LayerFile]]:
    """Group the layers by file, so that each file is copied and checked as seldom as can be."""
    grouped: dict[Path, dict[str, LayerFile]] = {}
    names: dict[Path, tuple[str, ...]] = {}
    for name in (name for name in SITE_LAYERS if name in files):
        path = files[name].path
        try:
            if path not in names:
                names[path] = layer_names(local_file(path, f"file of the layer {name}"))
            source = layer_in(files[name], name, names=names[path])
        except InputError as error:
            faults += error.faults
        else:
            grouped.setdefault(path, {})[name] = source
    return grouped


def _read_files(
    by_path: Mapping[Path, Mapping[str, LayerFile]], reading: _Reading, names: Sequence[str],
    within: Bounds | None = None,
) -> None:  # fmt: skip
    """Read some layers of all files; one that cannot be read does not hide faults of others."""
    for file, (path, wanted) in enumerate(by_path.items()):
        sources = {name: source for name, source in wanted.items() if name in names}
        parts = {
            table: Part(within, reading.crs, source.only)
            if within is not None or source.only is not None
            else WHOLE
            for source in sources.values()
            for table in source.tables
        }
        try:
            raw = read_layers(path, parts) if parts else {}
        except InputError as error:
            reading.faults += [((file, 0), fault) for fault in error.faults]
            raw = dict(_readable(path, parts))
        for name, source in sources.items():
            if tables := {table: raw[table] for table in source.tables if table in raw}:
                reading.take(name, tables, source, file)


def _readable(path: Path, parts: Mapping[str, Part]) -> Iterable[tuple[str, GeoDataFrame]]:
    """Read those layers of a file that can be read."""
    for layer, part in parts.items():
        try:
            yield from read_layers(path, {layer: part}).items()
        except InputError:
            continue  # its faults are known already


def _lot_faults(files: Mapping[str, LayerFile], reading: _Reading) -> list[Fault]:
    """Demand a lot."""
    if "lot" not in files:
        return [Fault("no layer lot is given", "Draw the lot's boundary as a polygon")]
    if "lot" in reading.frames and reading.frames["lot"].empty:
        return [reading.places["lot"].fault("the layer is empty", "Draw the lot's boundary in it")]
    return []


def _shared_name_faults(reading: _Reading) -> list[Fault]:
    """Find names that an inlet and an outlet share, since a drain line names its ends."""
    if not {"inlets", "outlets"} <= set(reading.frames):
        return []
    inlets = {
        as_it_looks(name): row for row, name in enumerate(reading.frames["inlets"]["name"], 1)
    }
    faults = []
    for row, name in enumerate(reading.frames["outlets"]["name"], 1):
        if (other := inlets.get(as_it_looks(name))) is None:
            continue
        place, there = reading.sources["inlets"].place(other)
        rule = (
            "inlets and outlets must not share names, row "
            f"{there} of {_called(place.layer)} has the same"
        )
        faults.append(
            reading.places["outlets"].fault(
                rule, "Rename one of them", row=row, column="name", value=name
            )
        )
    return faults


def _called(table: str) -> str:
    """Name a table in a sentence."""
    return "the inlets" if table.casefold() == "inlets" else table


def _building_faults(reading: _Reading) -> list[Fault]:
    """Find downspouts whose building is not drawn, or is not the only one of its name."""
    if "downspouts" not in reading.frames or _failed(reading, "buildings"):
        return []
    buildings = reading.frames.get("buildings")
    names = [] if buildings is None else [name for name in buildings["name"] if name]
    faults = []
    for row, name in enumerate(reading.frames["downspouts"]["building"], 1):
        if name is None or names.count(name) == 1:
            continue
        rule, remedy = "no building has this name", "Draw the building, or leave the cell empty"
        if buildings is not None and any(reading.sources["buildings"].kept):
            rule = "no building near the lot has this name"
        if name in names:
            rule, remedy = "several buildings have this name", "Rename all but one of them"
        elif names:
            remedy = did_you_mean(name, dict.fromkeys(names))
        place = reading.places["downspouts"]
        faults.append(place.fault(rule, remedy, row=row, column="building", value=name))
    return faults


def _observation_faults(reading: _Reading) -> list[Fault]:
    """Find observations that say nothing of the water, or two things that exclude each other."""
    if "observations" not in reading.frames:
        return []
    faults = []
    frame = reading.frames["observations"]
    seen = zip(frame["depth_m"].tolist(), frame["hours"].tolist(), strict=True)
    for row, (depth, hours) in enumerate(seen, 1):
        place, there = reading.sources["observations"].place(row)
        if math.isnan(depth) and math.isnan(hours):
            rule = "neither the depth nor the hours of the water are given"
            remedy = "Fill in depth_m or depth_in, or hours; a depth of 0 where no water stood"
            faults.append(place.fault(rule, remedy, row=there))
        elif (depth == 0 and hours > 0) or (hours == 0 and depth > 0):
            column, value = ("hours", hours) if depth == 0 else ("depth", depth)
            rule = f"water of {'no depth' if depth == 0 else 'no hours'} cannot have stood so"
            remedy = "Give 0 for both where no water stood, else mend the one that is wrong"
            faults.append(place.fault(rule, remedy, row=there, column=column, value=value))
    return faults


def _failed(reading: _Reading, name: str) -> bool:
    """Tell whether a layer was read but has faults, so that nothing can be held against it."""
    return name in reading.places and name not in reading.frames


def find_site_files(
    file: Path | None, own: Mapping[str, LayerFile]
) -> tuple[dict[str, LayerFile], list[Finding]]:
    """
    Find the site layers in a file that holds several, and add those with files of their own.

    Parameters
    ----------
    file
        File in which layers have the names of site layers; capitals do not count.
    own
        Layers with a file of their own; these win.

    Returns
    -------
    files
        By site layer, in the order of the schema.
    findings
        Layers of the file that mean nothing here.

    Raises
    ------
    InputError
        If a layer of the file is almost named like a site layer, or none is.
    """
    found: dict[str, LayerFile] = {}
    findings: list[Finding] = []
    if file is not None:
        found, findings = _layers_of(local_file(file, "file of the site layers"))
    merged = {**found, **own}
    return {name: merged[name] for name in SITE_LAYERS if name in merged}, findings


def _layers_of(file: Path) -> tuple[dict[str, LayerFile], list[Finding]]:
    """Match the tables of a file with the site layers."""
    names = layer_names(file)
    by_folded = {name.casefold(): name for name in names}
    found = {
        layer: LayerFile(file, tables[0], further=tables[1:])
        for layer in SITE_LAYERS
        if (tables := _tables_in(by_folded, layer))
    }
    taken = {table for source in found.values() for table in source.tables}
    strangers = [name for name in names if name not in taken]
    free = [name for layer in SITE_LAYERS for name in tables_of(layer) if name not in by_folded]
    meant = {name: closest(name, free, likeness=_LIKENESS) for name in strangers}
    faults = [
        Fault(f"layer {name!r} is not known", f"Did you mean {near!r}?", str(file))
        for name, near in meant.items()
        if near
    ]
    if not found and not faults:
        rule = "the file holds no layer that is known"
        faults = [Fault(rule, f"Name its layers {one_of(SITE_LAYERS)}", str(file))]
    if faults:
        raise InputError(faults)
    if not strangers:
        return found, []
    facts = {"file": file.name, "layers": tuple(strangers)}
    return found, [Finding("layers-ignored", "note", clean_text(file.name[:200]), facts=facts)]


def _tables_in(by_folded: Mapping[str, str], layer: str) -> tuple[str, ...]:
    """Name the tables of a site layer that a file holds, in the order of their rows."""
    return tuple(by_folded[table] for table in tables_of(layer) if table in by_folded)


def layer_in(source: LayerFile, name: str, *, names: tuple[str, ...] | None = None) -> LayerFile:
    """
    Settle which layer of a file is meant for a site layer.

    That is the one named, else the only one, else the one called by the kind of its rows
    ("streets"), else all that are called as tables of the site layer. `names` are the layers of
    the file where the caller knows them: a file is not opened twice.
    """
    path = local_file(source.path, f"file of the layer {name}")
    names = layer_names(path) if names is None else names
    if source.layer is None and len(names) == 1:
        return replace(source, path=path, layer=names[0])
    by_folded = {layer.casefold(): layer for layer in names}
    wanted = source.layer or name
    if source.layer is None and source.kind and f"{source.kind}s" in by_folded:
        wanted = f"{source.kind}s"
    if source.layer is None and wanted == name and (tables := _tables_in(by_folded, name)):
        return replace(source, path=path, layer=tables[0], further=tables[1:])
    if wanted in names or wanted.casefold() in by_folded:
        found = wanted if wanted in names else by_folded[wanted.casefold()]
        return replace(source, path=path, layer=found)
    if not names:
        raise InputError(Fault("the file holds no layer", "Check the path", str(path)))
    rule = f"there is no layer {wanted!r} in the file, but {', '.join(map(repr, names))}"
    remedy = did_you_mean(wanted, names) if source.layer else "Name the layer to read"
    raise InputError(Fault(rule, remedy, str(path)))
