"""What the commands `new`, `check` and `run` do, with their progress."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

__all__ = ["check", "create", "protocols", "run"]

Put = Callable[[dict[str, Any]], None]


def _shown(put: Put) -> Callable[[str, int, int], None]:
    return lambda scan, done, total: put({"scan": scan, "done": done, "total": total})


def protocols(put: Put) -> list[dict[str, Any]]:
    """The protocols in their own words."""
    from accstudy.plan.protocol import load_protocol, protocol_names

    found = [load_protocol(name) for name in protocol_names()]
    order = ("validation", "comparison", "drift")
    return [
        {
            "name": p.name, "title": p.title, "question": p.question, "answer": p.answer,
            "scans": p.n_scans, "kind": p.kind,
        }
        for p in sorted(found, key=lambda p: order.index(p.kind))
    ]  # fmt: skip


def create(folder: Path, protocol: str, title: str, referenced: bool, put: Put) -> list[str]:
    """Make the study, as `new` does."""
    from accstudy.stages.plan import new_study

    done = new_study(folder, protocol=protocol, title=title, referenced=referenced)
    return [str(path) for path in done]


def check(study: Path, *, put: Put) -> dict[str, Any]:
    """Everything that is wrong with a study; what is missing, in the order to supply it."""
    from accstudy.stages.check import check_study
    from accstudy.stages.workers import cores
    from accstudy.study.missing import split_missing

    found = check_study(study, jobs=cores(), show=_shown(put))
    steps, others = split_missing(found)
    return {"steps": steps, "findings": [f.to_dict() for f in others]}


def run(study: Path, *, who: str = "", put: Put) -> dict[str, Any]:
    """Measure, analyze and report, page to explore included, as `run --page` does."""
    from accstudy.pipeline import run_study
    from accstudy.stages.report import standing_lines
    from accstudy.stages.workers import cores

    done = run_study(
        study, jobs=cores(), figures="svg", page=True, who=who,
        say=lambda line: put({"line": line}), show=_shown(put),
    )  # fmt: skip
    return {
        "left_out": list(done.left_out),
        "standing": standing_lines(done.tables),
        "findings": [f.to_dict() for f in done.findings],
    }
