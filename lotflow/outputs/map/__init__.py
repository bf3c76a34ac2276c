"""The map of a result: one sheet of paper, true to its scale."""
