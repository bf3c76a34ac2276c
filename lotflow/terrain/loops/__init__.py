"""
Loops over cells, compiled: flood, level ground, directions, ways, inlets, parts.

Every function takes flat arrays of the cells of a grid, row after row; `kernels` gives those of
the main chain their everyday form. A level is an elevation in whole steps of
`drainage.LEVEL_STEP` above a base: whole numbers fit into half the memory, can be put into bins,
and compare without rounding. Directions are numbered 1 to 8 for W NW N NE E SE S SW, as in the
bands of richdem's flow proportions; 0 is a drain, a cell that swallows its water. The cells of
the outer ring are drains, so that every other cell has eight neighbours, at fixed offsets.

All that is compiled is written here and nowhere else: what the compiler kept is told to be stale
by the sources of this folder. It loads each function that is called from outside by itself, some
ten milliseconds each: so what always runs together is called through one of them.
"""
