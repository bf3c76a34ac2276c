"""
Workers that may die: lots are handed out, taken back, and set aside where they kill or hang.

dask keeps the workers; what became of each lot is known here, lot by lot, since workers tell it as
they go. A lot on which its worker dies twice is set aside, one that takes too long at once.
"""

from __future__ import annotations

import logging
import math
import os
import queue
import tempfile
import time
from collections import Counter, deque
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

from lotflow import __version__
from lotflow.errors import EngineError, LotflowError
from lotflow.town.lots import Lot, TownJob, failed, study_lots

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

#: Lots of a task: enough that handing out costs nothing, few enough that little is done twice.
MOST_OF_A_TASK: Final = 50
_LEAST_TASKS_PER_WORKER: Final = 4
#: Deaths of its worker after which a lot is set aside.
_DEATHS: Final = 2
_TOPIC: Final = "lotflow-lots"
#: How long a scheduler may take to answer, and to have a worker [s].
_ANSWER_S: Final = 15.0
_WORKER_S: Final = 60.0


@dataclass(frozen=True)
class Crew:
    """
    Who works.

    Parameters
    ----------
    workers
        Processes on this machine; 0 for none but this one.
    scheduler
        Address of a scheduler of dask, whose workers are used instead.
    deadline_s
        Time a lot may take [s].
    """

    workers: int
    scheduler: str | None = None
    deadline_s: float = 600.0


def run_lots(
    town: TownJob, lots: Sequence[Lot], crew: Crew, take: Callable[[dict[str, Any]], None],
    study: Callable[[TownJob, Sequence[Lot], int], list[dict[str, Any]]] | None = None,
) -> None:  # fmt: skip
    """
    Study lots; each row is given to `take` as soon as it is known, in any order, once.

    Parameters
    ----------
    town
        What the lots have in common.
    lots
        Neighbours one after the other.
    crew
        Who works.
    take
        Given the row of each lot.
    study
        Studies a task in a worker, and tells of each lot; by default `study_and_tell`.

    Raises
    ------
    EngineError
        If the scheduler cannot be reached or is gone, or its workers cannot do this work.
    LotflowError
        As from `study_lots`, where the machine of a worker refuses.
    """
    if crew.scheduler is None and crew.workers == 0:
        for task in tasks_of(lots, 1):
            study_lots(town, task, lambda told: take(told["row"]) if "row" in told else None)
        return
    with ExitStack() as endings:
        client = endings.enter_context(_client(crew, endings))
        _Foreman(client, town, crew, take, study or study_and_tell).work(lots)


def tasks_of(lots: Sequence[Lot], workers: int) -> list[tuple[Lot, ...]]:
    """
    Divide lots into tasks.

    Parameters
    ----------
    lots
        Neighbours one after the other.
    workers
        How many work.

    Examples
    --------
    >>> lots = [Lot(str(number), str(number)) for number in range(120)]
    >>> [len(task) for task in tasks_of(lots, 2)], len(tasks_of(lots, 1)[0])
    ([15, 15, 15, 15, 15, 15, 15, 15], 30)
    """
    size = math.ceil(len(lots) / (_LEAST_TASKS_PER_WORKER * max(workers, 1)))
    size = max(1, min(MOST_OF_A_TASK, size))
    return [tuple(lots[at : at + size]) for at in range(0, len(lots), size)]


