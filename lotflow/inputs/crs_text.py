"""
Coordinate reference systems that name a file are refused before a library sees them.

A CRS may shift its datum by a grid file. The usual library opens that file, wherever it lies,
as soon as it opens the data; so the text in which a CRS may stand is looked at first.
"""

from __future__ import annotations

import errno
import re
import struct
from pathlib import Path
from typing import BinaryIO, Final

from lotflow.errors import Fault, InputError
from lotflow.inputs.open import reading
from lotflow.inputs.tiff_structure import directories

#: How well-known text of version 1 and 2 and PROJ strings name a grid; `@null` names none.
_NAMES_A_FILE: Final = re.compile(
    rb'PROJ4_GRIDS|PARAMETERFILE|(nad|geoid)grids\s*=(?!@null(["\s+]|$))', re.IGNORECASE
)
#: Tag of a GeoTIFF that holds all text of its CRS: GeoAsciiParamsTag.
_TEXT_TAG: Final = 34_737
#: No CRS needs more text.
_LONGEST_TEXT: Final = 1_000_000


def check_crs_text(text: bytes, *, file: str, layer: str | None = None) -> None:
    """
    Refuse text of a CRS that names a grid file.

    Examples
    --------
    >>> check_crs_text(b'EXTENSION["PROJ4","+proj=merc +nadgrids=@null +wktext"]', file="a.prj")
    >>> check_crs_text(b'EXTENSION["PROJ4_GRIDS","/tmp/shift.gsb"]', file="a.prj")
    Traceback (most recent call last):
    lotflow.errors.InputError: a.prj: the CRS names a grid file for its shift of datum. Reproject
    the data to a CRS with an EPSG code.
    """
    if _NAMES_A_FILE.search(text):
        rule = "the CRS names a grid file for its shift of datum"
        remedy = "Reproject the data to a CRS with an EPSG code"
        raise InputError(Fault(rule, remedy, file=file, layer=layer))


def geotiff_crs_text(path: Path) -> bytes:
    """
    Give the text of the CRS of a GeoTIFF; empty where there is none.

    A damaged file gives nothing: the library that opens it says what is wrong.

    References
    ----------
    OGC 19-008r4, GeoTIFF Standard 1.1, section 7.1.3; Adobe, TIFF Revision 6.0, section 2.
    """
    with reading(path), path.open("rb") as stream:
        try:
            return _text_of_first_directory(stream)
        except (struct.error, OverflowError, ValueError):
            return b""
        except OSError as error:
            if error.errno != errno.EINVAL:  # a place beyond any file
                raise
            return b""


def _text_of_first_directory(stream: BinaryIO) -> bytes:
    """Find the tag in the first directory and read what it points to."""
    first = next(directories(stream), None)
    if first is None or _TEXT_TAG not in first.tags:
        return b""
    _, length, place = first.tags[_TEXT_TAG]
    stream.seek(place)
    return stream.read(min(length, _LONGEST_TEXT))
