"""The one door out: the only room that writes files."""
