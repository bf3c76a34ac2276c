"""Worked sheets: the runoff of a node line by line, so that a reviewer can retrace it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from lotflow.errors import Fault, InputError
from lotflow.study.runoff_rows import node_area
from lotflow.study.worked_ground import ground_lines, part_lines
from lotflow.study.worked_peaks import graphical_lines, rational_lines, storage_lines, volume_lines
from lotflow.text import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lotflow.runoff.curve_number import StormType
    from lotflow.runoff.storms import StormStudy
    from lotflow.study.lot_water import LotWater

#: File of the sheets in a result.
SHEETS_FILE: Final = "runoff_sheets.txt"
#: Line below which the sheet of the next node begins.
SHEET_MARK: Final = "=" * 72


def worked_sheets(lot: LotWater, storms: StormStudy, releases: Mapping[str, float]) -> str:
    """
    Write the sheets of all inlets and of the nodes into which downspouts lead.

    Parameters
    ----------
    lot
        Its name heads the text.
    storms
        Of the main case.
    releases
        What the line that leaves an inlet carries, by its name; only where known [m^3/s].
    """
    head = [
        f"Runoff, worked: {lot.job.job.name}, drains: {lot.case}",
        f"Rain: {storms.rainfall.source}",
        *([f"All rain times {storms.rainfall.uplift:g}"] if storms.rainfall.uplift > 1 else []),
        "Every number in metric units, in brackets in US units.",
        "",
    ]
    given = lot.job.rainfall
    storm_type = None if given is None else given.storm_type
    sheets = (
        worked_sheet(storms, node, releases.get(name), storm_type)
        for node, name in enumerate(storms.node_names)
    )
    return "\n".join(head) + "".join(f"{SHEET_MARK}\n{sheet}\n" for sheet in sheets)


def worked_sheet(
    storms: StormStudy,
    node: int,
    release_m3s: float | None = None,
    storm_type: StormType | None = None,
) -> str:
    """
    Write the sheet of one node.

    Parameters
    ----------
    storms
        Of the main case.
    node
        Its position.
    release_m3s
        What the line that leaves it carries; None where that is not known [m^3/s].
    storm_type
        NRCS distribution of the region, for the graphical peak; None where it is not given.

    Returns
    -------
    sheet
        Begins with the name of the node.
    """
    lines = [storms.node_names[node], ""]
    area = node_area(storms, node)
    if not area:
        return "\n".join([*lines, "Nothing reaches it.", ""])
    lines += ["1. Ground that reaches it", *ground_lines(storms, node, area), ""]
    lines += ["2. Parts and times of concentration", *part_lines(storms, node), ""]
    lines += ["3. Peak by the rational method, Q = max over t of i(t) x sum of C A of the parts "
              "that have arrived by t", "   FHWA HEC-22, 3rd ed. 2009, equation 3-1 and section "
              "7.2.2", *rational_lines(storms, node), ""]  # fmt: skip
    lines += ["4. Volume of the whole storm", *volume_lines(storms, node)]
    lines += ["", "5. Water held back beside it", *storage_lines(storms, node, release_m3s)]
    lines += ["", "6. Peak by the graphical method", *graphical_lines(storms, node, storm_type)]
    return "\n".join(lines) + "\n"


def explained(sheets: str) -> dict[str, str]:
    r"""
    Take the sheets of a text apart again.

    Parameters
    ----------
    sheets
        From `worked_sheets`.

    Returns
    -------
    sheets
        By the name of the node.

    Examples
    --------
    >>> explained("head\n" + SHEET_MARK + "\nC1\n\nNothing reaches it.\n\n")
    {'C1': 'C1\n\nNothing reaches it.\n'}
    """
    _, *parts = sheets.split(f"{SHEET_MARK}\n")
    return {part.split("\n", 1)[0]: part.removesuffix("\n") for part in parts}


def sheet_of(texts: Mapping[str, str], name: str) -> str:
    """
    Find the sheet of one node among the texts of a study.

    Parameters
    ----------
    texts
        By file name.
    name
        Of the inlet or node.

    Raises
    ------
    InputError
        If there is no such sheet, with what may have been meant.

    Examples
    --------
    >>> sheet_of({}, "C1")
    Traceback (most recent call last):
    lotflow.errors.InputError: there are no worked sheets. Give rain: table [rainfall] of the job.
    """
    sheets = explained(texts.get(SHEETS_FILE, ""))
    if not sheets:
        raise InputError(
            Fault("there are no worked sheets", "Give rain: table [rainfall] of the job")
        )
    if name not in sheets:
        rule = f"there is no inlet or node {name!r} in the main case of the drains"
        raise InputError(Fault(rule, did_you_mean(name, list(sheets))))
    return sheets[name]
