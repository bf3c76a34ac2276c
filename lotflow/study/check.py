"""Judging the inputs of a job as a run does, without what a run computes of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from lotflow.advice.missing_inputs import Missing, missing_inputs
from lotflow.advice.sentences import worded
from lotflow.drains.setbacks import off_lot
from lotflow.findings import Finding, ordered, standing_alone
from lotflow.inputs.prices import read_prices
from lotflow.inputs.sources import naming_files
from lotflow.outputs.positions import place_of
from lotflow.outputs.summary import json_text
from lotflow.runoff.rain_findings import rain_findings
from lotflow.study.job_chapters import judge_job
from lotflow.study.lot_water import study_lot
from lotflow.terrain.catchments import lot_area
from lotflow.terrain.notes import gap_notes
from lotflow.terrain.ponding import pond_network
from lotflow.units import UnitSystem, shown

if TYPE_CHECKING:
    from lotflow.inputs.job import Job


@dataclass(frozen=True)
class InputReport:
    """
    What was read, and what there is to say about it.

    Parameters
    ----------
    name
        Name of the job.
    elevation
        Description of the elevation data.
    layers
        Layer, file and number of rows of each layer.
    lot_area_m2
        Area of the lot [m^2].
    findings
        In reading order.
    missing
        What the job does not give, and what that would give.
    units
        Of the text.
    """

    name: str
    elevation: dict[str, Any]
    layers: tuple[dict[str, Any], ...]
    lot_area_m2: float
    findings: tuple[Finding, ...]
    missing: tuple[Missing, ...] = ()
    units: UnitSystem = "metric"

    def json(self) -> str:
        """The report as JSON."""
        return json_text(
            {
                "job": self.name,
                "elevation": self.elevation,
                "layers": list(self.layers),
                "lot": {"area_m2": round(self.lot_area_m2, 2)},
                "findings": [finding.as_dict() for finding in self.findings],
                "missing": [one.as_dict() for one in self.missing],
            }
        )

    def text(self) -> str:
        """The report as a short text."""
        lines = [self.name, "", "Elevation"]
        for file in self.elevation["files"]:
            size = f"{file['columns']} x {file['rows']} cells"
            lines.append(f"  {file['file']}: {size}, {file['type']}, nodata {file['nodata']}")
        cell = shown(self.elevation["cell_m"], "elevation", self.units)
        lines.append(f"  {self.elevation['crs']}, cells of {cell}")
        if self.elevation["resampled"]:
            lines.append(f"  resampled: {self.elevation['resampled']}")
        lines += [f"  elevations in {self.elevation['vertical_unit']}", "", "Layers"]
        for row in self.layers:
            rows = "1 row" if row["rows"] == 1 else f"{row['rows']} rows"
            lines.append(f"  {row['layer']}: {rows} from {row['file']}")
        lines += ["", f"Lot: {shown(self.lot_area_m2, 'area', self.units)}"]
        for finding in self.findings:
            told = standing_alone(finding.message, today=finding.today)
            lines.append(f"{finding.severity}: {finding.subject}: {told}")
        if self.missing:
            lines += ["", "Missing", *(f"  {one}" for one in self.missing), ""]
        lines.append("All inputs can be used." if not self._failed() else "Some inputs fail.")
        return "\n".join(lines)

    def _failed(self) -> bool:
        return any(finding.severity == "fail" for finding in self.findings)


def check_inputs(job: Job) -> InputReport:
    """
    Read and judge every input of a job, on the ground as `run` does.

    Parameters
    ----------
    job
        Names the inputs.

    Raises
    ------
    InputError
        If one cannot be used; all faults of a file at once.
    """
    lot = study_lot(job)
    source, site, window, rainfall = lot.source, lot.site, lot.window, lot.rainfall
    with naming_files(site.sources):
        judge_job(lot)
        if rainfall is not None:
            for routing in (lot.inlets.routing, lot.natural):
                pond_network(routing)
    if job.prices is not None:
        read_prices(job.prices.file)
    findings = worded(
        ordered(
            [
                *source.findings,
                *window.elevation.findings,
                *site.findings,
                *gap_notes(window.surface, window.lot),
                *off_lot(site, job.criteria, window.surface.ground.metres_per_unit),
                *(
                    []
                    if rainfall is None
                    else rain_findings(rainfall, place_of(site.lot), job.criteria)
                ),
            ]
        ),
        lot.job.units,
    )
    return InputReport(
        name=lot.job.job.name,
        elevation=source.describe(),
        layers=tuple({"layer": s.layer, "file": s.file, "rows": s.rows} for s in site.sources),
        lot_area_m2=lot_area(site.lot, window.surface.ground.metres_per_unit),
        findings=findings,
        missing=missing_inputs(lot.job, site, lot.case),
        units=lot.job.units,
    )
