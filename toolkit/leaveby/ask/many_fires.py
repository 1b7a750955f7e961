"""Runs a district's fires, here, over processes of this machine, or on a cluster, and keeps what each leaves behind.

Dask's `distributed` hands the fires out, one a task, and hands those of a lost worker to others. What a fire leaves is
put at its number, whoever ran it and whenever it came back, so that the answer is the same bytes on any number of
workers. On disk the columns are files of fixed size that are made whole before the first fire: a disk that is full is
found out then, memory does not grow with the number of fires, and a run that was stopped goes on with those that are
not done.
"""

from __future__ import annotations

import hashlib
import json
import os
import pickle
import shutil
import signal
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import cached_property
from itertools import islice
from multiprocessing import resource_tracker
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from leaveby import __version__
from leaveby.decision.district.fires import FireKit, FireRow, run_fire, wind_of
from leaveby.decision.district.result import Columns, DistrictQuestion
from leaveby.errors import refuse, refused

if TYPE_CHECKING:
    from distributed import Client

Progress = Callable[[int, int, float], None]
"""Called with how many fires are done, of how many, and the seconds left."""

WORK: Final = ".district_fires"
"""The folder, beside the answer's files, in which a run keeps what is done."""

_AHEAD: Final = 2
"""Fires that wait at each worker, so that none is idle."""
_ZEROS: Final = 8_000_000
_ANSWERS_WITHIN_S: Final = 10.0
_STARTS_WITHIN_S: Final = 300.0


@dataclass(frozen=True, eq=False)
class _Store:
    """What fires left behind, by number, and which of them are done."""

    columns: Columns
    done: NDArray[np.uint8]

    def put(self, number: int, row: FireRow) -> None:
        """Keep a fire's row; only then does it count as done."""
        self.columns.latest_s[number] = row.latest_s
        self.columns.shuts[number] = row.shuts
        self.columns.streets_s[number] = row.streets_s
        self.done[number] = 1

    @property
    def waiting(self) -> list[int]:
        """The fires that are not done."""
        return [int(number) for number in np.flatnonzero(np.asarray(self.done) == 0)]


def run_fires(
    kit: FireKit,
    asked: DistrictQuestion,
    *,
    workers: int | None = 1,
    scheduler: str | None = None,
    folder: Path | None = None,
    progress: Progress | None = None,
) -> Columns:
    """Run all fires of a district that are not done yet, and give what all of them left behind.

    Arguments and errors as of `leaveby.survey_district`.
    """
    if workers is not None and workers < 1:
        raise refuse("workers", f"is {workers}", expected="1 or more", mend="leave it out")
    packed = _Packed(kit)
    store = _opened(packed, asked, folder)
    waiting = store.waiting
    total, begun = asked.count, time.monotonic()

    def keep(number: int, row: FireRow) -> None:
        store.put(number, row)
        waited.discard(number)
        now = len(waiting) - len(waited)
        if progress is not None:
            progress(total - len(waited), total, (time.monotonic() - begun) / now * len(waited))

    waited = set(waiting)
    count = os.cpu_count() or 1 if workers is None else workers
    if not waiting:
        return store.columns
    if scheduler is None and count == 1:
        for number in waiting:
            keep(number, run_fire(kit, number))
        return store.columns
    with _client(count, scheduler) as client:
        _over_workers(client, packed, waiting, keep, lambda: total - len(waited))
    if waited:
        raise AssertionError(f"{len(waited)} fires never came back")
    return store.columns


@dataclass(frozen=True, eq=False)
class _Packed:
    """The kit as bytes, and what tells it apart."""

    kit: FireKit

    @cached_property
    def content(self) -> bytes:
        """What travels to a worker."""
        return pickle.dumps(self.kit, protocol=5)

    @cached_property
    def digest(self) -> str:
        """Equal for equal kits of one version."""
        return hashlib.sha256(__version__.encode() + self.content).hexdigest()


def _shapes(asked: DistrictQuestion, kit: FireKit) -> Mapping[str, tuple[tuple[int, ...], str]]:
    fires, homes = asked.count, len(asked.roads.homes.identity)
    return {
        "latest_s": ((fires, homes), "float32"),
        "shuts": ((fires, homes), "int32"),
        "streets_s": ((fires, len(kit.columns), len(asked.streets)), "float32"),
        "done": ((fires,), "uint8"),
    }


def _opened(packed: _Packed, asked: DistrictQuestion, folder: Path | None) -> _Store:
    """The columns in memory, or those of a folder: of the run that was stopped there, if it asked the same."""
    shapes = _shapes(asked, packed.kit)
    if folder is None:
        made: dict[str, Any] = {name: np.zeros(shape, dtype=kind) for name, (shape, kind) in shapes.items()}
    else:
        made = _on_disk(folder / WORK, shapes, key={"kit": packed.digest, "fires": asked.count})
    done = made.pop("done")
    winds = np.array([wind_of(packed.kit, number) for number in range(asked.count)], dtype=np.int64)
    return _Store(Columns(**made, wind_from=winds, names=packed.kit.columns), done)


