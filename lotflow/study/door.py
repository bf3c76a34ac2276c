"""
The door for Python: `lotflow.screen`, `lotflow.run`, and the result they give.

What goes in are paths, or tables and rasters that are in memory already; what comes out are
tables with their CRS and grids with their transform. Nothing is written but by `Result.write`.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from functools import cached_property
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Final

from lotflow.findings import standing_alone
from lotflow.inputs.job import Job, read_job, screening_job, with_realisations
from lotflow.outputs.handed_over import layer_path, raster_path
from lotflow.outputs.summary_text import summary_text
from lotflow.study.chapter import say_nothing
from lotflow.study.main_job import Study, run_study
from lotflow.study.write import Written, check_folder, study_rasters, summary_of, write_study

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    import rasterio

    from lotflow.findings import Finding
    from lotflow.grid import Grid
    from lotflow.outputs.side_process import SideProcess
    from lotflow.study.chapter import Tell
    from lotflow.units import UnitSystem, VerticalUnit

#: Findings that the picture of a result in a notebook shows.
_SHOWN: Final = 12


class Result:
    """
    What is known of a lot's water: layers, grids, findings.

    Each layer is an attribute (`result.low_spots`), a GeoDataFrame in the CRS of the elevation
    data, or a DataFrame for those without geometry; see `docs/layers.md`. Each grid is one too
    (`result.ground`), with values, transform and CRS.

    Parameters
    ----------
    study
        What was computed.
    use_covers
        Whether runoff follows from covers and drains were checked.

    Examples
    --------
    >>> from pathlib import Path
    >>> import lotflow
    >>> sample = Path(lotflow.__file__).parents[1] / "data_samples" / "alder_court"
    >>> result = lotflow.screen(sample / "dem.tif", sample / "site.gpkg", realisations=0)
    >>> float(result.low_spots.depth_m.max().round(1)), result.ground.cell_m
    (0.2, 0.5)
    """

    def __init__(self, study: Study, *, use_covers: bool) -> None:
        self.study = study
        self._use_covers = use_covers

    @property
    def layers(self) -> dict[str, pd.DataFrame]:
        """The layers of the result by name, with the columns of `docs/layers.md`."""
        return self.study.layers

    @cached_property
    def grids(self) -> dict[str, Grid]:
        """The rasters of the result by name; missing values are NaN."""
        return {
            name.removesuffix(".tif"): one.grid for name, one in study_rasters(self.study).items()
        }

    @property
    def finding_list(self) -> tuple[Finding, ...]:
        """What was found, the worst first; `result.findings` has the same as a table."""
        return self.study.findings

    @cached_property
    def summary(self) -> dict[str, Any]:
        """Content of `summary.json`, without the hashes of files."""
        return summary_of(self.study, use_covers=self._use_covers)

    @cached_property
    def text(self) -> str:
        """What the commands print: the answer, and the tables behind it."""
        return summary_text(
            self.summary, self.study.lot.job.units, is_screening=self.study.screening
        )

    def write(
        self, folder: str | Path, *, overwrite: bool = False, pack: bool = True,
        second: SideProcess | None = None,
    ) -> Written:  # fmt: skip
        """
        Write the result folder, as the commands do.

        Parameters
        ----------
        folder
            Where it goes.
        overwrite
            Whether a result of another lot, or of the other command, there may be replaced.
        pack
            Whether the files to carry away are written too.
        second
            Process that draws meanwhile; without one it is drawn here.

        Raises
        ------
        OutputError
            If the folder holds something else, or the result cannot be written; an old one stays.
        """
        folder = Path(folder)
        check_folder(self.study.lot.job, folder, overwrite=overwrite, use_covers=self._use_covers)
        return write_study(
            self.study, folder, overwrite=overwrite, use_covers=self._use_covers, pack=pack,
            second=second,
        )  # fmt: skip

    def __getattr__(self, name: str) -> Any:
        """Give a layer or a grid by its name."""
        if name.startswith("_") or name == "study":
            raise AttributeError(name)
        if name in self.layers:
            return self.layers[name]
        if name in self.grids:
            return self.grids[name]
        from lotflow.text import did_you_mean  # noqa: PLC0415 - of errors only

        known = [*self.layers, *self.grids]
        raise AttributeError(f"a result has no {name!r}. {did_you_mean(name, known)}.")

    def __dir__(self) -> list[str]:
        """Attributes, layers and grids."""
        return sorted({*super().__dir__(), *self.layers, *self.grids})

    def __repr__(self) -> str:
        """Say of which lot, and how much was found."""
        counts = ", ".join(
            f"{sum(one.severity == severity for one in self.finding_list)} {severity}"
            for severity in ("fail", "warn", "note")
        )
        return f"<lotflow result of {self.study.lot.job.job.name or 'a lot'}: {counts}>"

    def _repr_html_(self) -> str:
        """Show the worst findings and the table of the terminal in a notebook."""
        rows = "".join(
            f"<tr><td>{one.severity}</td><td>{html.escape(one.subject)}</td>"
            f"<td style='text-align:left'>{html.escape(told)}</td></tr>"
            for one in self.finding_list[:_SHOWN]
            for told in [standing_alone(one.message, today=one.today)]
        )
        more = len(self.finding_list[_SHOWN:])
        rest = f"<p>{more} more in <code>findings</code></p>" if more else ""
        return (
            f"<p><b>{html.escape(self.study.lot.job.job.name or 'Lot')}</b></p>"
            f"<table>{rows}</table>{rest}"
            f"<details><summary>Summary</summary><pre>{html.escape(self.text)}</pre></details>"
        )


def screen(  # noqa: PLR0913 - what is known of a lot, each by its name
    elevation: str | Path | rasterio.DatasetReader | Sequence[Any],
    lot: str | Path | gpd.GeoDataFrame,
    *,
    inlets: str | Path | gpd.GeoDataFrame | None = None,
    buildings: str | Path | gpd.GeoDataFrame | None = None,
    water: str | Path | gpd.GeoDataFrame | None = None,
    walls: str | Path | gpd.GeoDataFrame | None = None,
    streets: str | Path | gpd.GeoDataFrame | None = None,
    vertical_unit: VerticalUnit | None = None,
    margin_m: float | None = None,
    coefficient: float | None = None,
    intensity_mm_h: float | None = None,
    units: UnitSystem | None = None,
    name: str = "",
    lot_name: str | None = None,
    lot_key: str | None = None,
    realisations: int | None = None,
) -> Result:
    """
    Screen a lot: where water stands, where it comes from and leaves, what each inlet takes.

    Parameters
    ----------
    elevation
        A raster, or neighbouring tiles: paths or open datasets of rasterio.
    lot
        Its boundary: a path, or a table with its CRS; so are the other layers.
    inlets, buildings, water, walls, streets
        What else is known, as in `docs/layers.md`.
    vertical_unit
        Unit of the elevations where the raster does not say: "m", "ft" or "us-ft".
    margin_m
        Ground read round the lot at first [m].
    coefficient
        Runoff coefficient of all ground.
    intensity_mm_h
        Rainfall intensity [mm/h]; needs a coefficient.
    units
        Of reports: "us" or "metric"; by default US ones where the lot lies in the US.
    name
        Of the lot; by default that of its layer, else of its file.
    lot_name, lot_key
        Of a layer of many lots the one to take, by its value in a column; `name` by default.
    realisations
        Surfaces tried for what the accuracy of the data leaves open; 0 for none.

    Raises
    ------
    InputError
        If an input is wrong; all faults of a file at once.

    Examples
    --------
    See `Result`.
    """
    with TemporaryDirectory(prefix="lotflow-") as handed:
        folder = Path(handed)
        tiles = [elevation] if not isinstance(elevation, list | tuple) else elevation
        given = {"lot": lot, "inlets": inlets, "buildings": buildings, "water": water,
                 "walls": walls, "streets": streets}  # fmt: skip
        job = screening_job(
            [raster_path(tile, number, folder) for number, tile in enumerate(tiles, 1)],
            {key: layer_path(layer, key, folder) for key, layer in given.items()
             if layer is not None},
            vertical_unit=vertical_unit, margin_m=margin_m, coefficient=coefficient,
            intensity=intensity_mm_h, units=units, lot_name=lot_name, lot_key=lot_key,
        )  # fmt: skip
        if name:
            job = job.model_copy(update={"job": job.job.model_copy(update={"name": name})})
        return computed(with_realisations(job, realisations), use_covers=False)


def run(job: str | Path | Job, *, realisations: int | None = None) -> Result:
    """
    Compute a job: all that `screen` tells, runoff per inlet, and what the drain lines carry.

    Parameters
    ----------
    job
        Its folder, its `job.toml`, or what `lotflow.inputs.job.read_job` gave.
    realisations
        Surfaces tried, instead of what the job says; 0 for none.

    Raises
    ------
    InputError
        If an input is wrong; all faults of a file at once.

    Examples
    --------
    >>> from pathlib import Path
    >>> import lotflow
    >>> sample = Path(lotflow.__file__).parents[1] / "data_samples" / "alder_court"
    >>> result = lotflow.run(sample, realisations=0)
    >>> sorted(result.drain_lines.name[result.drain_lines.scenario == "proposed"])[:2]
    ['Front line', 'Garage line']
    """
    read = job if isinstance(job, Job) else read_job(Path(job))
    return computed(with_realisations(read, realisations), use_covers=True)


def computed(job: Job, *, use_covers: bool, tell: Tell = say_nothing) -> Result:
    """
    Compute what was read; what commands and the functions above come to.

    Parameters
    ----------
    job
        What to read and how to judge it.
    use_covers
        Whether runoff follows from covers and drains are checked.
    tell
        Called with the name of each step.
    """
    return Result(run_study(job, use_covers=use_covers, tell=tell), use_covers=use_covers)
