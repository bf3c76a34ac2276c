"""The two states a drain system is judged in: as it is today, and as it is proposed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal

if TYPE_CHECKING:
    import pandas as pd

    from lotflow.inputs.site import Site

Case = Literal["today", "proposed"]

#: Status of what takes part in each case; a row without a status exists.
_PARTS: Final[dict[Case, tuple[str, ...]]] = {
    "today": ("existing", "replaced"),
    "proposed": ("existing", "proposed"),
}
_LAYERS: Final = ("inlets", "downspouts", "drain_lines", "outlets")


def in_case(frame: pd.DataFrame, case: Case) -> Any:
    """
    Rows of a layer that take part in a case.

    Parameters
    ----------
    frame
        Site layer with a column `status`.
    case
        Which state of the system.

    Examples
    --------
    >>> import pandas as pd
    >>> frame = pd.DataFrame({"name": list("abc"), "status": [None, "replaced", "proposed"]})
    >>> list(in_case(frame, "today")["name"]), list(in_case(frame, "proposed")["name"])
    (['a', 'b'], ['a', 'c'])
    """
    return frame[frame["status"].fillna("existing").isin(_PARTS[case])]


def cases_of(site: Site) -> tuple[Case, ...]:
    """
    Cases that a site describes; the last one is that of the main result.

    Parameters
    ----------
    site
        With its layers; "proposed" is a case where anything is proposed.
    """
    changed = any(
        getattr(site, name)["status"].isin(("proposed", "replaced")).any() for name in _LAYERS
    )
    return ("today", "proposed") if changed else ("today",)
