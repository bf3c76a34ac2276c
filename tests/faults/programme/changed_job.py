"""A sample job with this and that changed by a careless hand: layers, settings, rain, ground."""

from __future__ import annotations

import shutil
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import fields
from pathlib import Path
from random import Random
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import rasterio
import shapely

from lotflow.criteria import Criteria
from lotflow.layers import SITE_LAYERS
from lotflow.layers.columns import SURFACE_KINDS

#: Levels, lengths and areas, sizes, and what is none.
_NUMBERS: Final = (
    0.0, -1.0, 1e-9, 0.01, 0.1, 1.0, 4.0, 30.0, 100.0, 560.0, 1e4, 1e9, -1e9, np.nan, np.inf,
)  # fmt: skip
_TEXTS: Final = ("", " ", "surface", "none", "CB 1", "Catch basin", "x" * 300, "ä ß", "0", "?")
#: How far something is moved [m].
_MOVES: Final = (0.01, 0.3, 1.0, 5.0, 30.0, 80.0, 600.0, 1e6)


class ChangedJob:
    """
    A job in a folder of its own, and what may be changed of it.

    Parameters
    ----------
    sample
        Folder of the job that is copied.
    folder
        Where it goes.
    rng
        Decides every choice.
    """

    def __init__(self, sample: Path, folder: Path, rng: Random) -> None:
        self.folder = Path(shutil.copytree(sample, folder, ignore=shutil.ignore_patterns("result")))
        self.rng = rng
        self.toml: dict[str, Any] = tomllib.loads((folder / "job.toml").read_text())
        self.done: list[str] = []
        self.site = folder / "site.gpkg"
        self.layers = {
            str(name): gpd.read_file(self.site, layer=name)
            for name, kind in pyogrio.list_layers(self.site)
            if kind is not None and name in self._drawn()
        }
        self.redrawn: set[str] = set()

    def change(self, times: int) -> ChangedJob:
        """Change so many things, and write the job."""
        for _ in range(times):
            change = self.rng.choice(_CHANGES)
            self.done.append(change.__name__)
            change(self)
        self._write()
        return self

    def layer(self, *names: str) -> str:
        """Choose a layer that has rows, of these or of all."""
        filled = [name for name in names or self.layers if len(self.layers.get(name, ()))]
        return self.rng.choice(filled or list(self.layers))

    def redraw(self, name: str, frame: gpd.GeoDataFrame) -> None:
        """Put another layer in the place of one."""
        self.layers[name] = frame
        self.redrawn.add(name)
        self.done.append(name)

    def row(self, frame: gpd.GeoDataFrame) -> int:
        """Choose a row."""
        return self.rng.randrange(len(frame)) if len(frame) else -1

    def place(self) -> tuple[float, float]:
        """Choose a place: on the lot, or somewhere round it."""
        west, south, east, north = self.layers["lot"].total_bounds
        reach = self.rng.choice((0.0, 0.3, 3.0))
        wide, high = east - west, north - south
        return (
            west + self.rng.uniform(-reach, 1 + reach) * wide,
            south + self.rng.uniform(-reach, 1 + reach) * high,
        )

    def _drawn(self) -> set[str]:
        """Tables of the sample that hold what is drawn."""
        drawn = {str(name) for name, kind in pyogrio.list_layers(self.site) if kind is not None}
        return drawn - {"layer_styles"}

    def _write(self) -> None:
        for name in sorted(self.redrawn):
            frame = self.layers[name]
            if "fid" in frame:  # as a column it would be the key
                frame = frame.drop(columns="fid")
            pyogrio.write_dataframe(frame, self.site, layer=name, driver="GPKG")
        (self.folder / "job.toml").write_text(toml_text(self.toml))


def toml_text(tables: Mapping[str, Any]) -> str:
    """Write tables of plain values as TOML."""
    return "\n".join(
        f"[{name}]\n" + "".join(f"{key} = {_value(value)}\n" for key, value in table.items())
        for name, table in tables.items()
    )


