"""`lotflow layers`: the layers and columns, explained."""

from __future__ import annotations

import click

from lotflow.cli.reference import layers_markdown


@click.command(short_help="Explain the layers and columns of site and result.")
def layers() -> int:
    """Explain the layers and columns of a site and of a result."""
    click.echo(layers_markdown(), nl=False)
    return 0
