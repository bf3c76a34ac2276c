"""What a row of each table of the runoff room holds."""

from __future__ import annotations

from dataclasses import dataclass

from lotflow.tables import read_table


@dataclass(frozen=True)
class Cover:
    """
    One surface cover (`covers.csv`); lawn has a row per soil and slope class.

    Parameters
    ----------
    cover
        Key used in the layer `covers`.
    soil_groups
        Hydrologic soil groups the row holds for, as letters: "AB".
    slope_to
        Steepest slope the row holds for [m/m]; None: no limit. Rows of a cover are in the order
        of slope, and the first that reaches the slope counts.
    coefficient_low, coefficient_high, coefficient_default
        Runoff coefficient C [-]: published range, and the value taken where none is given.
    curve_numbers, roughness
        Surfaces in `curve_numbers.csv` and `sheet_flow_roughness.csv` this cover is counted as.
    paved
        Whether shallow concentrated flow runs at the velocity of pavement.
    infiltration
        "none", "soil" or "compacted soil" (one class lower): what takes in standing water.
    source
        Where the range of C comes from.
    note
        Why the default is what it is.
    """

    cover: str
    soil_groups: str
    slope_to: float | None
    coefficient_low: float
    coefficient_high: float
    coefficient_default: float
    curve_numbers: str
    roughness: str
    paved: bool
    infiltration: str
    source: str
    note: str


@dataclass(frozen=True)
class CurveNumbers:
    """
    Curve numbers of a surface (`curve_numbers.csv`) for hydrologic soil groups A to D.

    Parameters
    ----------
    surface
        What it is; referred to by `Cover.curve_numbers`.
    condition
        "good", "fair" or "poor"; empty where the surface has no condition.
    impervious_percent
        Share of impervious ground of a built-up district [%].
    a, b, c, d
        Curve number per hydrologic soil group [-].
    """

    surface: str
    condition: str
    impervious_percent: float | None
    a: float
    b: float
    c: float
    d: float
    source: str

    def of_group(self, soil_group: str) -> float:
        """
        Curve number of one soil group.

        Parameters
        ----------
        soil_group
            "A", "B", "C" or "D".
        """
        return {"A": self.a, "B": self.b, "C": self.c, "D": self.d}[soil_group]


@dataclass(frozen=True)
class Roughness:
    """Manning n of sheet flow over a surface [s/m^(1/3)] (`sheet_flow_roughness.csv`)."""

    surface: str
    roughness: float
    source: str


@dataclass(frozen=True)
class PeakCoefficients:
    """Coefficients of the graphical peak discharge (`nrcs_peak.csv`)."""

    storm_type: str
    abstraction_ratio: float
    c0: float
    c1: float
    c2: float
    source: str


@dataclass(frozen=True)
class PondFactor:
    """Reduction of the peak by ponds and swamps (`pond_factors.csv`)."""

    pond_percent: float
    factor: float
    source: str


@dataclass(frozen=True)
class FrequencyFactor:
    """Increase of the runoff coefficient in rare storms (`frequency_factors.csv`)."""

    return_period_yr: float
    factor: float
    source: str


@dataclass(frozen=True)
class UnitHydrographPoint:
    """One ordinate of the dimensionless unit hydrograph (`unit_hydrograph.csv`)."""

    time_ratio: float
    flow_ratio: float
    mass_ratio: float
    source: str


def cover_keys() -> tuple[str, ...]:
    """
    Keys of the cover table, in its order.

    Examples
    --------
    >>> cover_keys()[:3]
    ('roof', 'asphalt', 'concrete')
    """
    return tuple(dict.fromkeys(row.cover for row in read_table("covers", Cover)))
