"""The state of a device at its last session: one row, from which every report speaks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from accstudy.accuracy.judge import ALL_PAIRS, REFUTED, VERIFIED
from accstudy.drift.device import Charted, Device
from accstudy.drift.measurands import CROSS_ARCH
from accstudy.drift.projection import next_session
from accstudy.drift.signals import Found, unit_text

__all__ = [
    "CHANGED",
    "CHECK",
    "NEXT",
    "NO_CHARTS",
    "NO_SIGN",
    "OUT_OF_USE",
    "PASSED",
    "Held",
    "device_status",
]

CHANGED, PASSED, NO_SIGN, NO_CHARTS = "changed", "none stands", "no sign", "no charts"
CHECK, OUT_OF_USE, NEXT = "check at once", "out of use until verified", "next session"


@dataclass(frozen=True, slots=True)
class Held:
    """Comparison of one device and model with the limit.

    Parameters
    ----------
    limits, lookback, ahead : DataFrame
        Rows of tables ``drift_limits``, ``drift_lookback`` and ``drift_pairs`` of it; empty
        without a limit.
    """

    limits: pd.DataFrame
    lookback: pd.DataFrame
    ahead: pd.DataFrame


def device_status(device: Device, held: Held) -> dict[str, Any]:
    """Row of table ``drift_status``.

    Parameters
    ----------
    device : Device
        Charted.
    held : Held
        Its limit.

    Returns
    -------
    dict
    """
    at = device.sessions.drop_duplicates("session").sort_values("at", kind="stable")
    first = device.charted[0].stretch
    found = [one for c in device.charted for one in c.found if one.row["kind"] == "signal"]
    standing = [c for c in device.charted if c.standing]
    row: dict[str, Any] = {
        "device": device.device,
        "model": device.model,
        "stands": bool(standing),
        "n_sessions": len(at),
        "first_at": at["at"].iloc[0],
        "last_at": at["at"].iloc[-1],
        "last_session": at["session"].iloc[-1],
        "baseline_since": first.rows["at"].iloc[0],
        "baseline_begins_with": first.begins_with,
        "n_measurands": len(device.charted),
        "n_standing": len(standing),
        "confidence": device.settings.confidence,
    }
    if not any(c.stretch.baseline is not None for c in device.charted):
        row["state"] = NO_CHARTS
    elif standing:
        row["state"] = CHANGED
    else:
        earlier = [one for one in device.earlier if one.row["kind"] == "signal"]
        row["state"] = PASSED if found or earlier else NO_SIGN
    told = _told(device, standing)
    row.update(_about(told))
    row.update(_limit(device, held))
    row["what"] = _state_sentence(row)
    row["limit_what"] = _limit_sentence(row)
    row["duty_what"] = _duty_sentence(row)
    row.update(_action(device, held, row))
    return row


def _told(device: Device, standing: list[Charted]) -> Charted:
    """The measurand of which is told: the clearest change; lengths before others."""
    if standing:
        level = [c for c in standing if any(not one.of_sd for one in c.standing)] or standing
        lengths = [c for c in level if c.stretch.unit == "um"] or level
        return max(lengths, key=_clearness)
    named = [c for c in device.charted if c.stretch.measurand == CROSS_ARCH]
    return (named or device.charted)[0]


def _clearness(one: Charted) -> float:
    gains = [f.gain for f in one.standing if f.row["kind"] == "change-point"]
    return max(gains, default=0.0)


def _about(one: Charted) -> dict[str, Any]:
    """What happened to one measurand: its clearest change point, or else its first signal."""
    stretch, trend = one.stretch, one.trend
    row: dict[str, Any] = {
        "measurand": stretch.measurand,
        "unit": stretch.unit,
        "autocorrelation": one.series.rho,
        "autocorrelation_p": one.series.rho_p,
    }
    if trend is not None:
        row.update(
            slope_per_month=trend.estimate,
            slope_low_per_month=trend.low,
            slope_high_per_month=trend.high,
            slope_p=trend.p,
        )
    if not one.standing:
        return row
    of_level = [f for f in one.standing if not f.of_sd]
    use = of_level or one.standing
    signals = [f for f in use if f.row["kind"] == "signal"]
    first = min(signals, key=lambda f: f.row["at"])
    changes = [f for f in use if f.row["kind"] == "change-point"]
    best: Found = max(changes, key=lambda f: f.gain) if changes else first
    is_signal = best.row["kind"] == "signal"
    begins = best.row["low"] if is_signal else best.row["at"]
    row.update(
        chart=first.row["chart"],
        signalled_at=first.row["at"],
        change="spread" if best.of_sd else "level" if is_signal else best.row["rule"],
        size=best.row["size"],
        size_low=best.row["size_low"],
        size_high=best.row["size_high"],
        begins_at=begins,
        begins_low=best.row["low"],
        begins_high=best.row["high"],
        event=best.row["event"],
    )
    base = stretch.rows["at"][stretch.in_baseline]
    row["in_baseline"] = bool(len(base) and row["begins_low"] <= base.iloc[-1])
    return row


def _limit(device: Device, held: Held) -> dict[str, Any]:
    row: dict[str, Any] = {"limit_um": device.settings.limit_um, "n_not_verified": 0}
    back = held.lookback
    if len(back):
        ends = back.sort_values("at", kind="stable")
        row["n_not_verified"] = int(back["session"].nunique())
        row["reassess_from"] = ends["proven_good_at"].iloc[0]
        row["reassess_to"] = ends["next_good_at"].iloc[-1]
    if not len(held.limits):
        return row
    together = held.limits[held.limits["scope"] == ALL_PAIRS].sort_values("at", kind="stable")
    last = together.iloc[-1]
    row["limit_verdict"] = last["verdict"]
    row["worst_pair"] = f"{last['implant_a']}-{last['implant_b']}"
    row["worst_bound_um"] = last["bound_um"]
    if len(held.ahead):
        single = held.ahead.iloc[int(held.ahead["bound_um"].to_numpy(float).argmax())]
        row["single_pair"] = f"{single['implant_a']}-{single['implant_b']}"
        row["single_bound_um"] = single["bound_um"]
    for one in device.charted:
        stretch = one.stretch
        if stretch.measurand == CROSS_ARCH and stretch.limits is not None:
            assert stretch.baseline is not None
            half = stretch.limits.shewhart * stretch.baseline.sd_of_means
            row["chart_limit_um"] = abs(stretch.baseline.centre) + half
            row["protects"] = bool(row["chart_limit_um"] <= row["limit_um"])
    return row


def _amount(value: float, unit: str) -> str:
    places = {"um": 1, "ppm": 0}.get(unit, 3)
    return f"{value:+.{places}f}"


def _day(at: pd.Timestamp) -> str:
    return f"{at:%Y-%m-%d}"


def _state_sentence(row: dict[str, Any]) -> str:
    """The state in one or two sentences, dates as YYYY-MM-DD."""
    if row["state"] == NO_CHARTS:
        return "Too few sessions for control charts."
    since = ""
    if row["baseline_begins_with"]:
        since = (
            f" since the new baseline of {_day(row['baseline_since'])} "
            f"({row['baseline_begins_with']})"
        )
    slope = ""
    if pd.notna(row.get("slope_p")):
        low, mid, high = (
            _amount(row[k], row["unit"])
            for k in ("slope_low_per_month", "slope_per_month", "slope_high_per_month")
        )
        shown = "trend" if row["slope_p"] < 1 - row["confidence"] else "no trend shown"
        slope = f"{shown}: {mid} {unit_text(row['unit'])} per month ({low} to {high})"
    if row["state"] != CHANGED:
        text = "No sign of a change" if row["state"] == NO_SIGN else "No signal persists"
        text += since if since else f" in {row['n_sessions']} sessions"
        text += "; charts signalled before" if row["state"] == PASSED else ""
        name = row["measurand"][0].upper() + row["measurand"][1:]
        return f"{text}. {name}, {slope}." if slope else f"{text}."
    size = _amount(row["size"], row["unit"])
    if pd.notna(row["size_low"]):
        low, high = (_amount(row[k], row["unit"]) for k in ("size_low", "size_high"))
        size += f" ({low} to {high})"
    size += f" {unit_text(row['unit'])}"
    name = row["measurand"][0].upper() + row["measurand"][1:]
    began = (
        f"estimated start {_day(row['begins_at'])} "
        f"(between {_day(row['begins_low'])} and {_day(row['begins_high'])})"
    )
    text = {
        "ramp": f"{name} drifts by {size} per month, {began}",
        "step": f"{name} stepped by {size}, {began}",
        "spread": f"The spread within sessions of {row['measurand']} changed by {size}, {began}",
        "level": f"{name} has moved by {size} against the baseline",
    }[row["change"]]
    text += f"; charts signal since {_day(row['signalled_at'])}{since}."
    if row["in_baseline"]:
        text += " It may have started within the baseline, which then includes part of it."
    if row["change"] == "step" and slope:
        text += f" After the step, {slope}."
    if row["event"]:
        text += f" Close in time: {row['event']}."
    return text


def _limit_sentence(row: dict[str, Any]) -> str:
    if not row.get("limit_verdict"):
        return ""
    bound = row["worst_bound_um"]
    reach = "no bound for every pair" if pd.isna(bound) else (
        f"pair {row['worst_pair']} up to {bound:.0f} µm"
    )  # fmt: skip
    text = (
        f"Limit {row['limit_um']:g} µm, mean of the last session, all pairs: "
        f"{row['limit_verdict']} ({reach})."
    )
    if pd.notna(row.get("single_bound_um")):
        text += (
            f" Upper tolerance limit of future single scans: up to {row['single_bound_um']:.1f} µm "
            f"(pair {row['single_pair']}), {'beyond' if _single_beyond(row) else 'within'} the "
            "limit."
        )
    return text


def _single_beyond(row: dict[str, Any]) -> bool:
    """Whether the tolerance bound of single scans of a pair lies beyond the limit."""
    bound = row.get("single_bound_um")
    return bool(pd.notna(bound) and bound > row["limit_um"])


def _duty_sentence(row: dict[str, Any]) -> str:
    """What follows for former work, and what the charts cannot do."""
    said = []
    if row["state"] == CHANGED and row.get("limit_verdict") == VERIFIED:
        text = "Changed; the mean of the last session is within the limit"
        if _single_beyond(row):
            text += (
                f", but future single scans may not be (upper tolerance limit of pair "
                f"{row['single_pair']}: {row['single_bound_um']:.1f} µm)"
            )
        said.append(f"{text}.")
    if row["n_not_verified"]:
        good, after, n = row["reassess_from"], row["reassess_to"], row["n_not_verified"]
        start = "so far" if pd.isna(good) else f"after {_day(good)}"
        end = "" if pd.isna(after) else f" and before {_day(after)}"
        what = "not verified" if row.get("limit_verdict") else "may be affected"
        said.append(f"{n} session{'s' * (n != 1)} {what}: reassess the work scanned {start}{end}.")
    if row.get("protects") is False:
        said.append(
            f"The chart of session means reaches to {row['chart_limit_um']:.0f} µm, beyond the "
            "limit: it cannot ensure conformity; only the check of every pair can."
        )
    return " ".join(said)


def _action(device: Device, held: Held, row: dict[str, Any]) -> dict[str, Any]:
    last = pd.Timestamp(row["last_at"]).normalize()
    verdict = row.get("limit_verdict", "")
    if verdict and verdict != VERIFIED:
        why = "a pair lies beyond the limit" if verdict == REFUTED else (
            "conformity is not verified for every pair"
        )  # fmt: skip
        why += ", and a signal persists" if row["stands"] else ""
        return {
            "action": OUT_OF_USE,
            "due_at": last,
            "advice": f"Out of use until verified: {why}.",
        }
    if row["stands"]:
        kept = "; the mean of the last session is within the limit" if verdict else ""
        return {
            "action": CHECK,
            "due_at": last,
            "advice": (
                f"Check at once: a signal persists{kept}. Find the cause, run another session, and "
                "decide on a new baseline."
            ),
        }
    ahead = held.ahead
    fastest = room = float("nan")
    if len(ahead):
        rates = ahead[["slope_low_um", "slope_high_um"]].abs().max(axis=1).to_numpy(float)
        rooms = (ahead["limit_um"] - ahead["bound_um"]).to_numpy(float)
        worst = int(np.argmin(rooms / np.maximum(rates, 1e-9)))
        fastest, room = float(rates[worst]), float(rooms[worst])
    named = [c.stretch for c in device.charted if c.stretch.measurand == CROSS_ARCH]
    stretch = (named or [device.charted[0].stretch])[0]
    day, why = next_session(stretch, fastest, room, last)
    return {"action": NEXT, "due_at": day, "advice": f"Next session by {_day(day)}: {why}."}
