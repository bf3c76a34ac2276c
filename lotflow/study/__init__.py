"""The one place that knows the order of the steps; no arithmetic of its own."""

from __future__ import annotations

from lotflow.study.main_job import Study, run_study
from lotflow.study.write import check_folder, write_study

__all__ = ["Study", "check_folder", "run_study", "write_study"]
