"""What is raised when no honest answer exists: what is wrong, where, and what to do."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """
    One thing that is wrong with an input: where it stands, the rule, and the remedy.

    Parameters
    ----------
    rule
        What must hold, or what was found instead, as one sentence without a full stop.
    remedy
        What the user can do about it.
    file, line, layer, row, column
        Where it stands; whatever is known of it. Lines of a text file and rows of a layer are
        numbered from 1.
    value
        The offending value, quoted as it was read.

    Examples
    --------
    >>> print(Fault("names must be unique", "Rename one of them", file="site.gpkg",
    ...             layer="inlets", row=3, column="name", value="CB1"))
    site.gpkg, layer inlets, row 3, name = 'CB1': names must be unique. Rename one of them.
    """

    rule: str
    remedy: str = ""
    file: str | None = None
    layer: str | None = None
    row: int | None = None
    column: str | None = None
    value: object = None
    line: int | None = None

    def place(self) -> str:
        """Where the fault stands, as the start of a message; empty where nothing is known."""
        parts = [self.file] if self.file else []
        if self.line is not None:
            parts.append(f"line {self.line}")
        if self.layer is not None:
            parts.append(f"layer {self.layer}")
        if self.row is not None:
            parts.append(f"row {self.row}")
        if self.column is not None:
            shown = "" if self.value is None else f" = {_short(self.value)}"
            parts.append(f"{self.column}{shown}")
        elif self.value is not None:
            parts.append(_short(self.value))
        return ", ".join(parts)

    def __str__(self) -> str:
        """Say place, rule and remedy in one line."""
        place = self.place()
        text = f"{place}: {self.rule}" if place else self.rule
        return " ".join(_sentence(part) for part in (text, self.remedy) if part)


def _sentence(text: str) -> str:
    """End a sentence as it asks to be ended."""
    return text if text.endswith("?") else text.rstrip(".") + "."


def _short(value: object, limit: int = 80) -> str:
    """Quote a value so that control characters show and a long one does not fill the screen."""
    # a cell may hold megabytes; what is cut off need not be quoted first
    shown = repr(value[: limit + 1] if isinstance(value, (str, bytes)) else value)
    return shown if len(shown) <= limit else shown[: limit - 3] + "..."


class LotflowError(Exception):
    """Root of everything lotflow raises on purpose; its text is meant for the user."""

    #: Whether the machine refused, as with a full disk: whatever else is tried fails too.
    is_of_machine: bool = False


class InputError(LotflowError, ValueError):
    """
    One or several faults in what the user gave, all reported at once.

    Parameters
    ----------
    faults
        The faults, or one of them, or one sentence.
    remedy
        What to do, where the first argument is a sentence.
    """

    def __init__(self, faults: Fault | Iterable[Fault] | str, remedy: str = "") -> None:
        if isinstance(faults, str):
            faults = [Fault(faults, remedy)]
        elif isinstance(faults, Fault):
            faults = [faults]
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class ParameterError(LotflowError, ValueError):
    """A number handed to a formula lies outside what the formula is defined for."""


class OutputError(LotflowError, OSError):
    """A result could not be written, or what was written did not read back the same."""


class EngineError(LotflowError, RuntimeError):
    """A library that lotflow stands on is missing, too old, or did what it must not do."""


class FetchError(LotflowError, RuntimeError):
    """What was asked for over the network did not come, or not as it must."""
