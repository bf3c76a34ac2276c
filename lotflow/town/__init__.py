"""Many lots: the same screening for each, over processes that may die, into one overview."""