def _on_disk(work: Path, shapes: Mapping[str, tuple[tuple[int, ...], str]], *, key: dict[str, Any]) -> dict[str, Any]:
    paths = {name: work / f"{name}.bin" for name in shapes}
    sizes = {name: int(np.prod(shape)) * np.dtype(kind).itemsize for name, (shape, kind) in shapes.items()}
    told = work / "run.json"
    try:
        same = json.loads(told.read_text(encoding="utf-8")) == key
    except (OSError, ValueError):
        same = False
    same = same and all(path.is_file() and path.stat().st_size == sizes[name] for name, path in paths.items())
    if not same:
        try:
            shutil.rmtree(work, ignore_errors=True)
            work.mkdir(parents=True)
            for name, path in paths.items():
                _zeros(path, sizes[name])
            told.write_text(json.dumps(key), encoding="utf-8")
        except OSError as error:
            shutil.rmtree(work, ignore_errors=True)
            need_mb = sum(sizes.values()) / 1e6
            words = error.strerror or str(error)
            raise refused(work.parent, "checkpoint_disk_full", need_mb=need_mb, error=words, done=0) from error
    return {
        name: np.memmap(path, dtype=shapes[name][1], mode="r+", shape=shapes[name][0]) for name, path in paths.items()
    }


def _zeros(path: Path, size: int) -> None:
    """Make a file of so many zeros, all of them written, so that a full disk is told now and not by a crash later."""
    with path.open("wb") as file:
        while size > 0:
            size -= file.write(bytes(min(size, _ZEROS)))


def forget_fires(folder: Path) -> None:
    """Take away what a run kept in a folder, once its answer is written."""
    shutil.rmtree(folder / WORK, ignore_errors=True)


@contextmanager
def _unheard() -> Iterator[None]:
    """Threads made meanwhile, and the processes that these start, never hear Ctrl and C: who made them ends them."""
    if sys.platform == "win32":
        yield
        return
    resource_tracker.ensure_running()  # which would else let it through again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _client(workers: int, scheduler: str | None) -> Iterator[Client]:
    """A client of the scheduler at an address, or of processes on this machine that end with it.

    These speak to none that has not the key, which is made for this run and never on disk: whoever reaches a worker can
    have it do anything. A scheduler at an address is spoken to as Dask's own configuration says.
    """
    import logging

    # only here: what has no district to run waits for no cluster
    import dask
    from distributed import Client, LocalCluster, Security

    quiet = {
        "distributed.worker.daemon": True,
        # a worker that is killed takes down what it ran; others take it over, as often as there are workers to lose
        "distributed.scheduler.allowed-failures": 10,
        "distributed.admin.large-graph-warning-threshold": "1GB",
        # no pages about the run: they would be open to everyone on this machine
        "distributed.scheduler.http.routes": [],
        "distributed.worker.http.routes": [],
    }
    with ExitStack() as held:
        scratch = held.enter_context(TemporaryDirectory(prefix="leaveby-fires-", ignore_cleanup_errors=True))
        held.enter_context(dask.config.set({**quiet, "temporary-directory": scratch}))
        if scheduler is None:
            security = Security.temporary()
            with _unheard():
                cluster = LocalCluster(
                    n_workers=0,
                    threads_per_worker=1,
                    processes=True,
                    dashboard_address=None,
                    # any port that is free: two runs may go side by side
                    scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},
                    memory_limit=0,
                    host="127.0.0.1",
                    security=security,
                    silence_logs=logging.CRITICAL,
                )
            address: Any = held.enter_context(cluster)
            cluster.scale(workers)
        else:
            address = scheduler
        try:
            client = Client(address, timeout=_ANSWERS_WITHIN_S)
            client.wait_for_workers(1, timeout=_STARTS_WITHIN_S if scheduler is None else _ANSWERS_WITHIN_S)
        except (OSError, TimeoutError, ValueError) as error:
            words = str(error).splitlines()[0][:120] if str(error) else "no answer"
            if scheduler is None:
                raise refused("the workers", "workers_dead", error=words, minutes=_STARTS_WITHIN_S / 60.0) from error
            raise refused(f"--scheduler {scheduler}", "scheduler_dead", error=words) from error
        yield held.enter_context(client)


def _over_workers(
    client: Client,
    packed: _Packed,
    waiting: list[int],
    keep: Callable[[int, FireRow], None],
    done: Callable[[], int],
) -> None:
    """Hand fires to workers, few ahead, and keep each as it comes back."""
    from distributed import KilledWorker, as_completed
    from distributed.client import FutureCancelledError
    from distributed.comm.core import CommClosedError

    client.register_plugin(_brings_kit(packed))
    left = iter(waiting)
    running = as_completed(with_results=True)

    def hand_out(count: int) -> None:
        for number in islice(left, count):
            key = f"leaveby-{packed.digest[:12]}-{number}"
            running.add(client.submit(_fire_on_worker, number, packed.digest, key=key, pure=False))

    try:
        hand_out(_AHEAD * max(sum(client.ncores().values()), 1) + 1)
        for future, found in running:
            if isinstance(found, BaseException):  # cancelled, since the scheduler went: given, not raised
                raise found
            future.release()
            keep(*found)
            hand_out(1)
    except (KilledWorker, FutureCancelledError, CommClosedError) as error:
        raise refused("the workers", "fires_lost", error=f"({type(error).__name__})", done=done()) from error


def _brings_kit(packed: _Packed) -> Any:
    """What gives every worker the kit when it starts, those too that come in the place of a lost one."""
    from distributed import WorkerPlugin

    class BringsKit(WorkerPlugin):
        name = f"leaveby-{packed.digest[:12]}"

        def __init__(self, content: bytes, digest: str) -> None:
            self.content, self.digest = content, digest

        def setup(self, worker: Any) -> None:
            worker.leaveby_kits = {self.digest: pickle.loads(self.content)}

    return BringsKit(packed.content, packed.digest)


def _fire_on_worker(number: int, digest: str) -> tuple[int, FireRow]:
    from distributed import get_worker

    worker: Any = get_worker()
    return number, run_fire(worker.leaveby_kits[digest], number)
