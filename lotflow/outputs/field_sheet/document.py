"""The field sheet as a file of the result."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lotflow.outputs.result_file import ResultFile, bytes_file

if TYPE_CHECKING:
    from lotflow.outputs.field_sheet.content import FieldSheetContent


def field_sheet_bytes(content: FieldSheetContent) -> bytes:
    """
    Print a field sheet; the same content gives the same bytes.

    Parameters
    ----------
    content
        Of the sheet.

    Returns
    -------
    document
        PDF on Letter or A4 paper: the map across the first page, true to its scale, then what
        to check, ask, walk, measure and mind.
    """
    from lotflow.outputs.field_sheet.pages import (  # noqa: PLC0415 - the PDF writer is slow to import
        field_sheet_pdf,
    )

    return field_sheet_pdf(content)


def field_sheet_file(name: str, content: FieldSheetContent) -> ResultFile:
    """
    Make a result file of a field sheet.

    Parameters
    ----------
    name
        Name in the result folder.
    content
        Of the sheet.
    """
    return bytes_file(name, field_sheet_bytes(content))
