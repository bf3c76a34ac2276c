"""What is drawn of a site, and the two states of its drains and ground: today, and as proposed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal, Protocol

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from geopandas import GeoDataFrame

Case = Literal["today", "proposed"]

#: Status of what takes part in each case; a row without a status exists.
_PARTS: Final[dict[Case, tuple[str, ...]]] = {
    "today": ("existing", "replaced"),
    "proposed": ("existing", "proposed"),
}
#: Status of the earthworks that are cut into the ground in each case.
_CUT: Final[dict[Case, tuple[str, ...]]] = {
    "today": ("as built",),
    "proposed": ("as built", "proposed"),
}
_LAYERS: Final = ("inlets", "downspouts", "drain_lines", "outlets")


@dataclass(frozen=True, eq=False)
class DrawnRow:
    """
    A row of a layer that is drawn in.

    Parameters
    ----------
    table
        Name of the table.
    values
        By the name of the column without unit; in SI.
    shape
        In the coordinates of the elevation data.
    """

    table: str
    values: Mapping[str, Any]
    shape: Any


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
    def earthworks(self) -> GeoDataFrame: ...  # noqa: D102
    @property
    def water(self) -> GeoDataFrame: ...  # noqa: D102
    @property
    def shots(self) -> GeoDataFrame: ...  # noqa: D102

    @property
    def observations(self) -> GeoDataFrame: ...  # noqa: D102
    @property
    def allowed_ends(self) -> GeoDataFrame: ...  # noqa: D102
    @property
    def wanted(self) -> GeoDataFrame: ...  # noqa: D102


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

    A row that `replaces` another, as a downspout does that is led elsewhere, takes its place in the
    cases that it takes part in.

    >>> frame = frame.assign(replaces=[None, None, "a"])
    >>> list(in_case(frame, "today")["name"]), list(in_case(frame, "proposed")["name"])
    (['a', 'b'], ['c'])
    """
    rows = frame[frame["status"].fillna("existing").isin(_PARTS[case])]
    if "replaces" not in rows or not (gone := set(rows["replaces"].dropna()) - {""}):
        return rows
    # one that would replace itself stays, to be told
    named = zip(downspout_names(rows), rows["replaces"], strict=True)
    return rows[[name not in gone or name == own for name, own in named]]


def downspout_names(rows: pd.DataFrame) -> list[str]:
    """
    Names of downspouts, by their rows in the layer, from 1, where they have none.

    Parameters
    ----------
    rows
        Of the layer, with its index.

    Examples
    --------
    >>> import pandas as pd
    >>> downspout_names(pd.DataFrame({"name": ["DS1", None]}))
    ['DS1', 'downspout 2']
    """
    return [
        name if isinstance(name, str) and name else f"downspout {int(index) + 1}"
        for index, name in zip(rows.index, rows["name"], strict=True)
    ]


def earthworks_in(earthworks: pd.DataFrame, case: Case) -> Any:
    """
    Rows of the earthworks that are cut into the ground in a case.

    Those that exist already are in the elevation data; one without a status is proposed.

    Parameters
    ----------
    earthworks
        Site layer with a column `status`.
    case
        Which state of the ground.

    Examples
    --------
    >>> import pandas as pd
    >>> frame = pd.DataFrame({"name": list("abc"), "status": [None, "as built", "existing"]})
    >>> list(earthworks_in(frame, "today")["name"]), list(earthworks_in(frame, "proposed")["name"])
    (['b'], ['a', 'b'])
    """
    return earthworks[earthworks["status"].fillna("proposed").isin(_CUT[case])]


def is_dug_alike(site: Drawn, first: Case, second: Case) -> bool:
    """
    Tell whether two cases have the same ground.

    Parameters
    ----------
    site
        With its earthworks.
    first, second
        What is dug in one of them is dug in the other too, or more.
    """
    works = site.earthworks
    return len(earthworks_in(works, first)) == len(earthworks_in(works, second))


def cases_of(site: Drawn) -> tuple[Case, ...]:
    """
    Cases that a site describes; the last one is that of the main result.

    Parameters
    ----------
    site
        "proposed" is a case of it where anything is proposed or replaced, or to be dug.
    """
    changed = any(
        getattr(site, name)["status"].isin(("proposed", "replaced")).any() for name in _LAYERS
    ) or bool(site.earthworks["status"].fillna("proposed").eq("proposed").any())
    return ("today", "proposed") if changed else ("today",)
