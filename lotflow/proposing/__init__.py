"""What could be built: places for inlets, lines that fall, each judged by the water it leaves."""
