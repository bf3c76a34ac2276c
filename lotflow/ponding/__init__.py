"""What stands after storms: ponds of every set of open inlets, what rises, and what is found."""
