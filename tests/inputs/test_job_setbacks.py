"""Tables [setbacks] and [prices] of the job file."""

import pytest

from lotflow.errors import InputError
from lotflow.inputs.job import job_template, read_job
from lotflow.layers import CONSTRAINT_KINDS

LEAST = '[elevation]\nfile = "dem.tif"\n[layers]\nlot = "lot.geojson"\n'


def job(tmp_path, text):
    (tmp_path / "job.toml").write_text(LEAST + text)
    return read_job(tmp_path)


def test_no_setback_is_assumed(tmp_path):
    assert job(tmp_path, "").setbacks.limits == {}
    assert job(tmp_path, "").prices is None


def test_every_kind_of_constraint_can_be_kept_from_in_metres_or_feet(tmp_path):
    keys = [kind.replace(" ", "_") for kind in ("foundation", "lot line", *CONSTRAINT_KINDS)]
    lines = "".join(f"{key}_ft = 10.0\n" for key in keys)
    found = job(tmp_path, f'[setbacks]\nsource = "town code"\n{lines}').setbacks
    assert found.limits == dict.fromkeys(("foundation", "lot line", *CONSTRAINT_KINDS), 3.048)
    assert found.source == "town code"
    assert job(tmp_path, "[setbacks]\nseptic_m = 3\n").setbacks.limits == {"septic": 3.0}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[setbacks]\nseptik_m = 3\n", "septic_m"),
        ("[setbacks]\nseptic_m = -1\n", "0 or more"),
        ("[setbacks]\nseptic_m = 3\nseptic_ft = 10\n", "say the same thing"),
        ('[setbacks]\nseptic_m = "3"\n', "must be a number"),
        ("[prices]\n", "prices.file"),
        ("[prices]\nfile = 3\n", "must be a path"),
    ],
)
def test_bad_tables_are_refused(tmp_path, text, says):
    with pytest.raises(InputError) as error:
        job(tmp_path, text)
    assert says in str(error.value)


@pytest.mark.parametrize("units", ["us", "metric"])
def test_the_examples_of_the_template_are_accepted(tmp_path, units):
    template = job_template("Yard", "dem.tif", "lot.geojson", None, units)
    start = template.index("# [setbacks]")
    block = template[start : template.index("# [criteria]")]
    (tmp_path / "job.toml").write_text(LEAST + block.replace("# [", "[").replace("\n# ", "\n"))
    found = read_job(tmp_path)
    assert set(found.setbacks.limits) == {"lot line", "foundation"}
    assert found.prices.file.name == "prices.csv"
