"""Where a result comes from: inputs, options, versions; nothing of the machine or the clock."""

from __future__ import annotations

import hashlib
import json
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

from lotflow import __version__
from lotflow.inputs.open import sha256

if TYPE_CHECKING:
    from pathlib import Path

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


def _hashed(file: Path | None) -> dict[str, str] | None:
    """Name a file with its hash; None where none was given."""
    return None if file is None else {"file": file.name, "sha256": sha256(file)}


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
        # rainfall coefficients stand in the job itself
        "rainfall": _hashed(None if job.rainfall is None else job.rainfall.file),
        "prices": _hashed(None if job.prices is None else job.prices.file),
        "libraries": library_versions(),
    }  # fmt: skip
    packed = json.dumps(content, sort_keys=True, allow_nan=False).encode()
    return {"run_id": hashlib.sha256(packed).hexdigest(), **content}
