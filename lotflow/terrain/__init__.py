"""From a ground surface to where water stands, where it runs, and what drains where."""
