"""The door in: files become grids and tables of features; nowhere else is a file read."""