@contextmanager
def _client(crew: Crew, endings: ExitStack) -> Iterator[Any]:
    """Connect to a scheduler, or start one with workers here; end what was started."""
    try:
        # an extra, and without types
        dask: Any = import_module("dask")
        distributed: Any = import_module("distributed")
    except ImportError as error:
        raise EngineError(
            "dask and distributed are not installed, which hand out the lots. Install "
            "lotflow[batch], or study them in this process with --workers 0"
        ) from error
    # what has become of a scheduler or worker is said here, in a sentence
    logging.getLogger("distributed.client").setLevel(logging.CRITICAL)
    if crew.scheduler is not None:
        # one that found no scheduler would complain on the terminal when it is thrown away
        quiet: Any = type("Client", (distributed.Client,), {"__del__": lambda _: None})
        try:
            client = quiet(crew.scheduler, timeout=_ANSWER_S, set_as_default=False)
        except (OSError, TimeoutError, ValueError) as error:
            raise EngineError(
                f"the scheduler {crew.scheduler} cannot be reached: {error}. Start it, or leave "
                "--scheduler out to work on this machine"
            ) from error
        with client:
            _require_fit(client)
            yield client
        return
    scratch = endings.enter_context(tempfile.TemporaryDirectory(prefix="lotflow-"))
    settings = {
        "temporary-directory": scratch,
        "distributed.scheduler.allowed-failures": 0,  # who has died of what is judged here
        "distributed.worker.multiprocessing-method": "spawn",
        "distributed.worker.profile.enabled": False,
        # pages that nobody asks for
        "distributed.scheduler.http.routes": [],
        "distributed.worker.http.routes": [],
        # dask takes a worker that was started anew for one that is gone, and ends it after that
        "distributed.deploy.lost-worker-timeout": "1000 days",
        # in the place of dask's own, whose trimming of memory costs a fifth of short studies
        "distributed.nanny.pre-spawn-environ": {
            **dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1"),
            # what a worker that was killed leaves of its private copies goes with it
            "TMPDIR": scratch,
        },
    }
    with dask.config.set(settings), distributed.LocalCluster(
        n_workers=crew.workers, threads_per_worker=1, processes=True, host="127.0.0.1",
        dashboard_address=None, local_directory=scratch, silence_logs=50,
        # else it takes a fixed port, and complains where another batch has it
        scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},
    ) as cluster, distributed.Client(cluster, set_as_default=False) as client:  # fmt: skip
        yield client


def _require_fit(client: Any) -> None:
    """Refuse workers that have another version, or would study several lots in one process."""
    try:
        client.wait_for_workers(1, timeout=_WORKER_S)
    except TimeoutError as error:
        raise EngineError("the scheduler has no worker. Start some, then run again") from error
    try:
        versions = client.run(_version)
    except Exception as error:
        raise EngineError(
            f"the workers cannot load lotflow ({error}). Install lotflow {__version__} where they "
            "run"
        ) from error
    _require_own_version(versions.values())
    if any(threads != 1 for threads in client.nthreads().values()):
        raise EngineError(
            "workers have several threads, and a process studies one lot at a time. Start them "
            "with --nthreads 1, as many as there are processors"
        )


def _require_own_version(versions: Iterable[str]) -> None:
    """Refuse what workers of another version find."""
    others = sorted(set(versions) - {__version__})
    if others:
        raise EngineError(
            f"workers have lotflow {', '.join(others)}, here it is {__version__}. Install the same "
            "version everywhere: results of two versions must not stand in one table"
        )


def _version() -> str:
    """Tell the version that a worker has."""
    return __version__


def study_and_tell(town: TownJob, lots: Sequence[Lot], number: int) -> list[dict[str, Any]]:
    """
    Study a task in a worker, which tells of each lot as it goes.

    Parameters
    ----------
    town, lots
        As for `study_lots`.
    number
        Of the task.
    """
    from distributed import get_worker  # noqa: PLC0415 - it is there, as dask runs this

    os.environ["LOTFLOW_THREADS"] = "1"  # of several processes each has one processor
    worker = get_worker()
    # dask clears its own folders of what a killed worker leaves
    tempfile.tempdir = worker.local_directory
    own = {"task": number, "worker": worker.address, "version": __version__}
    return study_lots(town, lots, lambda told: worker.log_event(_TOPIC, {**told, **own}))


@dataclass
class _Task:
    """A task that was handed out."""

    number: int
    lots: tuple[Lot, ...]
    #: Where and since when a lot is being studied; of a task that waits nothing is known.
    worker: str = ""
    since: float = math.inf
    now: str = ""


