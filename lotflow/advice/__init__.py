"""What is said of findings: the one room in which sentences are written, from facts."""
