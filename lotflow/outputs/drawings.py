"""What of a result is drawn with slow libraries: the map, and the field sheet that bears it."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lotflow.outputs.field_sheet.content import FieldSheetContent
    from lotflow.outputs.map.content import MapContent


def ready_for_map() -> None:
    """Load what a map takes, before it is known what is to be drawn."""
    import geopandas  # noqa: F401, PLC0415 - its tables are what is handed over

    import lotflow.outputs.map.sheet  # noqa: F401, PLC0415 - matplotlib is slow to import


def ready_for_sheet() -> None:
    """Load what a field sheet takes; most of it is the reading of its fonts."""
    import lotflow.outputs.field_sheet.parts  # noqa: PLC0415 - the PDF writer is slow to import
    import lotflow.outputs.field_sheet.typesetting  # noqa: PLC0415 - as above

    lotflow.outputs.field_sheet.typesetting.register_fonts()


def map_bytes(content: MapContent) -> bytes:
    """
    Draw a map as PNG: one sheet of Letter or A4 paper across, true to its scale if printed so.

    The same content gives the same bytes.
    """
    _without_advice()
    from lotflow.outputs.map.sheet import draw_sheet  # noqa: PLC0415 - matplotlib is slow to import

    return draw_sheet(content)


def field_sheet_bytes(content: FieldSheetContent) -> bytes:
    """
    Print a field sheet as PDF; the same content gives the same bytes.

    On Letter or A4 paper, upright: the map, true to its scale, with the answer; then what to
    measure, ask and mind. A screening has one page.
    """
    _without_advice()
    from lotflow.outputs.field_sheet.parts import (  # noqa: PLC0415 - the PDF writer is slow to import
        field_sheet_pdf,
    )

    return field_sheet_pdf(content)


def _without_advice() -> None:
    """Where there is no home, the library would advise on stderr about a folder of its own."""
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