@dataclass
class _Foreman:
    """Hands out tasks and knows what has become of each lot."""

    client: Any
    town: TownJob
    crew: Crew
    take: Callable[[dict[str, Any]], None]
    study: Callable[[TownJob, Sequence[Lot], int], list[dict[str, Any]]]
    told: queue.SimpleQueue[dict[str, Any]] = field(default_factory=queue.SimpleQueue)
    waiting: deque[tuple[Lot, ...]] = field(default_factory=deque)
    out: dict[Any, _Task] = field(default_factory=dict)
    done: set[str] = field(default_factory=set)
    deaths: Counter[str] = field(default_factory=Counter)
    handed: int = 0
    alone_since: float = math.inf

    def work(self, lots: Sequence[Lot]) -> None:
        """Have all lots studied."""
        self.waiting.extend(tasks_of(lots, max(len(self.client.nthreads()), self.crew.workers)))
        self.client.subscribe_topic(_TOPIC, lambda event: self.told.put(event[1]))
        try:
            while self.waiting or self.out:
                self._hand_out()
                self._listen()
                for future in [one for one in self.out if one.done()]:
                    self._take_back(future)
                self._mind_the_clock()
        except LotflowError:
            raise
        except OSError as error:  # dask's own errors of lost connections are such
            raise EngineError("the scheduler is gone") from error
        finally:
            with suppress(Exception):  # the scheduler may be what has gone
                self.client.cancel(list(self.out), force=True)
                self.client.unsubscribe_topic(_TOPIC)

    def _hand_out(self) -> None:
        """Hand out one task for each worker, so that none waits beside one that may kill."""
        workers = len(self.client.nthreads())
        if workers:
            self.alone_since = math.inf
        elif self.alone_since == math.inf:
            self.alone_since = time.monotonic()
        elif time.monotonic() - self.alone_since > _WORKER_S:
            raise EngineError("no worker is left, and none came back within a minute")
        while self.waiting and len(self.out) < workers:
            lots = self.waiting.popleft()
            self.handed += 1
            future = self.client.submit(
                self.study, self.town, lots, self.handed, pure=False,
                key=f"lotflow-{os.getpid()}-{self.handed}",
            )  # fmt: skip
            self.out[future] = _Task(self.handed, lots)

    def _listen(self) -> None:
        """Hear what workers tell, for a moment."""
        wait = 0.2
        while True:
            try:
                told = self.told.get(timeout=wait)
            except queue.Empty:
                break
            wait = 0.0
            _require_own_version([told["version"]])  # it may have come later than the others
            task = next((one for one in self.out.values() if one.number == told["task"]), None)
            if "row" in told:
                self._keep(told["row"])
            if task is not None:
                task.worker, task.since = told["worker"], time.monotonic()
                task.now = told.get("begins", "")
        if self.client.status != "running":
            raise EngineError("the scheduler is gone")

    def _keep(self, row: dict[str, Any]) -> None:
        """Keep a row, once."""
        if row["parcel"] not in self.done:
            self.done.add(row["parcel"])
            self.take(row)

    def _take_back(self, future: Any) -> None:
        """Take a task back that is done, or whose worker has died."""
        task = self.out.pop(future)
        if future.status == "finished":
            for row in future.result():
                self._keep(row)
            return
        error = future.exception() if future.status == "error" else None
        if isinstance(error, LotflowError):
            raise error
        if error is not None and type(error).__name__ != "KilledWorker":
            raise EngineError(f"a worker could not begin: {type(error).__name__}: {error}")
        allowed = getattr(error, "allowed_failures", 0)
        self._after_death(
            task, 1 + int(allowed), "its worker died on it twice, as when memory runs out"
        )

    def _after_death(self, task: _Task, deaths: int, reason: str) -> None:
        """Find the lot a worker died on, and hand out the rest again."""
        left = [lot for lot in task.lots if lot.key not in self.done]
        if not left:
            return
        if task.since < math.inf:  # else it had not begun, and is no one's fault
            victim = left[0]  # lots are studied in turn
            self.deaths[victim.key] += deaths
            if self.deaths[victim.key] >= _DEATHS:
                self._keep(failed(victim.key, reason))
                left = left[1:]
            else:
                # once more, by itself, so that the others need not wait for it
                self.waiting.append((victim,))
                left = left[1:]
        if left:
            self.waiting.appendleft(tuple(left))

    def _mind_the_clock(self) -> None:
        """Set a lot aside that takes too long, with the worker that hangs on it."""
        now = time.monotonic()
        for future, task in list(self.out.items()):
            if task.now and now - task.since > self.crew.deadline_s:
                del self.out[future]
                self.client.cancel([future], force=True)
                with suppress(Exception):  # it may have died meanwhile
                    self.client.restart_workers([task.worker], timeout=_ANSWER_S)
                reason = f"it took longer than {self.crew.deadline_s:g} s"
                self._after_death(task, _DEATHS, reason)
