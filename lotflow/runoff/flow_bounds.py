"""How far the flow of each inlet in each storm is left open by what realisations show."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lotflow.terrain.confidence import SHARES

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from lotflow.grid import FloatArray


def storm_flow_bounds(
    runoff: pd.DataFrame, names: Sequence[str], factor: FloatArray
) -> dict[str, FloatArray]:
    """
    Give bounds of the peak of each inlet by the rational method, storm by storm.

    A realisation says how much ground drains to an inlet, not how long its water takes. So the
    peak is taken in proportion to coefficient times area, at the intensity of the measured
    catchment: a larger one would also take longer, so that the upper bound is rather too high.

    Parameters
    ----------
    runoff
        Layer "runoff".
    names
        Of the inlets.
    factor
        Shape (3, inlets): bounds of coefficient times area over what it is on the measured
        surface; NaN where that is nothing.

    Returns
    -------
    columns
        Of the layer "runoff", one value per row [m^3/s]; NaN but for inlets by that method.

    Examples
    --------
    >>> import pandas as pd
    >>> runoff = pd.DataFrame({"subject": ["A", "A"], "kind": "inlet",
    ...                        "method": ["rational", "nrcs"], "flow_m3s": [0.010, 0.012]})
    >>> storm_flow_bounds(runoff, ["A"], np.array([[0.5], [1.0], [1.5]]))["flow_m3s_p95"]
    array([0.015,   nan])
    """
    position = {name: i for i, name in enumerate(names)}
    own = [
        position[subject] if (kind, method) == ("inlet", "rational") else -1
        for subject, kind, method in zip(
            runoff["subject"], runoff["kind"], runoff["method"], strict=True
        )
    ]
    # the last column stands for all that is no inlet
    factors = np.column_stack([factor, np.full(len(SHARES), np.nan)])[:, own]
    flow = runoff["flow_m3s"].to_numpy(dtype=np.float64)
    return {
        f"flow_m3s_p{round(100 * share):02d}": own_factor * flow
        for share, own_factor in zip(SHARES, factors, strict=True)
    }
