"""A study that begins: what can be asked, and its folder."""

from __future__ import annotations

from pathlib import Path
from typing import Any

__all__ = ["create", "protocols"]


def protocols() -> list[dict[str, Any]]:
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


def create(folder: Path, protocol: str, title: str, referenced: bool) -> list[str]:
    """Make the study, as `new` does."""
    from accstudy.stages.plan import new_study

    done = new_study(folder, protocol=protocol, title=title, referenced=referenced)
    return [str(path) for path in done]
