"""Whatever is wrong with a job: `check` accepts what `run` computes, and nothing else."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, Phase, given, note, settings
from hypothesis import strategies as st
from programme.changed_job import ChangedJob

import lotflow
from lotflow.errors import InputError
from lotflow.inputs.job import read_job
from lotflow.study.check import check_inputs

SAMPLE = Path(__file__).parents[2] / "data_samples" / "alder_court"

#: A run of the sample takes seconds: what fails is told as it is, and not made smaller.
once = settings(
    deadline=None, phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)  # fmt: skip


def faults_of(step: Callable[[], object]) -> str:
    """Say what a step refuses; empty where it refuses nothing. Any other error is a bug."""
    try:
        step()
    except InputError as error:
        return str(error)
    return ""


def computed(job: Path) -> None:
    """Compute all that is written of a job, but for what is drawn."""
    result = lotflow.run(job, realisations=0)
    assert result.summary["provenance"]["use_covers"]
    assert result.text


def judged_alike(seed: int, times: int) -> None:
    """Change the sample so many times, check it and run it."""
    with tempfile.TemporaryDirectory() as folder:
        job = ChangedJob(SAMPLE, Path(folder) / "job", Random(seed)).change(times)
        note(f"seed {seed}: {' '.join(job.done)}")
        checked = faults_of(lambda: check_inputs(read_job(job.folder)).json())
        assert checked == faults_of(lambda: computed(job.folder)), job.done


@settings(once, max_examples=5)
@given(st.integers(0, 10_000), st.integers(1, 3))
def test_check_accepts_what_run_computes(seed: int, times: int) -> None:
    """With the same words where both refuse."""
    judged_alike(seed, times)


@pytest.mark.nightly
@pytest.mark.release
@settings(once, max_examples=250)
@given(st.integers(0, 10_000_000), st.integers(1, 4))
def test_check_accepts_what_run_computes_at_length(seed: int, times: int) -> None:
    """The same with more jobs and more changes to each."""
    judged_alike(seed, times)
