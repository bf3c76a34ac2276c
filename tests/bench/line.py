"""A line of the table of benchmarks, and what is aimed at."""

from typing import NamedTuple


class Aim(NamedTuple):
    """A limit for the ratio, or for the amount where it is of that."""

    limit: float
    is_least: bool = False
    is_of_amount: bool = False

    def is_met(self, line):
        """Tell whether a line meets it."""
        value = line.amount if self.is_of_amount else line.ratio
        return value >= self.limit if self.is_least else value <= self.limit

    def text(self, line):
        """Say it in words."""
        unit = f" {line.unit}" if self.is_of_amount else ""
        return f"at {'least' if self.is_least else 'most'} {self.limit:g}{unit}"


class Line(NamedTuple):
    """What was measured, how much of which unit, and its ratio to something of the same run."""

    what: str
    amount: float
    unit: str = "s"
    beside: str = ""
    ratio: float | None = None
    aim: Aim | None = None

    def cells(self):
        """The line as texts, a column each."""
        times = "" if self.ratio is None else f"{self.ratio:.3g}"
        aim = self.aim.text(self) if self.aim else ""
        met = "" if self.aim is None else "yes" if self.aim.is_met(self) else "no"
        return [self.what, f"{self.amount:.3g} {self.unit}", self.beside, times, aim, met]


HEADINGS = ["what", "amount", "beside", "ratio", "aim", "met"]


def show(lines):
    """Print lines as they come."""
    for line in lines:
        what, amount, beside, ratio, aim, met = line.cells()
        told = f"{ratio} x {beside}" if ratio else ""
        print(f"{what:52s} {amount:>14s}  {told:40s} {aim} {met}".rstrip(), flush=True)
