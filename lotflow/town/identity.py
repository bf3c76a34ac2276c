"""
What a batch is made from, and whether it is finished: nothing is loaded for it but this.

A finished batch that is asked for again so costs the hashing of its files, however many lots.
"""

from __future__ import annotations

import hashlib
import json
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lotflow import __version__
from lotflow.errors import InputError
from lotflow.inputs.open import hashes_of, local_file
from lotflow.outputs.journal import PARQUET, is_told
from lotflow.outputs.manifest import COMPLETE, read_manifest, verify_result
from lotflow.outputs.provenance import package_versions

if TYPE_CHECKING:
    from lotflow.town.lots import TownJob


def run_id_of(town: TownJob) -> str:
    """
    Hash all that the rows of a batch follow from; what is kept of it does not change them.

    Every file is hashed with what stands beside it and is read with it.

    Raises
    ------
    InputError
        If there is no such file.
    """
    made_from = {
        "program": __version__,
        "packages": package_versions(),
        "elevation": [hashes_of(local_file(file, "elevation raster")) for file in town.elevation],
        "layers": {name: hashes_of(local_file(file, f"file of the layer {name}"))
                   for name, file in town.layers.items()},
        "options": {"key": town.key, "vertical_unit": town.vertical_unit, "units": town.units,
                    "realisations": town.realisations},
    }  # fmt: skip
    return hashlib.sha256(json.dumps(made_from, sort_keys=True).encode()).hexdigest()


def page_of(town: TownJob, folder: Path) -> dict[str, str]:
    """Title of the page of a batch, and which file of a lot's folder it leads to."""
    return {"title": folder.name, "opens": "plan.html" if town.pack else "overview.txt"}


def finished(town: TownJob, folder: Path) -> dict[str, Any] | None:
    """
    Find a batch that needs nothing more, where no folders of lots are asked for.

    Parameters
    ----------
    town
        What all lots have in common.
    folder
        Of the overview.

    Returns
    -------
    told
        What its summary tells of it, for `town_text`; None where something is missing or was
        changed, which the whole way through a batch mends or tells.
    """
    folder = folder.resolve()
    try:
        manifest = read_manifest(folder)
    except InputError:
        return None
    told, origin = manifest.get("town"), manifest.get("provenance")
    is_whole = (
        manifest["state"] == COMPLETE
        and isinstance(origin, dict)
        and origin.get("run_id") == run_id_of(town)
        and is_told(told)
        and told["page"] == page_of(town, folder)
        and (PARQUET in manifest["files"]) == (find_spec("pyarrow") is not None)
        and not verify_result(folder)
    )
    return told if is_whole else None
