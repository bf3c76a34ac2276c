"""Where a result comes from: inputs, options, versions; nothing of the machine or the clock."""

from __future__ import annotations

import hashlib
import json
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lotflow.inputs.elevation import ElevationSource
    from lotflow.inputs.job import Job
    from lotflow.inputs.job_tables import Observations, Prices, Rain
    from lotflow.inputs.site import Site

#: Libraries that decide a number.
_LIBRARIES = ("richdem2", "numpy", "numba", "scipy", "shapely", "pyproj", "rasterio", "pyogrio",
              "geopandas")  # fmt: skip


def package_versions() -> dict[str, str]:
    """Versions of the libraries that decide a number, as they are installed: none is loaded."""
    found = {}
    for name in _LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "unknown"
    return found


def library_versions() -> dict[str, str]:
    """Versions of the libraries that decide a number, with both GDALs."""
    import pyogrio  # noqa: PLC0415 - slow to import
    import rasterio  # noqa: PLC0415 - slow to import

    found = package_versions()
    found["GDAL of rasterio"] = rasterio.__gdal_version__
    found["GDAL of pyogrio"] = pyogrio.__gdal_version_string__
    return found


def _hashed(
    given: Rain | Prices | Observations | None, sha256: str | None
) -> dict[str, str] | None:
    """Name a file with the hash of what was read of it; None where none was read."""
    if given is None or given.file is None or sha256 is None:
        return None
    return {"file": given.file.name, "sha256": sha256}


def provenance(
    job: Job, source: ElevationSource, site: Site, *, program: str, use_covers: bool,
    hashes: Mapping[str, str], units_because: str,
) -> dict[str, Any]:  # fmt: skip
    """
    Say what a result was computed from, with a run id that is the hash of it all.

    Parameters
    ----------
    job, source, site
        What was asked and read.
    program
        Its name and version.
    use_covers
        Option of the study.
    hashes
        SHA-256 of the tables "rainfall", "prices" and "observations" as they were read, of those
        that were.
    units_because
        What decided the units of the report.
    """
    content = {
        "program": program,
        "job": job.describe(),
        "units": {"units": job.units, "because": units_because},
        "use_covers": use_covers,
        "elevation": source.describe(),
        "layers": [
            {"layer": s.layer, "file": s.file, "layer_in_file": s.layer_in_file, "rows": s.rows,
             "sha256": s.hashes}
            for s in site.sources
        ],
        # rainfall coefficients stand in the job itself
        "rainfall": _hashed(job.rainfall, hashes.get("rainfall")),
        "prices": _hashed(job.prices, hashes.get("prices")),
        "observations": _hashed(job.observations, hashes.get("observations")),
        "libraries": library_versions(),
    }  # fmt: skip
    packed = json.dumps(content, sort_keys=True, allow_nan=False).encode()
    return {"run_id": hashlib.sha256(packed).hexdigest(), **content}
