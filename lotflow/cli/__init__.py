"""The command line: parse, call, print, exit code; no computing."""

from __future__ import annotations

from lotflow.cli.main import main

__all__ = ["main"]
