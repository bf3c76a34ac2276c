"""The generated reference pages are what the code says."""

import importlib
import json
import re
from pathlib import Path

import click
import pytest

from lotflow.cli.main import commands
from lotflow.cli.reference import commands_markdown, layers_markdown
from lotflow.inputs.limits import DEFAULT_LIMITS
from lotflow.layers import RESULT_LAYERS, SITE_LAYERS
from lotflow.outputs.summary_schema import summary_schema

TOP = Path(__file__).parents[1]

#: What each limit is of, as the page says it.
LIMITED = {
    "window_cells": "cells of the window read from a raster",
    "block_cells": "cells of one block (tile or strip) of a raster",
    "decoded_bytes": "decoded bytes of all blocks that the window touches",
    "tiles": "raster files given together",
    "text_raster_bytes": "bytes of an ASCII grid",
    "vector_bytes": "bytes of a vector file with its parts",
    "job_bytes": "bytes of the job file",
    "table_bytes": "bytes of a rainfall table, price list or table of daily rain",
    "side_file_bytes": "bytes of a `.prj` or `.tfw`",
    "features": "features of a vector layer",
    "vertices": "vertices of a vector layer",
    "columns": "columns of a vector layer",
    "points": "points of one lidar file",
    "ground_points": "ground points that are gridded together",
    "database_seconds": "seconds in which a GeoPackage must have passed its own check",
}


def bad_input_markdown():
    """Put the table of limits between its marks in the page of inputs that cannot be used."""
    rows = [f"| `{name}` | {LIMITED[name]} | {value:,} |"
            for name, value in DEFAULT_LIMITS.as_dict().items()]  # fmt: skip
    table = "\n".join(["| limit | of | at most |", "|---|---|---|", *rows])
    page = (TOP / "docs" / "bad-input.md").read_text(encoding="utf-8")
    start, end = "<!-- limits -->\n", "\n<!-- end of limits -->"
    before, _, rest = page.partition(start)
    return before + start + table + end + rest.partition(end.strip())[2]


PAGES = {"layers.md": layers_markdown, "commands.md": lambda: commands_markdown(commands),
         "bad-input.md": bad_input_markdown,
         "summary.schema.json": lambda: json.dumps(summary_schema(), indent=1) + "\n"}  # fmt: skip


@pytest.mark.parametrize("page", PAGES)
def test_generated_page_is_up_to_date(page):
    """Run `python tests/test_docs.py` after a change of layers or options."""
    assert (TOP / "docs" / page).read_text(encoding="utf-8") == PAGES[page]()


def test_every_command_has_help_and_every_layer_a_meaning():
    """Nothing is offered without an explanation."""
    for name, command in commands.commands.items():
        assert command.help, name
        options = [item for item in command.params if isinstance(item, click.Option)]
        assert all(option.help for option in options), name
    for layer in [*SITE_LAYERS.values(), *RESULT_LAYERS.values()]:
        assert layer.meaning.endswith("."), layer.name
        assert all(column.meaning for column in layer.columns), layer.name


def test_the_guide_names_only_what_is_there():
    """Files, folders, and functions by `module.function`, the package's name left out."""
    text = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = re.findall(r"`([^`\n]+)`", text)
    paths = [one for one in named if re.fullmatch(r"[\w./*]+(/|\.py|\.md|\.toml|\.txt)", one)]
    assert len(paths) > 15
    for path in paths:
        places = [TOP, TOP / "lotflow", TOP / "lotflow" / "terrain"]
        assert any(list(place.glob(path)) for place in places), path
    calls = [one for one in named if re.fullmatch(r"[a-z_]+(\.[a-z_]+)+", one)]
    calls = [one for one in calls if one.rpartition(".")[2] not in ("py", "md", "toml", "txt")]
    rooms = {path.stem for path in (TOP / "lotflow").iterdir()}
    calls = [one for one in calls if one.partition(".")[0] in rooms]
    assert len(calls) > 20
    for call in calls:
        try:
            importlib.import_module(f"lotflow.{call}")
        except ModuleNotFoundError:
            module, _, name = call.rpartition(".")
            assert hasattr(importlib.import_module(f"lotflow.{module}"), name), call


def test_readme_states_the_job_and_one_command_each():
    """The first paragraph states the job; run and test are one command each."""
    text = (TOP / "README.md").read_text(encoding="utf-8")
    assert "drainage installer" in text.split("\n\n")[1]
    for heading in ("## Run it", "## Test it"):
        section = text.split(heading)[1].split("\n## ")[0]
        block = section.split("```sh\n")[1].split("```")[0]
        assert len(block.strip().splitlines()) == 1


if __name__ == "__main__":
    for name, make in PAGES.items():
        (TOP / "docs" / name).write_text(make(), encoding="utf-8")
