"""The same work on many scans, in processes of its own where that helps."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor
from typing import TypeVar

from accstudy.errors import AccstudyError

__all__ = ["WorkerLostError", "each"]

Item = TypeVar("Item")
Result = TypeVar("Result")


class WorkerLostError(AccstudyError):
    """The system ended a process that was at work, mostly for want of memory."""

    code = "worker-lost"
    exit_code = 1


def each(work: Callable[[Item], Result], items: Sequence[Item], workers: int) -> Iterator[Result]:
    """Do the same work on every item; results come in the order of the items.

    Parameters
    ----------
    work : callable
        A function of a module, so that another process finds it.
    items : sequence
        What it is called with, one at a time.
    workers : int
        Processes; with one, or one item, everything stays in this process.

    Yields
    ------
    object
        What `work` returns, as soon as it and all before it are done.

    Raises
    ------
    WorkerLostError
        If a process ended before its work did.
    """
    if workers <= 1 or len(items) <= 1:
        yield from map(work, items)
        return
    from joblib import Parallel, delayed, parallel_config

    with parallel_config(backend="loky", inner_max_num_threads=1):
        parallel = Parallel(
            n_jobs=min(workers, len(items)), return_as="generator", pre_dispatch="2*n_jobs"
        )
        found = parallel(delayed(work)(item) for item in items)
    try:
        yield from found
    except BrokenExecutor:
        raise WorkerLostError(
            "a process that was at work was ended from outside, perhaps for want of memory",
            hint="call again with --jobs 1; what was measured so far is kept",
        ) from None
