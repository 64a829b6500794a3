"""The same work on many scans: in this process, in others, or on a Dask cluster.

The extra ``accstudy[cluster]`` opens the one network connection, and only to the scheduler that
the user names. Scheduler and workers speak pickle: whoever reaches them can run code on them.
"""

from __future__ import annotations

import collections
import contextlib
import importlib.metadata
import itertools
import os
import re
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor
from pathlib import Path
from typing import Any, TypeVar

from accstudy import __version__
from accstudy.errors import AccstudyError, InputError, MissingLibraryError
from accstudy.study.files import file_digest
from accstudy.study.record import program_digest

Item = TypeVar("Item")
Result = TypeVar("Result")

_ADDRESS = re.compile(r"(?:tcp|tls)://(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+):(\d{1,5})")
_CONNECT_S = 10.0
_NO_WORKER_S = 60.0
_ASK_EVERY_S = 2.0
_LONGEST_GREETING = 1_000_000
_COMPUTE = ("numpy", "scipy", "pandas", "trimesh", "open3d", "open3d-cpu")
_WHICH_PROGRAM = (
    "(lambda take: (take('accstudy').__version__, take('accstudy.study.record').program_digest()))"
    "(__import__('importlib').import_module)"
)
_ONE_AT_A_TIME = threading.Lock()
"""A worker with several threads still does one item at a time, like a process here."""


class AddressError(InputError):
    """The address of a scheduler that is none."""

    code = "scheduler-address"
    exit_code = 2


class SchedulerError(AccstudyError):
    """A scheduler that does not answer, or has no workers."""

    code = "scheduler"
    exit_code = 1


class WorkerDiffersError(AccstudyError):
    """A worker that would compute something else, or on other files."""

    code = "worker-differs"
    exit_code = 1


class WorkerLostError(AccstudyError):
    """The system ended a process that was at work, mostly for want of memory."""

    code = "worker-lost"
    exit_code = 1


def check_address(address: str) -> tuple[str, int]:
    """Take the address of a scheduler apart.

    Parameters
    ----------
    address : str
        Such as ``tcp://10.0.0.5:8786``, or ``tls://`` where the cluster has
        certificates.

    Returns
    -------
    host : str
    port : int

    Raises
    ------
    AddressError
        If it is no such address.

    Examples
    --------
    >>> check_address("tcp://localhost:8786")
    ('localhost', 8786)
    """
    found = _ADDRESS.fullmatch(address)
    if not found or not 0 < int(found[2]) < 65536:
        raise AddressError(
            f'"{address}" is not the address of a scheduler',
            hint="write --scheduler tcp://HOST:PORT, as printed by the scheduler when it starts",
        )
    return found[1].strip("[]"), int(found[2])


def on_cluster(
    work: Callable[[Item], Result], items: Sequence[Item], *, address: str, folder: Path
) -> Iterator[Result]:
    """Do the same work on every item on a cluster; results come in the order of the items.

    As `each`; work of a worker that ends is done again by another one. An error if the scheduler
    cannot be reached or has no workers for a minute, if a worker has another program, other
    libraries or other files, or if an item ended several workers one after another.
    """
    expected = _here(folder)
    with _connected(address) as client:
        _same_program(client, expected["program"])
        ahead = 2 * max(32, sum(client.nthreads().values()))
        todo = iter(items)
        waiting: collections.deque[Any] = collections.deque()
        while True:
            for item in itertools.islice(todo, ahead - len(waiting)):
                waiting.append(client.submit(_do, work, item, expected, pure=False))
            if not waiting:
                return
            yield _result(client, waiting[0])
            waiting.popleft()


@contextlib.contextmanager
def _connected(address: str) -> Iterator[Any]:
    """A client of the scheduler; its certificates, if any, are those of Dask's own settings."""
    host, port = check_address(address)
    try:
        from distributed import Client
    except ImportError:
        raise MissingLibraryError(
            "dask.distributed, which --scheduler needs, is not installed",
            hint='pip install "accstudy[cluster]"',
        ) from None
    try:
        _greeted(host, port, secured=address.startswith("tls:"))
        client = Client(address, timeout=_CONNECT_S, set_as_default=False)
    except Exception as error:  # many kinds: no host, no answer, no certificate, no scheduler
        raise SchedulerError(
            f"no scheduler answers at {address}: {str(error) or type(error).__name__}",
            hint=(
                "check that it runs there and that this machine can reach it; or omit --scheduler "
                "to measure on this machine"
            ),
        ) from None
    try:
        yield client
    finally:
        client.close()


