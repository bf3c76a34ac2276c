"""What a row of each table of the drains room holds."""

from __future__ import annotations

from dataclasses import dataclass

from lotflow.units import to_si


@dataclass(frozen=True)
class PipeMaterial:
    """
    Roughness of a pipe material (`pipe_materials.csv`).

    Parameters
    ----------
    material
        Key used in the layer `drain_lines`.
    n_low, n_design, n_high
        Manning n [s/m^(1/3)]: published range, and the value taken where none is given.
    source
        Where range and design value come from.
    """

    material: str
    n_low: float
    n_design: float
    n_high: float
    source: str


@dataclass(frozen=True)
class ChannelRoughness:
    """
    Roughness of a channel drain or street gutter (`channel_roughness.csv`) [s/m^(1/3)].

    Also of a swale by its lining (`swale_roughness.csv`).
    """

    surface: str
    n_low: float
    n_design: float
    n_high: float
    source: str


@dataclass(frozen=True)
class PipeSize:
    """
    One size of one material (`pipe_sizes.csv`).

    Parameters
    ----------
    size, unit
        Nominal size, as it is ordered: 4 "in", 110 "mm".
    inside_diameter_mm
        What water gets [mm]; equal to the nominal size where `source` says so.
    offered
        Whether new lines are laid with it.
    source
        Where the inside diameter comes from.
    """

    material: str
    size: float
    unit: str
    inside_diameter_mm: float
    offered: bool
    source: str

    @property
    def size_m(self) -> float:
        """Nominal size [m]."""
        return to_si(self.size, self.unit)

    @property
    def inside_diameter_m(self) -> float:
        """Inside diameter [m]."""
        return to_si(self.inside_diameter_mm, "mm")

    @property
    def label(self) -> str:
        """Nominal size as it is ordered: "4 in"."""
        return f"{self.size:g} {self.unit}"


@dataclass(frozen=True)
class MinimumFall:
    """
    Least fall of something that carries water (`minimum_fall.csv`).

    Parameters
    ----------
    kind
        "pipe", "lawn", "grass swale", ...
    size_from_mm
        Nominal size from which the row holds [mm]; the last row that is reached counts.
    least
        Fall divided by length that must not be gone below [-].
    preferred
        Fall that is better kept [-]; None where the source has only one figure.
    source
        Where the figures come from.
    """

    kind: str
    size_from_mm: float
    least: float
    preferred: float | None
    source: str


@dataclass(frozen=True)
class SoilInfiltration:
    """
    Design infiltration of a soil (`infiltration.csv`).

    Parameters
    ----------
    soil_group
        Hydrologic soil group, "A" to "D".
    soil
        Texture; rows of a group are in the order of falling rate.
    rate_in_h
        Rate after allowance for clogging, as published [in/h].
    source
        Where the rate comes from.
    """

    soil_group: str
    soil: str
    rate_in_h: float
    source: str

    @property
    def rate_m_s(self) -> float:
        """Design infiltration rate [m/s]."""
        return to_si(self.rate_in_h, "in_h")


@dataclass(frozen=True)
class StructureLoss:
    """Head lost in an inlet or access hole, in velocity heads (`structure_losses.csv`)."""

    structure: str
    deflection_deg: float
    coefficient: float
    source: str


@dataclass(frozen=True)
class ContractionLoss:
    """Head lost where a pipe narrows at once, in velocity heads (`contraction_losses.csv`)."""

    diameter_ratio: float
    coefficient: float
    source: str
