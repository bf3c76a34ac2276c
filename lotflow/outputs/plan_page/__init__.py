"""The plan page: one file that shows a result in any browser, without a network."""
