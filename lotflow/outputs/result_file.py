"""One file of a result: how it is written, and how it is proven."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from lotflow.errors import OutputError


@dataclass(frozen=True)
class ResultFile:
    """
    One file of a result: how it is written, and how it is proven.

    Parameters
    ----------
    name
        Name in the result folder, without any folder.
    write
        Writes the file at the path it is given.
    verify
        Reads the file at that path back, compares it with what was to be written, and raises
        `OutputError` where it differs.
    estimate
        Bytes it may take while it is written, to say how much space a full disk lacks; 0 where
        nobody knows.
    """

    name: str
    write: Callable[[Path], None]
    verify: Callable[[Path], None]
    estimate: int = 0


def bytes_file(name: str, content: bytes) -> ResultFile:
    """
    Make a result file of bytes that are ready.

    `name`: name in the result folder.
    """
    return late_file(name, lambda: content, estimate=len(content))


def late_file(name: str, content: Callable[[], bytes], *, estimate: int = 0) -> ResultFile:
    """
    Make a result file of bytes that are asked for only when the file's turn comes.

    What takes long to draw in another process is so waited for after the other files are done.

    Parameters
    ----------
    name
        Name in the result folder.
    content
        Gives all of the file, the same at each call.
    """

    def write(path: Path) -> None:
        path.write_bytes(content())

    def verify(path: Path) -> None:
        if path.read_bytes() != content():
            raise OutputError("what was written did not read back the same")

    return ResultFile(name, write, verify, estimate)


def text_file(name: str, text: str) -> ResultFile:
    """
    Make a result file of a text, written as UTF-8.

    Parameters
    ----------
    name
        Name in the result folder.
    """
    return bytes_file(name, text.encode("utf-8"))


def csv_file(name: str, text: str) -> ResultFile:
    """
    Make a result file of a table, as spreadsheets on any system read it: UTF-8 with its mark.

    Parameters
    ----------
    name
        Name in the result folder.
    text
        CSV without the mark.

    References
    ----------
    The Unicode Standard, section 23.8: U+FEFF at the start of a text tells that it is UTF-8.
    """
    return bytes_file(name, text.encode("utf-8-sig"))