def _value(value: Any) -> str:
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_value(one)}" for key, one in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(map(_value, value))}]"
    return str(value).lower() if isinstance(value, bool) else repr(value)


# what is drawn


def _without_a_layer(job: ChangedJob) -> None:
    name = job.layer()
    job.redraw(name, job.layers[name].iloc[:0])


def _without_rows(job: ChangedJob) -> None:
    name = job.layer()
    frame = job.layers[name]
    keep = [job.rng.random() < 0.6 for _ in range(len(frame))]
    job.redraw(name, frame[keep].reset_index(drop=True))


def _without_a_column(job: ChangedJob) -> None:
    name = job.layer()
    columns = [one for one in job.layers[name].columns if one != "geometry"]
    if columns:
        job.redraw(name, job.layers[name].drop(columns=job.rng.choice(columns)))


def _emptied_column(job: ChangedJob) -> None:
    name = job.layer()
    columns = [one for one in job.layers[name].columns if one != "geometry"]
    if columns:
        column = job.rng.choice(columns)
        job.redraw(name, job.layers[name].assign(**{column: None}))


def _another_value(job: ChangedJob) -> None:
    """Put a value into a column that the schema knows, which the table may not have yet."""
    name = job.layer(*(one for one in job.layers if one in SITE_LAYERS))
    frame = job.layers[name].copy()
    own = [one for one in frame.columns if one != "geometry"]
    known = [one.name for one in SITE_LAYERS[name].columns] if name in SITE_LAYERS else []
    columns = [*own, *own, *known, *(f"{one}_m" for one in known), *(f"{one}_mm" for one in known)]
    row = job.row(frame)
    if not columns or row < 0:
        return
    column = job.rng.choice(columns)
    others = [one for layer in job.layers.values() for key in layer if key != "geometry"
              for one in layer[key].dropna().tolist()]  # fmt: skip
    choices = [value for one in SITE_LAYERS.get(name, SITE_LAYERS["lot"]).columns
               for value in one.choices or ()]  # fmt: skip
    kind = job.rng.random()
    value: Any
    if kind < 0.3 and others:
        value = job.rng.choice(others)
    elif kind < 0.5 and choices:
        value = job.rng.choice(choices)
    elif kind < 0.8:
        value = job.rng.choice(_NUMBERS)
    else:
        value = job.rng.choice(_TEXTS)
    values = list(frame[column]) if column in frame else [None] * len(frame)
    values[row] = value
    if len({type(one) for one in values if one is not None}) > 1:
        values = [None if pd.isna(one) else str(one) for one in values]
    frame[column] = values
    job.redraw(name, frame)
    job.done.append(f"{column}={value!r}")


def _another_level(job: ChangedJob) -> None:
    """Move a level, or many, up or down."""
    name = job.layer("drain_lines", "outlets", "inlets", "openings", "buildings")
    frame = job.layers[name].copy()
    numbers = [one for one in frame.select_dtypes("number").columns if frame[one].notna().any()]
    if numbers:
        column = job.rng.choice(numbers)
        by = job.rng.choice((-500.0, -30.0, -2.0, -0.3, 0.3, 2.0, 30.0))
        rows = [job.rng.random() < 0.5 for _ in range(len(frame))]
        frame.loc[rows, column] = frame.loc[rows, column] + by
        job.redraw(name, frame)


def _a_name_twice(job: ChangedJob) -> None:
    name = job.layer("inlets", "drain_lines", "outlets", "downspouts", "buildings", "openings")
    frame = job.layers[name].copy()
    if "name" in frame and len(frame) > 1:
        one, other = job.rng.sample(range(len(frame)), 2)
        frame.loc[one, "name"] = frame.loc[other, "name"]
        job.redraw(name, frame)


def _a_row_twice(job: ChangedJob) -> None:
    name = job.layer()
    frame = job.layers[name]
    row = job.row(frame)
    if row >= 0:
        more = frame.iloc[[row]].copy()
        if "name" in more and job.rng.random() < 0.7:
            more["name"] = "another"
        job.redraw(name, _joined(frame, more))


