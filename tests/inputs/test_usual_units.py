"""Units of a report that nobody has stated: those of the country in which the lot lies."""

import pytest
from pyproj import CRS

from lotflow.inputs.usual_units import unit_choice
from lotflow.tables.places import in_united_states

UTM_17 = CRS.from_epsg(26917)
WGS_84 = CRS.from_epsg(4326)

#: Latitude, longitude and country of towns near its borders and far off: GeoNames, from memory.
TOWNS = {
    "Seattle": (47.61, -122.33, True),
    "Vancouver": (49.28, -123.12, False),
    "Victoria": (48.43, -123.37, False),
    "San Diego": (32.72, -117.16, True),
    "Tijuana": (32.51, -117.04, False),
    "Nogales, Arizona": (31.35, -110.94, True),
    "Hermosillo": (29.07, -110.96, False),
    "Monterrey": (25.69, -100.32, False),
    "Detroit": (42.33, -83.05, True),
    "Windsor, Ontario": (42.30, -83.02, False),
    "Buffalo": (42.89, -78.88, True),
    "Toronto": (43.65, -79.38, False),
    "Montreal": (45.50, -73.57, False),
    "Burlington, Vermont": (44.48, -73.21, True),
    "Key West": (24.56, -81.78, True),
    "Nassau": (25.05, -77.35, False),
    "Havana": (23.13, -82.38, False),
    "Anchorage": (61.22, -149.90, True),
    "Juneau": (58.30, -134.42, True),
    "Whitehorse": (60.72, -135.06, False),
    "Adak": (51.88, -176.66, True),
    "Honolulu": (21.31, -157.86, True),
    "San Juan": (18.47, -66.11, True),
    "Santo Domingo": (18.49, -69.93, False),
    "Hagatna": (13.47, 144.75, True),
    "Pago Pago": (-14.28, -170.70, True),
    "Apia": (-13.83, -171.77, False),
    "Delft": (52.01, 4.36, False),
    "null island": (0.0, 0.0, False),
}


@pytest.mark.parametrize("town", TOWNS)
def test_towns_lie_in_their_country(town):
    latitude, longitude, ours = TOWNS[town]
    assert in_united_states(latitude, longitude) is ours
    assert unit_choice(None, WGS_84, "m", (latitude, longitude)).units == (
        "us" if ours else "metric"
    )


def test_what_is_stated_wins():
    assert unit_choice("metric", UTM_17, "us-ft", (38.8, -77.05)).units == "metric"
    assert unit_choice("us", UTM_17, "m", (52.0, 4.4)).units == "us"


@pytest.mark.parametrize(
    ("crs", "vertical", "because"),
    [
        (CRS.from_epsg(26917), "us-ft", "the elevation data are in feet"),
        (CRS.from_epsg(26917), "ft", "the elevation data are in feet"),
        # NAD83(2011) / Virginia North (ftUS), and with NAVD88 heights in metres
        (CRS.from_epsg(6593), "m", "the elevation data are in feet"),
        (CRS.from_user_input("EPSG:6593+5703"), "m", "the elevation data are in feet"),
        # NAD83 / Conus Albers and NAD83(2011) / Virginia North, both in metres
        (CRS.from_epsg(5070), "m", "NAD83 / Conus Albers is used in the US alone"),
    ],
)
def test_feet_and_a_crs_of_the_us_go_before_the_place(crs, vertical, because):
    choice = unit_choice(None, crs, vertical, None)
    assert (choice.units, choice.because) == ("us", because)


def test_a_lot_that_is_nowhere_is_told_in_metric_units():
    choice = unit_choice(None, CRS.from_epsg(3857), "m", None)
    assert (choice.units, choice.because) == ("metric", "where the lot lies is not known")
