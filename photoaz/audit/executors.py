"""Tasks done by this process, by several, or by a cluster: the same functions, the same results, whoever does them."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, wait
from concurrent.futures.process import BrokenProcessPool, ProcessPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from photoaz.errors import Fault, InputError

T = TypeVar("T")
R = TypeVar("R")

#: glibc's mallopt: blocks from this size on are the system's own, and so much free memory stays at the end (malloc.h)
M_TRIM_THRESHOLD, M_MMAP_THRESHOLD = -1, -3
BLOCK_BYTES, END_BYTES = 4_000_000, 32_000_000
#: of Linux's prctl (linux/prctl.h)
PR_SET_PDEATHSIG = 1
#: tasks handed out ahead, for each worker: enough that none waits, few enough that little is held in memory
AHEAD = 3
#: a worker process starts anew after so many tasks, whatever libraries have piled up in it by then
TASKS_PER_PROCESS = 400
#: seconds that a scheduler may take to answer
SCHEDULER_S = 10.0
#: how often a task is tried that a worker did not survive
TRIES = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Done(Generic[T, R]):
    """A task and its result; result is None, and `died` says why, where no worker survived it."""

    task: T
    result: R | None
    died: str | None = None


class Alone:
    """This process does everything itself."""

    def do(self, work: Callable[[T], R], tasks: Iterable[T]) -> Iterator[Done[T, R]]:
        """Results as they come, in any order. What `work` raises ends everything: it answers for its own errors."""
        for task in tasks:
            yield Done(task=task, result=work(task))


class Processes:
    """A pool of processes. One that dies (out of memory, a library's crash) takes its task with it, not the audit."""

    def __init__(self, jobs: int) -> None:
        self._jobs = jobs
        self._pool: ProcessPoolExecutor | None = None

    def _open(self, jobs: int) -> ProcessPoolExecutor:
        import multiprocessing

        # spawned, not forked: a fork would inherit the threads and the database connections of the one who asks
        context = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(jobs, mp_context=context, initializer=settle, max_tasks_per_child=TASKS_PER_PROCESS)

    def do(self, work: Callable[[T], R], tasks: Iterable[T]) -> Iterator[Done[T, R]]:
        suspects: list[T] = []
        self._pool = self._pool or self._open(self._jobs)
        waiting = iter(tasks)
        while True:
            try:
                yield from _flow(self._pool, self._jobs, work, waiting, suspects)
                break
            except BrokenProcessPool:
                # those in hand are all under suspicion: each is done again by itself
                self._pool.shutdown(wait=False, cancel_futures=True)
                yield from self._one_by_one(work, suspects)
                suspects = []
                self._pool = self._open(self._jobs)

    def _one_by_one(self, work: Callable[[T], R], tasks: Iterable[T]) -> Iterator[Done[T, R]]:
        """By one process, so that whichever kills it is known."""
        pool = self._open(1)
        try:
            for task in tasks:
                died = f"the worker process died {TRIES} times over it (out of memory?)"
                done: Done[T, R] = Done(task=task, result=None, died=died)
                for _ in range(TRIES):
                    try:
                        done = Done(task=task, result=pool.submit(work, task).result())
                        break
                    except BrokenProcessPool:
                        pool.shutdown(wait=False, cancel_futures=True)
                        pool = self._open(1)
                yield done
        finally:
            pool.shutdown(wait=False, cancel_futures=True)

    def close(self) -> None:
        """Stop; what is in hand is given up."""
        if self._pool is None:
            return
        processes = list((self._pool._processes or {}).values())
        self._pool.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            process.terminate()
        for process in processes:
            process.join(5.0)
        self._pool = None


class Cluster:
    """Workers of a dask.distributed scheduler, on this machine or on many."""

    def __init__(self, client: Any) -> None:
        self._client = client

    def do(self, work: Callable[[T], R], tasks: Iterable[T]) -> Iterator[Done[T, R]]:
        """Results as they come; the scheduler itself hands a lost worker's task to another one."""
        from distributed import KilledWorker

        workers = self._client.scheduler_info(n_workers=-1)["workers"]
        hands = max(sum(int(w["nthreads"]) for w in workers.values()), 1)
        executor = self._client.get_executor(pure=False, retries=TRIES)
        try:
            yield from _flow(executor, hands, work, iter(tasks), [], deadly=KilledWorker)
        finally:
            executor.shutdown(wait=False)


#: whoever does tasks
Crew = Alone | Processes | Cluster


def _flow(
    executor: Executor,
    hands: int,
    work: Callable[[T], R],
    tasks: Iterator[T],
    in_hand: list[T],
    deadly: type[BaseException] | None = None,
) -> Iterator[Done[T, R]]:
    """Keep all hands busy. in_hand: the tasks given out whose results did not come yet."""
    running: dict[Future[R], T] = {}
    try:
        while True:
            while len(running) < hands * AHEAD:
                task = next(tasks, None)
                if task is None:
                    break
                in_hand.append(task)
                running[executor.submit(work, task)] = task
            if not running:
                return
            finished, _ = wait(running, timeout=1.0, return_when=FIRST_COMPLETED)
            for future in finished:
                task = running.pop(future)
                done: Done[T, R]
                try:
                    done = Done(task=task, result=future.result())
                except CancelledError:
                    done = Done(task=task, result=None, died="the cluster gave it up")
                except BaseException as e:
                    if deadly is None or not isinstance(e, deadly):
                        raise
                    done = Done(task=task, result=None, died="no worker of the cluster survived it")
                in_hand.remove(task)
                yield done
    finally:
        for future in running:
            future.cancel()


def settle() -> None:
    """Set a worker process up: one thread each (there are as many workers as cores), and Ctrl-C left to the parent."""
    import signal

    end_with_parent()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    one_thread()
    return_memory()


def end_with_parent() -> None:
    """Have this process end as soon as the one that started it is gone, however that ended.

    A pipe between the two closes then, for which a thread waits; on Linux the kernel is asked as well, since a library
    may keep that thread from its turn.
    """
    import multiprocessing
    import threading

    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def watch() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=watch, name="photoaz-parent", daemon=True).start()
    die_with_parent()


