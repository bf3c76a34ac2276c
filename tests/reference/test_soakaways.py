"""Infiltration trench of an American ordinance and a British soakaway calculation."""

from __future__ import annotations

import numpy as np
import pytest

from lotflow.drains.dry_wells import emptying_time, excavated_volume, storage_need


# ordinance of a Pennsylvania municipality: 2.04 in on 824 ft^2, 40 % voids, 3 ft deep, 6 ft wide:
# 140 ft^3 -> 350 ft^3 of stone -> 117 ft^2 -> 20 ft long
def test_infiltration_trench_140_350_117_20():
    storage = 2.04 * 824 / 12
    stone = excavated_volume(storage, voids=0.40)
    assert storage == pytest.approx(140, abs=0.5)
    assert stone == pytest.approx(350, abs=0.5)
    assert stone / 3 == pytest.approx(117, abs=0.5)
    length = stone / (3.0 * 6.0)
    assert np.ceil(length) == 20
    assert length == pytest.approx(19.5, abs=0.05)


# planning calculation by BRE Digest 365: 690 m^2, soil 8.5e-6 m/s, trench 23 x 5 x 0.8 m; inflow
# as printed, storage computed independently; 10 h govern, half empty in 16.6 h, 30 % voids hold
# 27.6 m^3
def test_soakaway_by_digest_365():
    minutes = np.array([10, 15, 30, 60, 120, 240, 360, 600, 1440, 2880])
    inflow = [8.75, 10.69, 13.69, 17.11, 20.71, 24.41, 26.72, 29.64, 36.48, 42.30]
    expected = [8.64, 10.52, 13.35, 16.43, 19.34, 21.67, 22.60, 22.79, 20.02, 9.40]
    # the sides up to half the depth; the base clogs
    sides = 2 * (23.0 + 5.0) * 0.8 / 2
    need = storage_need(
        lambda t: np.interp(t, minutes * 60, np.array(inflow) / 690),
        minutes * 60,
        690.0,
        8.5e-6,
        sides,
    )
    assert need.inflow == pytest.approx(inflow)
    assert need.storage == pytest.approx(expected, abs=0.01)
    assert need.critical_duration == 600 * 60
    assert not need.governed_by_longest
    hours = emptying_time(0.5 * need.volume, 8.5e-6, sides) / 3600
    assert hours == pytest.approx(16.6, abs=0.05)
    assert hours < 24
    void = 0.30 * 23 * 5 * 0.8
    assert void == pytest.approx(27.6)
    assert need.volume <= void
