"""
Colours of lotflow's maps, pages and styles.

They differ in lightness as well as in hue, so that they can be told apart by colour-blind eyes
and in a grey print.

References
----------
Okabe, M., Ito, K. (2008), Color Universal Design: the hues of the catchments.
"""

from __future__ import annotations

from typing import Final

INK: Final = "#22252b"
LOT: Final = "#b3123f"
FLOW: Final = "#0b6e8f"
RUN_ON: Final = "#e8871e"
RUN_OFF: Final = "#ffffff"
BUILDING: Final = "#d9d7d2"
BUILDING_EDGE: Final = "#7d7a74"
WATER_EDGE: Final = "#172062"
OPEN_WATER: Final = "#a3bdc9"
#: Low spots that may be no standing water.
DOUBTFUL: Final = "#5d6278"
CONTOUR: Final = "#8c6b3f"
#: Swales, which are no flow paths; ground that is raised.
SWALE: Final = "#5d8a1f"
EARTH: Final = "#a0784a"
PIPE: Final = "#5b2a86"
#: Numbers of the answer, and what is chosen.
ANSWER: Final = "#14506b"

#: Outlines of catchments, in the order of the inlets.
CATCHMENTS: Final = ("#e69f00", "#cc79a7", "#009e73", "#d55e00", "#8a7a00", "#7a4fa3")
#: Low spots and ponds by depth: lower bound [m] and colour, from light to dark.
DEPTHS: Final = (
    (0.0, "#c9e3f5"), (0.05, "#92c5e8"), (0.10, "#5a9fd4"), (0.20, "#2f6fb3"), (0.40, "#1a3f86"),
)  # fmt: skip
#: What a check found: a fault, nothing that the data could tell, no fault, not looked at. Dashes
#: tell the first three apart in a grey print too.
FAULT: Final = "#b83200"
UNSURE: Final = "#d99a00"
NO_FAULT: Final = "#00805c"
NOT_TOLD: Final = "#8a8780"
#: Dashes of lines, drawn and left out in turn: of the lot, of what the data cannot tell, of what is
#: well or out of reach, of what was not looked at.
LOT_DASHES: Final = "9 4"
UNSURE_DASHES: Final = "7 4"
SHORT_DASHES: Final = "2 4"
DOTS: Final = "1 3"
#: Water that stands and runs while inlets are blocked.
BLOCKED: Final = "#a0307f"
#: Laid over a low spot that may not be there.
VEIL: Final = "#d6d0c6"
#: Lots of a batch by their concern, in the order of `CONCERNS`: the places of harm, what a
#: screening finds, nothing, not studied.
CONCERN_COLOURS: Final = (
    "#7a1020", "#b83200", "#e8871e", "#d9b400", "#7a4fa3", "#1a3f86", "#5a9fd4", "#a3bdc9",
    "#cfe3d6", "#8a8780",
)  # fmt: skip
