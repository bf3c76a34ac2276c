"""Jobs as they are today: nothing proposed in them, what was to be replaced stays."""

from __future__ import annotations

import shutil
from pathlib import Path

import geopandas as gpd
import pyogrio

JOBS = Path(__file__).parents[1] / "jobs"


def today_copy(source: Path, folder: Path) -> Path:
    """A copy of a job without proposed rows; what leads to one of them leads onto the ground."""
    folder.mkdir(parents=True)
    text = (source / "job.toml").read_text().replace("../data", str(JOBS / "data"))
    for name in ("dem.tif", "rainfall.csv"):
        if (source / name).exists():
            shutil.copy(source / name, folder)
    (folder / "job.toml").write_text(text)
    kept: set[str] = set()
    frames = {}
    for layer, kind in pyogrio.list_layers(source / "site.gpkg"):
        if kind is None:
            continue
        frame = gpd.read_file(source / "site.gpkg", layer=layer)
        if "status" in frame:
            frame = frame[frame["status"].fillna("existing") != "proposed"].copy()
            frame["status"] = frame["status"].replace("replaced", "existing")
        for column in ("name", "from", "to", "from_node", "to_node"):
            if layer != "downspouts" and column in frame:
                kept |= set(frame[column].dropna())
        frames[layer] = frame
    for layer, frame in frames.items():
        if layer == "downspouts" and len(frame):
            column = "leads_to" if "leads_to" in frame else "to"
            frame[column] = [to if to in kept else "surface" for to in frame[column]]
        frame.to_file(folder / "site.gpkg", layer=layer, driver="GPKG")
    return folder
