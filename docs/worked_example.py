"""
Run the worked example step by step, and make its pictures: python docs/worked_example.py FOLDER.

The commands are those of `worked-example.md`; what a hand does in a viewer is done here by rows of
the sample.
"""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import pyogrio
from PIL import Image

HERE = Path(__file__).parent
VIEWER = ("/usr/bin/python3", str(HERE.parent / "tests" / "viewer" / "in_viewer.py"))
RAIN = '\n[rainfall]\nfile = "rainfall.csv"\nstorms = [2, 10, 100]\n'
#: Doors whose sills the crew levels: what was drawn of them gives way.
LEVELLED = ("Back door", "Garage door")


def block(kind: str, holding: str) -> str:
    """Give the block of the page of one kind that holds some text."""
    text = (HERE / "worked-example.md").read_text(encoding="utf-8")
    blocks = re.findall(rf"```{kind}\n(.*?)```", text, re.DOTALL)
    return next(one for one in blocks if holding in one)


def commands() -> list[list[str]]:
    """Give the commands of the page in their order, block by block."""
    text = (HERE / "worked-example.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```sh\n(.*?)```", text, re.DOTALL)
    return [block.strip().splitlines() for block in blocks]


def draw(folder: Path, statuses: tuple[str, ...], *, others: bool) -> None:
    """Draw rows of the sample with these statuses, and of layers without one where `others`."""
    source, target = folder / "sample" / "site.gpkg", folder / "job" / "site.gpkg"
    into = {name for name, _ in pyogrio.list_layers(target)}
    for name, geometry in pyogrio.list_layers(source):
        if geometry is None or name in ("lot", "buildings"):
            continue
        rows = gpd.read_file(source, layer=name)
        if "status" in rows:
            rows = rows[rows["status"].isin(statuses)]
        elif not others:
            continue
        if len(rows):
            pyogrio.write_dataframe(rows, target, layer=name, driver="GPKG", append=name in into)


def come_back(folder: Path) -> None:
    """Bring the notes of the visit: save and name them, and empty the sills that were levelled."""
    (folder / "notes.csv").write_text(block("csv", "backsight"), encoding="utf-8")
    job, site = folder / "job" / "job.toml", folder / "job" / "site.gpkg"
    levels = block("toml", "[levels]")
    job.write_text(job.read_text(encoding="utf-8") + "\n" + levels, encoding="utf-8")
    openings = gpd.read_file(site, layer="openings")
    openings.loc[openings["name"].isin(LEVELLED), "sill_m"] = float("nan")
    pyogrio.write_dataframe(openings, site, layer="openings", driver="GPKG")


def run_steps(folder: Path, run: Callable[[list[str]], None]) -> None:
    """Take the ten steps in a folder; `run` takes a command as a list of words."""
    get, look, start, check, compute, visit, again = commands()
    for block in (get, look, start):
        _all(block, run)
    draw(folder, ("existing", "replaced", "abandoned"), others=True)
    _all(check, run)
    shutil.copy(folder / "sample" / "rainfall.csv", folder / "job" / "rainfall.csv")
    job = folder / "job" / "job.toml"
    job.write_text(job.read_text(encoding="utf-8") + RAIN, encoding="utf-8")
    _all(compute, run)
    for number, line in enumerate(visit):
        if number == 1:
            come_back(folder)
        _all([line], run)
    for number, line in enumerate(again):
        if number == 1:
            draw(folder, ("proposed",), others=False)
        _all([line], run)


def _all(lines: list[str], run: Callable[[list[str]], None]) -> None:
    for line in lines:
        run(shlex.split(line))


def main(folder: Path) -> None:
    """Take all steps by the program, then draw what the viewer shows."""
    folder.mkdir(parents=True)

    def run(words: list[str]) -> None:
        start = [sys.executable, "-c", "from lotflow.cli import main; main()"]
        program = [*start, *words[1:]] if words[0] == "lotflow" else words
        subprocess.run(program, cwd=folder, check=True)  # noqa: S603 - commands of our own page

    run_steps(folder, run)
    pictures = HERE / "pictures"
    for what, file in (("site", folder / "job" / "site.gpkg"),
                       ("project", folder / "job" / "result" / "result.qgs")):  # fmt: skip
        name = "drawn.png" if what == "site" else "result.png"
        command = [*VIEWER, what, str(file), str(pictures / name)]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)  # noqa: S603
        with Image.open(pictures / name) as picture:
            few = picture.convert("RGB").quantize(96)
        few.save(pictures / name, optimize=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
