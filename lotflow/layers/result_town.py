"""The one layer of a batch: the lots of a town, a row each."""

from __future__ import annotations

from typing import Final

from lotflow.layers.columns import Column, Layer, number

#: What a lot is coloured by, the worst first: the place where harm is done, by the table of harm;
#: else what a screening finds; else that nothing was found, or that the lot could not be studied.
CONCERNS: Final = (
    "harm at an opening", "harm at a wall", "harm on a walkway or paving", "harm on the lawn",
    "harm to a neighbour", "water stands, no way out by gravity", "water stands", "water comes on",
    "nothing found", "not studied",
)  # fmt: skip


def _count(name: str, meaning: str, label: str) -> Column:
    """Declare a count."""
    return Column(name, meaning, "whole", label=label)


TOWN_LAYER: Final = Layer(
    "lots",
    "The lots of a batch, one row each in the order of the parcels, also those that failed.",
    ("polygon",),
    (
        Column("parcel", "Value of the key column; empty where the row has none.", label="Lot"),
        Column("outcome", '"done", or "failed" with a reason.', label="Outcome"),
        Column("reason", "Why a lot could not be studied.", label="Why not"),
        Column("concern", "What matters most on the lot: where harm is done by the table of harm, "
               "else what was found; no score.", label="Concern", choices=CONCERNS),
        Column("harm", "The worst row of the table of harm: what, and where.", label="Harm"),
        _count("harm_rows", "Rows of the table of harm that are harm.", "Rows of harm"),
        Column("first_item", "What the answer tells first.", label="Told first"),
        _count("low_spots", "Low spots with a part on the lot, artefacts left out.", "Low spots"),
        number("deepest_m", "depth", "Greatest depth of these.", label="Deepest"),
        number("largest_m3", "volume", "Greatest volume of these.", label="Largest"),
        number("house_distance_m", "distance", "Least distance of these to a building.",
               label="From a house"),
        number("probability", "share", "Chance that the deepest is there; empty where no "
               "realisations were run.", label="Chance"),
        number("area_m2", "area", "Area of the lot.", label="Area"),
        number("run_on_m2", "area", "Ground beyond the lot whose water comes onto it.",
               label="Run-on"),
        _count("fails", "Findings that are failures.", "Failures"),
        _count("warnings", "Findings that are warnings.", "Warnings"),
        _count("overlaps", "Other lots that overlap it by more than 1 % of the smaller.",
               "Overlaps"),
        Column("folder", "Folder of the lot's result below that of the batch; empty where it was "
               "not kept.", label="Folder"),
        Column("run_id", "Identity of the lot's result: a hash of all that it was made from.",
               label="Run"),
    ),
    title="Lots",
)  # fmt: skip
TOWN_LAYERS: Final = {TOWN_LAYER.name: TOWN_LAYER}
