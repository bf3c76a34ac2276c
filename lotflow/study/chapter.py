"""What one step of a study adds to the result."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Protocol

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from lotflow.findings import Finding
    from lotflow.outputs.grids import Raster


#: Steps of a study that tell of their parts.
WHERE_TO: Final = "where the water goes"
RUNOFF: Final = "runoff and drains"


class Tell(Protocol):
    """What is told how far a study has come."""

    def __call__(self, step: str, part: str = "", /) -> None:
        """
        Tell which step begins, or which part of it that is being taken.

        Parameters
        ----------
        step
            Its name.
        part
            What of it is looked at; empty where the step begins.
        """


def say_nothing(_: str, __: str = "", /) -> None:
    """Nobody asked how far the study is."""


@dataclass(frozen=True, eq=False)
class Chapter:
    """
    What one step of a study adds to the result.

    Parameters
    ----------
    layers
        New layers and tables by name, as the schema declares them.
    columns
        Values for columns of layers that another step made: layer, then column, one value per
        row.
    findings
        What its checks found.
    sections
        Lists of the summary by their key, such as "ponds".
    rasters
        By file name, such as "pond_depth_10yr.tif".
    texts
        Text files by name, such as "runoff_C1.txt".
    hashes
        SHA-256 of the tables that it has read, by their key in the job, such as "prices".
    below, old_run
        How the drains hang together, as in `findings.Ties`.
    """

    layers: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    columns: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    findings: Sequence[Finding] = ()
    sections: Mapping[str, Sequence[Mapping[str, Any]]] = field(default_factory=dict)
    rasters: Mapping[str, Raster] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)
    hashes: Mapping[str, str] = field(default_factory=dict)
    below: Mapping[tuple[bool, str], Sequence[str]] = field(default_factory=dict)
    old_run: Mapping[tuple[bool, str], str] = field(default_factory=dict)


def inlet_share_file(number: int) -> str:
    """
    Name of the raster that tells how likely cells drain to an inlet.

    Parameters
    ----------
    number
        Of the inlet, from 1.
    """
    return f"drains_to_inlet_{number}.tif"
