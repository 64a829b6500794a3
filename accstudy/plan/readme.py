"""README.md of a new study: the steps of its protocol, in order."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from accstudy.plan.protocol import Protocol
from accstudy.words.catalogue import say, words

__all__ = ["held_fixed", "readme_text"]


def readme_text(protocol: Protocol, *, title: str = "", referenced: bool = True) -> str:
    """Write README.md of a new study: the steps of its protocol, in order.

    Parameters
    ----------
    protocol : Protocol
        Whose steps are written.
    title : str, optional
        Title of the study; the protocol's by default.
    referenced : bool
        Whether the model is measured, so that there is a reference.

    Returns
    -------
    str
        Markdown.
    """
    d = protocol.design
    blocks = len(d.operators) * len(d.sessions)
    minutes = protocol.n_scans * d.minutes_per_scan + blocks * d.minutes_per_session
    held = held_fixed(protocol, referenced=referenced)
    written = (
        protocol.record if referenced else _without(protocol.record, "where", "study.toml, ref")
    )
    fixed = "\n".join(f"- {item['what']}: {item['why']}" for item in held)
    varies = "\n".join(f"- {item['factor']}: {item['why']}" for item in protocol.varies)
    record = "\n".join(f"| {i['where']} | {i['what']} | {i['why']} |" for i in written)
    frames = "\n".join(f"- {item['document']}: {item['use']}" for item in protocol.frame)
    model = d.models[0]
    question, answer = protocol.question, protocol.answer
    table = say("readme.reference_table", model=model)
    if not referenced:
        question = words("readme.questions")[protocol.kind]
        answer = words("readme.answers")[protocol.kind]
        table = say("readme.sketch", model=model)
    steps = [*words("readme.steps_measured" if referenced else "readme.steps_unmeasured").values()]
    if protocol.kind == "drift":
        steps += words("readme.steps_of_drift").values()
    steps += words("readme.steps_after").values()
    return say(
        "readme.page",
        title=title.strip() or protocol.title,
        question=question,
        answer=answer,
        n_scans=protocol.n_scans,
        blocks=blocks,
        hours=minutes / 60,
        numbered="\n".join(f"{k}. {step}" for k, step in enumerate(steps, start=1)),
        table=table,
        fixed=fixed,
        varies=varies,
        order=protocol.order,
        record=record,
        frames=frames,
    )


def held_fixed(protocol: Protocol, *, referenced: bool) -> tuple[Mapping[str, Any], ...]:
    """What a protocol holds fixed, without the measurement of the model where there is none."""
    return protocol.fixed if referenced else _without(protocol.fixed, "what", "reference measured")


def _without(
    items: tuple[Mapping[str, Any], ...], key: str, start: str
) -> tuple[Mapping[str, Any], ...]:
    """Items of a protocol that do not concern the reference."""
    return tuple(item for item in items if not str(item[key]).startswith(start))