def _moved(job: ChangedJob) -> None:
    name = job.layer()
    frame = job.layers[name].copy()
    if not len(frame):
        return
    by = [job.rng.choice(_MOVES) * job.rng.choice((-1, 0, 1)) for _ in "xy"]
    row = job.row(frame)
    shape = frame.geometry.iloc[row]
    if shape is not None and not shape.is_empty:
        frame.loc[row, "geometry"] = shapely.affinity.translate(shape, *by)
        job.redraw(name, frame)


def _on_another(job: ChangedJob) -> None:
    """Lay something on what is drawn elsewhere."""
    name, other = job.layer(), job.layer()
    frame, there = job.layers[name].copy(), job.layers[other].geometry.dropna()
    if not len(frame) or not len(there):
        return
    row = job.row(frame)
    shape, at = frame.geometry.iloc[row], there.iloc[job.rng.randrange(len(there))]
    if shape is None or shape.is_empty or at.is_empty:
        return
    point = at.representative_point()
    centre = shape.representative_point()
    moved = shapely.affinity.translate(shape, point.x - centre.x, point.y - centre.y)
    frame.loc[row, "geometry"] = moved
    job.redraw(name, frame)


def _reshaped(job: ChangedJob) -> None:
    name = job.layer()
    frame = job.layers[name].copy()
    row = job.row(frame)
    shape = frame.geometry.iloc[row] if row >= 0 else None
    if shape is None or shape.is_empty:
        return
    x, y = job.place()
    there = shape.representative_point()
    first = job.rng.choice(shapely.get_coordinates(shape).tolist())
    shapes = [
        lambda: None,
        type(shape),
        lambda: shapely.affinity.scale(shape, 1e-4, 1e-4),
        lambda: shapely.affinity.scale(shape, 20.0, 20.0),
        lambda: shapely.affinity.rotate(shape, 90.0),
        lambda: shapely.reverse(shape),
        lambda: shapely.transform(
            shapely.force_3d(shape), lambda at: np.add(at, (0, 0, np.nan)), include_z=True
        ),
        lambda: shapely.LineString([(x, y), (x, y)]),
        lambda: shapely.LineString([first, (x, y)]),
        lambda: shapely.LineString([(x, y), first, (x + 5, y), (x, y)]),
        lambda: shapely.Point(x, y),
        lambda: shapely.Point(round(x), round(y)),
        lambda: there.buffer(job.rng.choice((1e-6, 0.2, 3.0))),
        lambda: shapely.Polygon([(x, y), (x + 9, y + 9), (x + 9, y), (x, y + 9)]),
        lambda: shapely.MultiPoint([(x, y), (x + 3, y)]),
        lambda: shape.boundary,
    ]
    frame["geometry"] = [
        job.rng.choice(shapes)() if number == row else one
        for number, one in enumerate(frame.geometry)
    ]
    job.redraw(name, gpd.GeoDataFrame(frame, geometry="geometry", crs=job.layers[name].crs))


def _led_elsewhere(job: ChangedJob) -> None:
    """Name another end of a line, or another place of a downspout's water."""
    name = job.layer("drain_lines", "downspouts")
    frame = job.layers[name].copy()
    ends = [one for one in frame.columns
            if one in ("from", "to", "from_node", "to_node", "leads_to", "building")]  # fmt: skip
    row = job.row(frame)
    if not ends or row < 0:
        return
    names = [one for key in ("inlets", "outlets", "drain_lines", "downspouts", "buildings")
             if "name" in job.layers.get(key, ())
             for one in job.layers[key]["name"].dropna()]  # fmt: skip
    frame.loc[row, job.rng.choice(ends)] = job.rng.choice([*names, "nowhere", None, "surface"])
    job.redraw(name, frame)


