"""
Screen a residential lot's drainage from open elevation data, and check its drain lines.

Rooms, in the order in which they may import one another:

- the words everything is said in: `errors`, `units`, `grid`, `rainfall`, `layers`,
  `findings`, `criteria`;
- `inputs`: files to grids and tables, the only room that reads;
- `terrain`, `runoff`, `drains`: the computing rooms, arrays and tables in and out;
- `outputs`: the only room that writes;
- `study`: the order of the steps;
- `cli`: one file per command.
"""

__version__ = "0.1.0"