def die_with_parent() -> None:
    """Ask Linux to kill this process when its parent ends (prctl(2), PR_SET_PDEATHSIG); elsewhere nothing."""
    import signal

    if prctl := _of_c_library("prctl"):
        prctl(PR_SET_PDEATHSIG, int(signal.SIGKILL), 0, 0, 0)


def _of_c_library(function: str) -> Any:
    """A function of Linux's C library; None elsewhere, or where it has none of that name."""
    import ctypes
    import sys

    return getattr(ctypes.CDLL(None), function, None) if sys.platform == "linux" else None


def return_memory() -> None:
    """Let memory of pictures go back to the system when they are done with, where the C library is GNU's.

    By itself glibc keeps blocks of up to 32 MB once some were freed, and a process that decodes photos grows by half.
    Blocks of 4 MB on, such as luminances and layers of networks, would stay wherever something small lies above them.
    """
    if mallopt := _of_c_library("mallopt"):
        mallopt(M_MMAP_THRESHOLD, BLOCK_BYTES)
        mallopt(M_TRIM_THRESHOLD, END_BYTES)


def one_thread() -> None:
    """Let OpenCV and linear algebra use one thread in this process."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # read when NumPy is loaded, so before cv2 loads it
    import cv2

    cv2.setNumThreads(1)


@contextmanager
def crew(jobs: int, scheduler: str | None) -> Iterator[Crew]:
    """Whoever does the work: a cluster where an address is given, else so many processes, or this one.

    Raises InputError where the scheduler cannot be reached or dask.distributed is not installed.
    """
    if scheduler is not None:
        with _client(scheduler) as client:
            yield Cluster(client)
    elif jobs == 1:
        return_memory()
        yield Alone()
    else:
        pool = Processes(jobs)
        try:
            yield pool
        finally:
            pool.close()


@contextmanager
def _client(address: str) -> Iterator[Any]:
    try:
        import distributed
    except ModuleNotFoundError:
        found, wanted = "no dask.distributed here", "pip install 'photoaz[cluster]'"
        raise InputError(Fault(file=f"--scheduler {address}", found=found, wanted=wanted)) from None
    try:
        client: Any = vars(distributed)["Client"](address, timeout=SCHEDULER_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as e:
        found = str(e).strip().splitlines()[0] if str(e).strip() else "no answer"
        wanted = "the address of a running scheduler, such as tcp://host:8786"
        raise InputError(Fault(file=f"--scheduler {address}", found=found, wanted=wanted)) from None
    with closing(client):
        client.run(one_thread)
        client.run(return_memory)
        yield client
