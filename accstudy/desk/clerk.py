"""Processes that do the desk's work: as the server sees them, and what runs in them.

A question a line comes in, answers go out as lines. A process runs the functions that the commands
run; where nobody listens any more, it leaves off as a command does on Ctrl-C: earlier results
stay, and scans measured so far are kept.
"""

from __future__ import annotations

import asyncio
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
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from accstudy.errors import AccstudyError, Finding, fault
from accstudy.words.catalogue import say

_LONGEST_LINE = 2**27
_PATIENCE_S = 8.0


class RefusedError(AccstudyError):
    """What a clerk could not do, with its findings."""

    def __init__(self, findings: list[Finding]) -> None:
        first = findings[0]
        super().__init__(first.what, where=first.where, hint=first.mend)
        self._found = tuple(findings)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Every finding, the gravest first."""
        return self._found


class Clerk:
    """A process that answers one question after the other.

    It ends with this process, however this one ends: it notices that nobody listens. After
    some idle time it may end and give its memory back.
    """

    def __init__(self, rests_after_s: float = float("inf")) -> None:
        self._rests_after_s = rests_after_s
        self._rest: asyncio.TimerHandle | None = None
        self._process: asyncio.subprocess.Process | None = None
        self._turn = asyncio.Lock()

    async def start(self) -> None:
        """Start the process, where it does not run."""
        if self._process is None or self._process.returncode is not None:
            self._process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "accstudy.desk.clerk",
                stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.DEVNULL, limit=_LONGEST_LINE,
                start_new_session=True,
            )  # fmt: skip

    async def ask(
        self, do: str, *, told: Callable[[dict[str, Any]], None] = lambda said: None, **given: Any
    ) -> Any:
        """Have something of `TASKS` done; `told` gets what is said on the way.

        `RefusedError` holds what the user should know.
        """
        if self._rest:
            self._rest.cancel()
        async with self._turn:
            await self.start()
            process = self._process
            assert process is not None
            assert process.stdin is not None
            assert process.stdout is not None
            question = json.dumps({"do": do, "given": given}, default=str) + "\n"
            try:
                process.stdin.write(question.encode())
                await process.stdin.drain()
                while line := await process.stdout.readline():
                    said = json.loads(line)
                    if "answer" in said:
                        return said["answer"]
                    if "refused" in said:
                        raise RefusedError([Finding.from_dict(f) for f in said["refused"]])
                    told(said)
            except (BrokenPipeError, ConnectionResetError):
                pass
            finally:
                if self._rests_after_s < float("inf"):
                    loop = asyncio.get_running_loop()
                    self._rest = loop.call_later(self._rests_after_s, self._leave)
            self._process = None
            raise RefusedError([_ENDED])

    def _leave(self) -> None:
        if not self._turn.locked():
            self._ending = asyncio.ensure_future(self.end())

    async def end(self) -> None:
        """Have it leave off; what it kept so far stays."""
        if self._rest:
            self._rest.cancel()
        process, self._process = self._process, None
        if process is None or process.returncode is not None:
            return
        assert process.stdin is not None
        process.stdin.close()
        try:
            await asyncio.wait_for(process.wait(), _PATIENCE_S)
        except TimeoutError:
            with contextlib.suppress(ProcessLookupError):
                process.kill()


_ENDED = fault("ended", "the process was stopped before it had finished",
    mend="start it again: scans measured so far are kept",
)  # fmt: skip


@dataclass
class Job:
    """One long piece of work on a study; `inputs` is the stamp of its files when it began."""

    kind: str
    inputs: str
    given: dict[str, Any] = field(default_factory=dict)
    state: str = "at work"
    scan: str = ""
    done: int = 0
    total: int = 0
    lines: list[str] = field(default_factory=list)
    result: Any = None
    findings: tuple[Finding, ...] = ()
    clerk: Clerk = field(default_factory=Clerk)
    task: asyncio.Task[None] | None = None
    _since: float = 0.0

    def take(self, said: dict[str, Any]) -> None:
        """Note what the clerk says on the way."""
        if "line" in said:
            self.lines.append(said["line"])
            return
        if not self._since or said["done"] <= self.done:
            self._since = time.monotonic()
        self.scan, self.done, self.total = said["scan"], said["done"], said["total"]

    def shown(self) -> dict[str, Any]:
        """What a screen shows of it."""
        passed = time.monotonic() - self._since
        left = None
        if self.state == "at work" and 1 < self.done < self.total:
            left = round(passed / (self.done - 1) * (self.total - self.done))
        return {
            "kind": self.kind, "state": self.state, "scan": self.scan, "done": self.done,
            "total": self.total, "left_s": left, "lines": self.lines[-12:],
        }  # fmt: skip


class Jobs:
    """The long work on all studies, one piece of it a study."""

    def __init__(self) -> None:
        self.of: dict[Path, Job] = {}
        self.last: dict[tuple[Path, str], Job] = {}

    def start(self, study: Path, kind: str, *, inputs: str = "", **given: Any) -> Job:
        """Begin, or give what is at work already: a second window changes nothing."""
        now = self.of.get(study)
        if now is not None and now.state == "at work":
            return now
        job = Job(kind, inputs, given)
        self.of[study] = self.last[study, kind] = job
        job.task = asyncio.create_task(self._work(job, {"study": study, **given}))
        return job

    async def _work(self, job: Job, given: dict[str, Any]) -> None:
        try:
            job.result = await job.clerk.ask(job.kind, told=job.take, **given)
            job.state = "done"
        except AccstudyError as error:
            job.findings = error.findings
            if job.state == "at work":
                job.state = "refused"
        finally:
            await job.clerk.end()

    async def cancel(self, study: Path) -> None:
        """Leave off; scans measured so far are kept."""
        job = self.of.get(study)
        if job is not None and job.state == "at work":
            job.state = "cancelled"
            await job.clerk.end()

    async def end(self) -> None:
        """Leave off everything."""
        for study in list(self.of):
            await self.cancel(study)


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

_LAST_S = 5.0


def _listen(questions: queue.SimpleQueue[str]) -> None:
    """Take questions in; at the end of them leave off, whatever is being done."""
    for line in sys.stdin:
        questions.put(line)
    end = threading.Timer(_LAST_S, os._exit, [0])  # where the interrupt is lost
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
        put({"refused": [fault("bug", what, "", mend).to_dict()]})


if __name__ == "__main__":
    main()
