"""
The only schema: the layers a site is described with, and those a result holds.

A measured column is declared once by its base name and quantity; it may be given in either
system (`diameter_mm` or `diameter_in`) and is carried in SI inside (`diameter_m`).
"""

from __future__ import annotations

from lotflow.layers.columns import (
    CONSTRAINT_KINDS,
    COVERS,
    EARTHWORK_AREAS,
    EARTHWORK_LINES,
    EARTHWORK_STATUSES,
    GROUND_KINDS,
    INLET_KINDS,
    LEVEL_SOURCES,
    LININGS,
    MATERIALS,
    OPENING_KINDS,
    OUTLET_KINDS,
    QUANTITIES,
    STATUSES,
    Column,
    DrawnTable,
    Geometry,
    Kind,
    Layer,
)
from lotflow.layers.result import CORE_LAYERS, RESULT_LAYERS
from lotflow.layers.site import DRAWN_TABLES, SITE_LAYERS, table_for, tables_of

__all__ = [
    "CONSTRAINT_KINDS",
    "CORE_LAYERS",
    "COVERS",
    "DRAWN_TABLES",
    "EARTHWORK_AREAS",
    "EARTHWORK_LINES",
    "EARTHWORK_STATUSES",
    "GROUND_KINDS",
    "INLET_KINDS",
    "LEVEL_SOURCES",
    "LININGS",
    "MATERIALS",
    "OPENING_KINDS",
    "OUTLET_KINDS",
    "QUANTITIES",
    "RESULT_LAYERS",
    "SITE_LAYERS",
    "STATUSES",
    "Column",
    "DrawnTable",
    "Geometry",
    "Kind",
    "Layer",
    "table_for",
    "tables_of",
]
