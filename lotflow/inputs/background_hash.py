"""The hash of a large file, computed while other work goes on."""

from __future__ import annotations

from concurrent.futures import Future
from pathlib import Path
from threading import Thread

from lotflow.inputs.open import sha256


class BackgroundHash:
    """
    SHA-256 of a file, begun at once in a thread of its own.

    Of a tile of 300 MB, whose hash takes longer than the window that is read from it, this
    hides nearly all: hashing leaves the interpreter free.

    Parameters
    ----------
    path
        A local file.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.NamedTemporaryFile() as file:
    ...     BackgroundHash(Path(file.name)).hexdigest()[:16]
    'e3b0c44298fc1c14'
    """

    def __init__(self, path: Path) -> None:
        self._result: Future[str] = Future()
        # a daemon, so that a program that ends early does not wait for it
        Thread(target=self._run, args=(path,), daemon=True).start()

    def _run(self, path: Path) -> None:
        """Hash, and keep what comes of it, be it an error."""
        try:
            self._result.set_result(sha256(path))
        except BaseException as error:  # noqa: BLE001 - raised again where it is asked for
            self._result.set_exception(error)

    def hexdigest(self) -> str:
        """
        Wait for the hash, as 64 hexadecimal digits.

        Raises
        ------
        InputError
            If the file could not be read.
        """
        return self._result.result()