def _round_in_a_ring(job: ChangedJob) -> None:
    frame = job.layers.get("drain_lines")
    if frame is None or not len(frame):
        return
    back = frame.iloc[[job.row(frame)]].copy()
    if not all(isinstance(one, (shapely.LineString, shapely.MultiLineString)) for one in
               back.geometry):  # fmt: skip
        return
    back["geometry"] = [shapely.reverse(one) for one in back.geometry]
    back["name"] = "back again"
    for one, other in (("from", "to"), ("from_node", "to_node")):
        if one in back and other in back:
            back[[one, other]] = back[[other, one]].to_numpy()
    job.redraw("drain_lines", _joined(frame, back))


def _another_state(job: ChangedJob) -> None:
    name = job.layer("inlets", "drain_lines", "outlets", "downspouts")
    frame = job.layers[name].copy()
    if len(frame):
        state = job.rng.choice(("existing", "replaced", "proposed", "abandoned", None))
        rows = [job.rng.random() < 0.6 for _ in range(len(frame))]
        frame["status"] = [
            state if chosen else old
            for chosen, old in zip(rows, frame.get("status", [None] * len(frame)), strict=True)
        ]
        job.redraw(name, frame)


def _something_new(job: ChangedJob) -> None:
    """Draw a culvert, a wall, water or a constraint, wherever and however long."""
    name = job.rng.choice(("culverts", "walls", "water", "constraints"))
    crs = job.layers["lot"].crs
    line = shapely.LineString([job.place() for _ in range(job.rng.choice((2, 2, 2, 3)))])
    shape = line.buffer(2.0) if name == "water" else line
    rows: dict[str, Any] = {"geometry": [shape]}
    if name == "constraints":
        rows["kind"] = [job.rng.choice(("street", "sidewalk", "septic", "tree", "moon"))]
    if name == "culverts":
        rows["name"] = ["Culvert"]
        if job.rng.random() < 0.5:  # and one that leads its water back
            rows = {"name": ["there", "back"], "geometry": [line, shapely.reverse(line)]}
    if name == "walls" and job.rng.random() < 0.5:
        rows["height_m"] = [job.rng.choice((0.001, 0.3, 2.0, -1.0, 50.0))]
    new = gpd.GeoDataFrame(rows, crs=crs)
    there = job.layers.get(name)
    job.redraw(name, new if there is None or not len(there) else _joined(there, new))


def _levels_drawn(job: ChangedJob) -> None:
    """Draw levels that were measured: as they may be, and as they can hardly be."""
    rng, names = job.rng, _names(job)
    rows = [
        {
            "name": f"shot {number}",
            "level_m": rng.choice((31.2, 31.3, 31.5, 30.4, 100.0, 1031.0)),
            "surface_kind": rng.choice((*SURFACE_KINDS, "hard", "lawn", "moon")),
            "datum": rng.choice((None, None, "raster", "benchmark")),
            "subject": rng.choice((None, None, *names)),
            "counts": rng.choice((None, "yes", "check", "no")),
            "geometry": shapely.Point(*job.place()),
        }
        for number in range(rng.choice((1, 2, 5)))
    ]
    job.redraw("shots", gpd.GeoDataFrame(rows, crs=job.layers["lot"].crs))


def _level_notes(job: ChangedJob) -> None:
    """Give the job level notes: from a benchmark, or from a level that is known."""
    rng, names = job.rng, _names(job)
    start = rng.choice((100.0, 31.42))
    lines = ["point,bs,is,fs,level,place,x,y,on", f"BM,1.5,,,{start},,,,"]
    for number in range(rng.choice((1, 3))):
        x, y = job.place()
        place = rng.choice((f",{x:.2f},{y:.2f},lawn", f"{rng.choice(names)},,,", ",,,", ",,,hard"))
        lines.append(f"P{number},,{rng.choice((1.4, 1.6, 1.9, 9.0))},,,{place}")
    lines.append(f"BM,,,{rng.choice((1.5, 1.501, 1.52))},,,,,")
    (job.folder / "notes.csv").write_text("\n".join(lines))
    job.toml["levels"] = {"notes": "notes.csv", "unit": "m"}
    if rng.random() < 0.7:
        job.toml["levels"] |= {"benchmark": 100.0, "elevation_m": 31.42,
                               "drawn": rng.choice(("raster", "benchmark"))}  # fmt: skip


