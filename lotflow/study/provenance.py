"""Where a result comes from: inputs, options, versions; nothing of the machine or the clock."""

from __future__ import annotations

import hashlib
import json
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

from lotflow import __version__
from lotflow.inputs.open import sha256

if TYPE_CHECKING:
    from lotflow.inputs.elevation import ElevationSource
    from lotflow.inputs.job import Job
    from lotflow.inputs.site import Site

#: Libraries that decide a number.
_LIBRARIES = ("richdem2", "numpy", "numba", "scipy", "shapely", "pyproj", "rasterio", "pyogrio",
              "geopandas")  # fmt: skip


def library_versions() -> dict[str, str]:
    """Versions of the libraries that decide a number, with both GDALs."""
    import pyogrio  # noqa: PLC0415 - slow to import
    import rasterio  # noqa: PLC0415 - slow to import

    found = {}
    for name in _LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "unknown"
    found["GDAL of rasterio"] = rasterio.__gdal_version__
    found["GDAL of pyogrio"] = pyogrio.__gdal_version_string__
    return found


def _rainfall(job: Job) -> dict[str, str] | None:
    """Name the rainfall table with its hash; coefficients stand in the job itself."""
    if job.rainfall is None or job.rainfall.file is None:
        return None
    return {"file": job.rainfall.file.name, "sha256": sha256(job.rainfall.file)}


def provenance(
    job: Job, source: ElevationSource, site: Site, *, use_covers: bool
) -> dict[str, Any]:
    """
    Say what a result was computed from, with a run id that is the hash of it all.

    Parameters
    ----------
    job, source, site
        What was asked and read.
    use_covers
        Option of the study.
    """
    content = {
        "program": f"lotflow {__version__}",
        "job": job.describe(),
        "use_covers": use_covers,
        "elevation": source.describe(),
        "layers": [
            {"layer": s.layer, "file": s.file, "layer_in_file": s.layer_in_file, "rows": s.rows,
             "sha256": s.hashes}
            for s in site.sources
        ],
        "rainfall": _rainfall(job),
        "libraries": library_versions(),
    }  # fmt: skip
    packed = json.dumps(content, sort_keys=True, allow_nan=False).encode()
    return {"run_id": hashlib.sha256(packed).hexdigest(), **content}
