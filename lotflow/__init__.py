"""
Screen a residential lot's drainage from open elevation data, and check its drain lines.

Rooms, in the order in which they may import one another:

- the words everything is said in: `errors`, `units`, `grid`, `rainfall`, `layers`,
  `findings`, `scenarios`, `criteria`;
- `inputs`: files to grids and tables, the only room that reads;
- `fetching`: the only room that asks the network, for `lotflow fetch` alone;
- `terrain`, `runoff`, `drains`, `ponding`: the computing rooms, arrays and tables in and out;
- `advice`: the sentences of findings, written from their facts;
- `outputs`: the only room that writes;
- `study`: the order of the steps;
- `town`: many lots, over processes that may die;
- `cli`: one file per command.

For Python: `lotflow.screen` and `lotflow.run` give a `lotflow.Result`, `lotflow.compare` tells what
differs between two; see `docs/python.md`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lotflow.study.comparison import compare
    from lotflow.study.door import Result, run, screen

__all__ = ["Result", "__version__", "compare", "run", "screen"]

__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    """Load the door for Python when it is first asked for: the libraries take a second."""
    if name in ("Result", "run", "screen"):
        from lotflow.study import door  # noqa: PLC0415 - that is the point

        return getattr(door, name)
    if name == "compare":
        from lotflow.study import comparison  # noqa: PLC0415

        return comparison.compare
    raise AttributeError(f"module 'lotflow' has no attribute {name!r}")
