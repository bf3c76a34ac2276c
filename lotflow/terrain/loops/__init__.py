"""
Loops over cells, to be compiled: flood, level ground, directions, ways, nearest cells.

Every function takes flat arrays of the cells of a grid, row after row, and works space that its
caller provides, so that the machine code needs nothing but itself; `kernels` gives them their
everyday form. Directions are numbered 1 to 8 for W NW N NE E SE S SW, as in the bands of
richdem's flow proportions; 0 is a drain, a cell that swallows its water. The cells of the outer
ring are drains, so that every other cell has eight neighbours.
"""