def _greeted(host: str, port: int, *, secured: bool) -> None:
    """See that a scheduler answers; the client waits for ever for another that is silent."""
    if secured:  # else the client would be made by half, and stay for a while
        from distributed.security import Security

        if Security().get_connection_args("client").get("ssl_context") is None:
            raise OSError("Dask's settings on this machine name no certificates (comm.tls)")
    with socket.create_connection((host, port), timeout=_CONNECT_S) as link:
        if not secured:  # a scheduler speaks first: how many bytes come, and then those
            size = int.from_bytes(link.recv(8, socket.MSG_WAITALL), "little")
            if not 0 < size < _LONGEST_GREETING:
                raise OSError("the service at that address is not a Dask scheduler")


def _here(folder: Path) -> dict[str, Any]:
    """What must be the same on a worker."""
    file = (folder / "study.toml").absolute()
    return {
        "accstudy": __version__,
        "program": program_digest(),
        "file": str(file),
        "digest": file_digest(file),
        **_versions(),
    }


def _same_program(client: Any, program: str) -> None:
    """Ask every worker which program it has, before one that cannot even read the work dies."""
    for worker, said in client.run(eval, _WHICH_PROGRAM, on_error="return").items():
        if isinstance(said, OSError):
            continue  # it is gone
        if isinstance(said, Exception):
            raise WorkerDiffersError(
                f"the worker at {worker} has no accstudy, or another version of it",
                hint="install the same version on every machine and start the workers again",
            )
        version, digest = said
        if digest != program:
            raise _another_program(f"at {worker}", version, __version__)


def _another_program(where: str, there: str, here: str) -> WorkerDiffersError:
    return WorkerDiffersError(
        f"the worker {where} has another program: accstudy {there} there, {here} here, "
        "and their files differ",
        hint="install the same version on every machine and start the workers again",
    )


def _versions() -> dict[str, str]:
    found = {}
    for name in _COMPUTE:
        with contextlib.suppress(importlib.metadata.PackageNotFoundError):
            found[name] = importlib.metadata.version(name)
    return found


def _do(work: Callable[[Item], Result], item: Item, expected: Mapping[str, str]) -> Result:
    """On a worker: do one item, if everything is as where the results will be."""
    with _ONE_AT_A_TIME:
        if program_digest() != expected["program"]:
            raise _another_program(f"on {socket.gethostname()}", __version__, expected["accstudy"])
        own = _versions()
        for name in _COMPUTE:
            if own.get(name) != expected.get(name):
                raise WorkerDiffersError(
                    f"the worker on {socket.gethostname()} has {name} {own.get(name)}, this "
                    f"machine {expected.get(name)}",
                    hint="install the same versions everywhere, so that results agree",
                )
        file = Path(expected["file"])
        if not file.is_file() or file_digest(file) != expected["digest"]:
            raise WorkerDiffersError(
                f'the worker on {socket.gethostname()} does not see the study at "{file.parent}"',
                hint="put it on a disk that all machines reach under the same path",
            )
        return work(item)


def _result(client: Any, future: Any) -> Any:
    """Wait for one item, as long as there is somebody who could do it."""
    from distributed import KilledWorker

    alone_since = None
    while True:
        try:
            return future.result(timeout=_ASK_EVERY_S)
        except KilledWorker:
            raise WorkerLostError(
                "the same scan terminated several workers, possibly for lack of memory",
                hint="give the workers more memory; scans measured so far are kept",
            ) from None
        except Exception as error:
            if future.status == "error":
                raise _of_another_program(error) from error
            if future.status != "pending":
                raise _lost() from None
        try:
            workers = client.nthreads()
        except Exception:  # the connection is gone, in one of many ways
            raise _lost() from None
        now = time.monotonic()
        alone_since = None if workers else alone_since or now
        if alone_since is not None and now - alone_since > _NO_WORKER_S:
            raise SchedulerError(
                f"the scheduler has had no workers for {_NO_WORKER_S:.0f} s",
                hint="start workers and run the command again; scans measured so far are kept",
            )


def _lost() -> SchedulerError:
    return SchedulerError(
        "the scheduler no longer answers",
        hint="run the command again when it is running; scans measured so far are kept",
    )


def _of_another_program(error: Exception) -> Exception:
    """An error of the work itself, or of a worker or scheduler that does not know it."""
    unknown = isinstance(error, ModuleNotFoundError) and str(error.name).startswith("accstudy")
    if unknown or "deserializ" in str(error):
        return WorkerDiffersError(
            "the scheduler or a worker has no accstudy, or another version of it",
            hint="install the same version everywhere",
        )
    return error


def each(
    work: Callable[[Item], Result],
    items: Sequence[Item],
    *,
    jobs: int = 1,
    scheduler: str = "",
    folder: Path = Path(),
) -> Iterator[Result]:
    """Do the same work on every item; results come in the order of the items, as soon as they are
    done.

    `work` is a function of a module, so that another process finds it. With one job, or one item,
    everything stays in this process; `scheduler` is the address of a Dask scheduler that is to do
    the work instead, whose workers must see the study `folder`, too. WorkerLostError if a process
    ended before its work did; SchedulerError, WorkerDiffersError, MissingLibraryError if the
    cluster cannot do it.
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
