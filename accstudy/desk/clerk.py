"""A process that works for the desk: a question a line comes in, answers go out as lines.

It runs the functions that the commands run. Where nobody listens any more, it leaves off as
a command does on Ctrl-C: earlier results stay, and scans measured so far are kept.
"""

from __future__ import annotations

import atexit
import contextlib
import importlib
import inspect
import json
import os
import queue
import signal
import sys
import threading
from pathlib import Path
from typing import Any

from accstudy.errors import AccstudyError, Finding, Severity
from accstudy.words.catalogue import say

__all__ = ["TASKS", "main"]

TASKS = {
    "protocols": "runs", "create": "runs",
    "form": "settings", "save": "settings", "exclude": "settings",
    "tables": "inputs", "take_table": "inputs", "match": "inputs",
    "drawing": "inputs", "place_body": "inputs", "take_drawing": "inputs", "learn": "inputs",
    "models": "planning", "change_model": "planning", "carriers": "sheets", "carry": "sheets",
    "sheet": "sheets", "edit_sheet": "sheets", "list_files": "sheets", "assign": "sheets",
    "leave_out": "sheets", "bench": "sheets", "tick": "sheets",
    "check": "runs", "run": "runs",
    "results": "runs", "table": "runs", "workbook": "runs",
    "sizes": "planning", "power": "planning", "draw": "planning", "order": "planning",
    "session": "planning", "add": "planning", "event": "planning",
}  # fmt: skip
"""What can be asked, and the module of the desk that does it."""

_PATIENCE_S = 5.0


def _listen(questions: queue.SimpleQueue[str]) -> None:
    """Take questions in; at the end of them leave off, whatever is being done."""
    for line in sys.stdin:
        questions.put(line)
    end = threading.Timer(_PATIENCE_S, os._exit, [0])  # where the interrupt is lost
    end.daemon = True
    end.start()
    questions.put("")
    if hasattr(signal, "pthread_kill"):
        signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)
    else:
        signal.raise_signal(signal.SIGINT)


def main() -> None:
    """Answer until nobody asks any more."""
    with os.fdopen(os.dup(1), "w", encoding="utf-8") as answers:
        os.dup2(2, 1)  # what libraries print is no answer
        questions: queue.SimpleQueue[str] = queue.SimpleQueue()
        threading.Thread(target=_listen, args=(questions,), daemon=True).start()
        with contextlib.suppress(KeyboardInterrupt, BrokenPipeError):
            importlib.import_module("accstudy.study.load")  # while the first screen is read
            while line := questions.get():
                _answer(json.loads(line), answers)
    with contextlib.suppress(BaseException):
        atexit._run_exitfuncs()  # which end the processes that were started
    os._exit(0)


def _answer(question: dict[str, Any], answers: Any) -> None:
    def put(what: dict[str, Any]) -> None:
        answers.write(json.dumps(what, ensure_ascii=True, default=str) + "\n")
        answers.flush()

    given = question["given"]
    for name in ("study", "pilot", "folder"):
        if given.get(name):
            given[name] = Path(given[name])
    try:
        module = importlib.import_module(f"accstudy.desk.{TASKS[question['do']]}")
        task = getattr(module, question["do"])
        if "put" in inspect.signature(task).parameters:
            given["put"] = put
        put({"answer": task(**given)})
    except AccstudyError as error:
        put({"refused": [f.to_dict() for f in error.findings]})
    except (KeyboardInterrupt, BrokenPipeError):
        raise
    except Exception as error:
        what = say("findings.accstudy_failed", name=type(error).__name__, error=error)
        mend = say("findings.this_is_a_bug_2")
        put({"refused": [Finding(Severity.ERROR, "bug", what, "", mend).to_dict()]})


if __name__ == "__main__":
    main()
