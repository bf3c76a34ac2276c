"""Low spots that are no water at all, told by their note."""

from __future__ import annotations

from typing import Any, Final

#: How the note begins (`terrain.artefacts`, which is slow to import).
_INSIDE: Final = "inside a building"


def inside_building(note: Any) -> bool:
    """
    Tell from its note whether a low spot lies inside a building: no water stands there.

    Any other note is a doubt that a look on site settles.

    Parameters
    ----------
    note
        Column `artefact` of the layer "low_spots"; None or not a text for none.

    Examples
    --------
    >>> inside_building("inside a building: an artefact of the elevation data")
    True
    >>> inside_building("at a gap in the elevation data: it may drain there"), inside_building(None)
    (False, False)
    """
    return isinstance(note, str) and note.startswith(_INSIDE)
