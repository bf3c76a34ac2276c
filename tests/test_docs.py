"""The generated reference pages are what the code says."""

from pathlib import Path

import click
import pytest

from lotflow.cli.main import commands
from lotflow.cli.reference import commands_markdown, layers_markdown
from lotflow.layers import RESULT_LAYERS, SITE_LAYERS

TOP = Path(__file__).parents[1]
PAGES = {"layers.md": layers_markdown, "commands.md": lambda: commands_markdown(commands)}


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
