"""``accstudy`` and ``python -m accstudy``: the command, which Ctrl-C ends with one line."""

from __future__ import annotations

import atexit
import contextlib
import io
import os
import signal
import sys
import threading

KEPT = (
    "interrupted: earlier results are unchanged and scans measured so far are kept; "
    "run the same command to continue"
)
_INTERRUPTED = 130
_PATIENCE_S = 5.0
_stopped = threading.Event()


def _stop(number: int, frame: object) -> None:
    """Say what is kept, and end, whatever is being imported or computed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _stopped.set()
    os.write(2, f"\n{KEPT}\n".encode())
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)  # libraries have no more to say
    end = threading.Timer(_PATIENCE_S, os._exit, [_INTERRUPTED])  # where the interrupt is lost
    end.daemon = True
    end.start()
    raise KeyboardInterrupt


def start() -> None:
    """Run the command of this process."""
    signal.signal(signal.SIGINT, _stop)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a console of one country lacks letters and signs
            stream.reconfigure(errors="backslashreplace")
    try:
        from accstudy.cli import main

        main()
    except BaseException:
        if not _stopped.is_set():
            raise
    if _stopped.is_set():
        with contextlib.suppress(BaseException):
            atexit._run_exitfuncs()  # which end the processes that were started
        os._exit(_INTERRUPTED)  # an interrupt in the midst of `exec` would decide otherwise


if __name__ == "__main__":
    start()
