"""The same work on many scans: here, in processes of its own, or on a cluster."""

from __future__ import annotations

import contextlib
import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor
from pathlib import Path
from typing import TypeVar

from accstudy.stages.cluster import WorkerLostError, on_cluster

__all__ = ["WorkerLostError", "cores", "each"]

Item = TypeVar("Item")
Result = TypeVar("Result")


def each(
    work: Callable[[Item], Result],
    items: Sequence[Item],
    *,
    jobs: int = 1,
    scheduler: str = "",
    folder: Path = Path(),
) -> Iterator[Result]:
    """Do the same work on every item; results come in the order of the items.

    Parameters
    ----------
    work : callable
        A function of a module, so that another process finds it.
    items : sequence
        What it is called with, one at a time.
    jobs : int
        Processes; with one, or one item, everything stays in this process.
    scheduler : str
        Address of a Dask scheduler that is to do the work instead.
    folder : Path
        Study folder, which the workers of a cluster must see, too.

    Yields
    ------
    object
        What `work` returns, as soon as it and all before it are done.

    Raises
    ------
    WorkerLostError
        If a process ended before its work did.
    SchedulerError, WorkerDiffersError, MissingLibraryError
        If the cluster cannot do it.
    """
    if scheduler and items:
        yield from on_cluster(work, items, address=scheduler, folder=folder)
        return
    if jobs <= 1 or len(items) <= 1:
        yield from map(work, items)
        return
    from joblib import Parallel, delayed, parallel_config

    try:
        with parallel_config(backend="loky", inner_max_num_threads=1):
            parallel = Parallel(
                n_jobs=min(jobs, len(items)), return_as="generator", pre_dispatch="2*n_jobs"
            )
            with _deaf_to_interrupts():
                found = parallel(delayed(work)(item) for item in items)
        yield from found
    except BrokenExecutor:
        raise WorkerLostError(
            "a worker process was terminated from outside, possibly for lack of memory",
            hint="run the command again with --jobs 1; scans measured so far are kept",
        ) from None


def cores() -> int:
    """Number of processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextlib.contextmanager
def _deaf_to_interrupts() -> Iterator[None]:
    """Start processes that leave Ctrl-C to this one, which hears it a moment later."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    with contextlib.suppress(ImportError, AttributeError, OSError):
        from joblib.externals.loky.backend import resource_tracker

        resource_tracker.ensure_running()  # which would unblock the signal when it starts
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})  # what they inherit
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
