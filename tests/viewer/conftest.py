"""The viewer that files are opened with: QGIS, by the Python that it is installed for."""

import json
import subprocess
from pathlib import Path

import pytest

PYTHON = "/usr/bin/python3"
SCRIPT = Path(__file__).with_name("in_viewer.py")


def _is_there():
    try:
        asked = subprocess.run([PYTHON, "-c", "import qgis.core"], capture_output=True, check=False)
    except FileNotFoundError:
        return False
    return asked.returncode == 0


@pytest.fixture(scope="session")
def viewer():
    """Let the viewer do something, and give what it tells."""
    if not _is_there():
        pytest.skip("QGIS is not installed for /usr/bin/python3")

    def ask(*arguments):
        done = subprocess.run(
            [PYTHON, SCRIPT, *map(str, arguments)], capture_output=True, text=True, check=True,
            timeout=600, env={"HOME": "/tmp", "PATH": "/usr/bin"},
        )  # fmt: skip
        (told,) = (line for line in done.stdout.splitlines() if line.startswith("TOLD "))
        return json.loads(told.removeprefix("TOLD "))

    return ask
