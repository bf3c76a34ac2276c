"""What is drawn of a site, and the two states of its drains: as they are today, and as proposed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Literal, Protocol

if TYPE_CHECKING:
    import pandas as pd
    from geopandas import GeoDataFrame

Case = Literal["today", "proposed"]

#: Status of what takes part in each case; a row without a status exists.
_PARTS: Final[dict[Case, tuple[str, ...]]] = {
    "today": ("existing", "replaced"),
    "proposed": ("existing", "proposed"),
}
_LAYERS: Final = ("inlets", "downspouts", "drain_lines", "outlets")


class Drawn(Protocol):
    """
    The layers of a site, in SI and in the CRS of the grid; without rows where nothing is drawn.

    What is computed from the layers takes no more of a site than this, and so knows nothing of
    the files that it was read from.
    """

    @property
    def lot(self) -> GeoDataFrame: ...  # noqa: D102
    @property
    def buildings(self) -> GeoDataFrame: ...  # noqa: D102
    @property
    def covers(self) -> GeoDataFrame: ...  # noqa: D102
    @property
    def inlets(self) -> GeoDataFrame: ...  # noqa: D102
    @property
    def downspouts(self) -> GeoDataFrame: ...  # noqa: D102
    @property
    def drain_lines(self) -> GeoDataFrame: ...  # noqa: D102
    @property
    def outlets(self) -> GeoDataFrame: ...  # noqa: D102
    @property
    def openings(self) -> GeoDataFrame: ...  # noqa: D102
    @property
    def constraints(self) -> GeoDataFrame: ...  # noqa: D102
    @property
    def water(self) -> GeoDataFrame: ...  # noqa: D102
    @property
    def observations(self) -> GeoDataFrame: ...  # noqa: D102


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


def cases_of(site: Drawn) -> tuple[Case, ...]:
    """
    Cases that a site describes; the last one is that of the main result.

    Parameters
    ----------
    site
        "proposed" is a case of it where anything is proposed or replaced.
    """
    changed = any(
        getattr(site, name)["status"].isin(("proposed", "replaced")).any() for name in _LAYERS
    )
    return ("today", "proposed") if changed else ("today",)