def _names(job: ChangedJob) -> list[str]:
    """Names of what has levels, and some that nothing has."""
    drawn = [str(one) for key in ("openings", "inlets", "outlets", "buildings")
             if "name" in job.layers.get(key, ())
             for one in job.layers[key]["name"].dropna()]  # fmt: skip
    return [*drawn, "Patio line upper end", "Low spot 1", "nowhere"]


def _joined(one: gpd.GeoDataFrame, other: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    kept = [frame.dropna(axis=1, how="all") for frame in (one, other)]
    joined = pd.concat([frame.drop(columns="fid", errors="ignore") for frame in kept],
                       ignore_index=True)  # fmt: skip
    return gpd.GeoDataFrame(joined, geometry="geometry", crs=one.crs)


# what the job file says


def _another_criterion(job: ChangedJob) -> None:
    item = job.rng.choice(fields(Criteria))
    low, high = float(item.metadata["low"]), float(item.metadata["high"])
    value = job.rng.choice((low, high, low + (high - low) * 0.01, low + (high - low) * 0.3))
    job.toml.setdefault("criteria", {})[item.name] = value
    job.done.append(f"{item.name}={value!r}")


def _no_rain(job: ChangedJob) -> None:
    job.toml.pop("rainfall", None)
    if job.rng.random() < 0.5:
        job.toml["job"]["intensity_mm_h"] = job.rng.choice((0.1, 25.0, 1000.0))


def _other_storms(job: ChangedJob) -> None:
    choices = ([1], [1000], [2, 2], [100, 10], [1, 2, 5, 10, 25, 50, 100, 200, 500, 1000], [1.5],
               [600], [10], [0.5])  # fmt: skip
    if "rainfall" in job.toml:
        job.toml["rainfall"]["storms"] = job.rng.choice(choices)
        job.toml["rainfall"]["storm_type"] = job.rng.choice(("I", "IA", "II", "III"))
        job.toml["rainfall"]["uplift"] = job.rng.choice((1.0, 1.2, 3.0))


def _rain_by_coefficients(job: ChangedJob) -> None:
    rng = job.rng
    job.toml["rainfall"] = {
        "storms": rng.choice(([10], [2, 10, 100], [2, 5])),
        "coefficients": {
            "unit": "mm_h", "return_periods": [2, 10, 100],
            "a": rng.choice(([500, 900, 1500], [1e-6, 1e-5, 1e-4], [900, 500, 100])),
            "b": rng.choice(([0, 0, 0], [10, 10, 10])), "c": rng.choice(([0.8] * 3, [5.0] * 3)),
            "shortest_min": rng.choice((5, 30, 0.01)), "longest_min": rng.choice((60, 1440, 5)),
            "source": "invented",
        },
    }  # fmt: skip


def _another_rain_table(job: ChangedJob) -> None:
    """Drop or spoil lines of the table, or let it be of elsewhere."""
    file = job.folder / "rainfall.csv"
    lines = file.read_text().splitlines()
    kind = job.rng.randrange(6)
    if kind == 0:
        lines = [one for one in lines if job.rng.random() < 0.8]
    elif kind == 1:
        lines = [one for one in lines if not one.endswith("day") and job.rng.random() < 0.9]
    elif kind == 2:
        place = job.rng.choice(("0.0", "95.0", "-37.0556", "x", "37.3"))
        lines = [f"Latitude: {place}" if "Latitude" in one else one for one in lines]
    elif kind == 3:
        lines = [one for one in lines if "tude" not in one]
    elif kind == 4:
        at = job.rng.randrange(len(lines))
        old, new = job.rng.choice(((".", ","), ("0", "9"), ("1", "0"), ("in", "mm"), (",", ";")))
        lines[at] = lines[at].replace(old, new)
    else:
        kept = job.rng.choice((("24-hr",), ("5-min",), ("5-min", "10-min"), ("60-day",)))
        lines = [
            one for one in lines
            if ":," not in one or one.startswith(("by duration", *kept))
        ]  # fmt: skip
    file.write_text("\n".join(lines) + "\n")
    job.done.append(f"kind {kind}")


def _prices(job: ChangedJob) -> None:
    (job.folder / "prices.csv").write_text(job.rng.choice((
        "item,price\n", "item,price\npipe,3.5\n", "item,price\npipe,x\n", "nonsense",
        "item,price\npipe,1\npipe,2\n", "item;price\npipe;-1\n", "",
    )))  # fmt: skip
    job.toml["prices"] = {"file": "prices.csv"}


def _other_general(job: ChangedJob) -> None:
    general, rng = job.toml["job"], job.rng
    general.update(rng.choice((
        {"ground": "roof"}, {"ground": "moon"}, {"soil_group": "D"}, {"coefficient": 0.0},
        {"coefficient": 1.0}, {"units": "us"}, {"soak_test_mm_h": 0.0}, {"soak_test_in_h": 200.0},
        {"soak_test_drops_mm": [10, 5], "soak_test_minutes": [30, 30]}, {"name": ""},
        {"intensity_in_h": 1.0}, {"name": "=1+1 <b>" + "n" * 60},
    )))  # fmt: skip


def _other_elevation(job: ChangedJob) -> None:
    job.toml["elevation"].update(job.rng.choice((
        {"rmse_m": 0.0}, {"rmse_m": 10.0}, {"rmse_m": 1.0, "white_share": 1.0},
        {"white_share": 0.0}, {"correlation_m": 1000.0}, {"margin_m": 0.5}, {"margin_m": 5000.0},
        {"vertical_unit": "ft"}, {"vertical_unit": "m"},
    )))  # fmt: skip


def _levels(job: ChangedJob) -> None:
    job.toml["levels"] = {
        "benchmark": job.rng.choice((0.0, 100.0, -1000.0, 30_000.0)),
        "elevation_m": job.rng.choice((560.0, 0.0, 9000.0, 100.0)),
    }


def _setbacks(job: ChangedJob) -> None:
    job.toml["setbacks"] = {
        "source": "town", "lot_line_m": job.rng.choice((0.0, 1.5, 1000.0)), "foundation_ft": 10.0,
    }  # fmt: skip


def _direction(job: ChangedJob) -> None:
    job.toml["terrain"] = {"direction": job.rng.choice(("ltd", "steepest", "richdem-d8"))}


# the ground


def _other_ground(job: ChangedJob) -> None:
    with rasterio.open(job.folder / "dem.tif", "r+") as raster:
        ground = raster.read(1)
        rows, columns = ground.shape
        row, column = job.rng.randrange(rows), job.rng.randrange(columns)
        place = (slice(row, row + job.rng.choice((1, 5, 60))),
                 slice(column, column + job.rng.choice((1, 5, 60))))  # fmt: skip
        kind = job.rng.randrange(6)
        if kind == 0:
            ground[place] = raster.nodata
        elif kind == 1:
            ground[place] += np.float32(job.rng.choice((-50.0, -1.0, 0.2, 3.0, 1e4)))
        elif kind == 2:
            ground[:] = ground[rows // 2, columns // 2]
        elif kind == 3:
            ground[:] = np.round(ground)
        elif kind == 4:
            ground[place] = np.nan
        else:
            ground[:] = ground[::-1]
        raster.write(ground, 1)
    job.done.append(f"kind {kind}")


_CHANGES: Final[list[Callable[[ChangedJob], None]]] = [
    _without_a_layer, _without_rows, _without_a_column, _emptied_column,
    _another_value, _another_value, _another_value, _another_level, _another_level,
    _a_name_twice, _a_row_twice, _moved, _moved, _on_another, _on_another,
    _reshaped, _reshaped, _led_elsewhere, _led_elsewhere, _round_in_a_ring, _another_state,
    _something_new, _something_new, _another_criterion, _another_criterion, _no_rain,
    _other_storms, _rain_by_coefficients, _another_rain_table, _prices, _other_general,
    _other_elevation, _levels, _levels_drawn, _level_notes, _setbacks, _direction, _other_ground,
]  # fmt: skip
