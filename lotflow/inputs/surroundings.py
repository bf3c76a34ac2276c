"""What the libraries of a process are told before they are loaded: to follow no file elsewhere."""

from __future__ import annotations

import os
from typing import Final

#: Drivers of GDAL that follow a file to other files or ask the network. None is needed, so they
#: are not even loaded; GDAL looks at these settings once, when it is first imported.
_NOT_LOADED: Final = (
    "VRT", "GTI", "OGR_VRT", "GDALG", "HTTP", "WMS", "WMTS", "WCS", "WFS", "CSW", "OAPIF",
    "OGCAPI", "PLMOSAIC", "PLSCENES", "DAAS", "EEDA", "EEDAI", "STACTA", "STACIT", "NGW",
    "Carto", "AmigoCloud", "Elasticsearch", "MBTiles", "PMTiles", "PDF", "PCIDSK",
)  # fmt: skip


def keep_to_local_files() -> None:
    """Have the libraries of this process, and of its children, follow no file elsewhere."""
    for name in ("GDAL_SKIP", "OGR_SKIP"):
        told = (os.environ.get(name) or "").split(",")
        os.environ[name] = ",".join(dict.fromkeys(filter(None, (*told, *_NOT_LOADED))))
    # it warns of each one again whenever it looks for them; what matters comes as an exception
    os.environ.setdefault("CPL_LOG", os.devnull)
    # nothing is left beside a file that is only read
    os.environ["GDAL_PAM_ENABLED"] = "NO"
    # a shift of datum must not depend on what a server gives, nor on whether it is reached
    os.environ["PROJ_NETWORK"] = "OFF"
    # it would look through all that is installed for code that wants to take part
    os.environ["PYDANTIC_DISABLE_PLUGINS"] = "__all__"
    # a notebook names a way of drawing that only it has; nothing is drawn on a screen here
    os.environ["MPLBACKEND"] = "agg"
