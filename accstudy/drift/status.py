"""What is stated of a device: its state at its last session, in one row on which every report is
based, and what its charts do not show by themselves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from accstudy.accuracy.judge import ALL_PAIRS, REFUTED, VERIFIED
from accstudy.drift.conformity import next_session
from accstudy.drift.device import Charted, Device, Found
from accstudy.drift.measurands import CROSS_ARCH
from accstudy.words.catalogue import say
from accstudy.words.names import capital
from accstudy.words.numbers import date, number, sized

CHANGED, PASSED, NO_SIGN, NO_CHARTS = "changed", "none stands", "no sign", "no charts"
CHECK, OUT_OF_USE, NEXT = "check at once", "out of use until verified", "next session"


@dataclass(frozen=True, slots=True)
class Held:
    """Comparison of one device and model with the limit."""

    # rows of tables ``drift_limits``, ``drift_lookback`` and ``drift_pairs`` of it; empty without a
    # limit
    limits: pd.DataFrame
    lookback: pd.DataFrame
    ahead: pd.DataFrame


def device_status(device: Device, held: Held) -> dict[str, Any]:
    """Row of table ``drift_status``."""
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
    row["n_in_baseline"] = int(told.stretch.in_baseline.sum())
    row.update(_about(told))
    row.update(_limit(device, held))
    row["what"] = _state_sentence(row, young=bool(told.stretch.in_baseline.all()))
    row["limit_what"] = _limit_sentence(device, row)
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
    row["starts_in_baseline"] = bool(len(base) and row["begins_at"] <= base.iloc[-1])
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
    row["worst_mean_um"] = last["mean_um"]
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


def _state_sentence(row: dict[str, Any], *, young: bool) -> str:
    """The state in one or two sentences; `young`: nothing but baseline yet."""
    if row["state"] == NO_CHARTS:
        return say("drift_results.too_few_sessions_for")
    since, begins_with, day = "", row["baseline_begins_with"], date(row["baseline_since"])
    if begins_with:
        since = say(
            "drift_results.since_the_new_baseline", day=day, baseline_begins_with=begins_with
        )
    slope = ""
    if pd.notna(row.get("slope_p")):
        low, high = (
            number(row[k], row["unit"], signed=True)
            for k in ("slope_low_per_month", "slope_high_per_month")
        )
        shown = (
            "trend"
            if row["slope_p"] < 1 - row["confidence"]
            else say("drift_results.no_trend_shown")
        )
        slope = say(
            "drift_results.per_month_to",
            shown=shown,
            mid=sized(row["slope_per_month"], row["unit"], signed=True),
            low=low,
            high=high,
        )
    if row["state"] != CHANGED:
        text = (
            say("drift_results.no_sign_of_a")
            if row["state"] == NO_SIGN
            else say("drift_results.no_signal_persists")
        )
        text += since if since else say("drift_results.in_sessions", n_sessions=row["n_sessions"])
        text += say("drift_results.charts_signalled_before") if row["state"] == PASSED else ""
        name = capital(row["measurand"])
        text = f"{text}. {name}, {slope}." if slope else f"{text}."
        return text + (say("drift_results.all_in_the_baseline") if young else "")
    size = sized(row["size"], row["unit"], signed=True)
    if pd.notna(row["size_low"]):
        low, high = (number(row[k], row["unit"], signed=True) for k in ("size_low", "size_high"))
        size += say("drift_results.to_low_high", low=low, high=high)
    name = capital(row["measurand"])
    began = say(
        "drift_results.estimated_start_between_and",
        day=date(row["begins_at"]),
        day_2=date(row["begins_low"]),
        day_3=date(row["begins_high"]),
    )
    started = say("drift_results.it_started") if row["starts_in_baseline"] else (
        say("drift_results.it_may_have_started") if row["in_baseline"] else ""
    )  # fmt: skip
    text = {
        "ramp": say("drift_results.drifts_by_per_month", name=name, size=size, began=began),
        "step": say("drift_results.stepped_by", name=name, size=size, began=began),
        "spread": say(
            "drift_results.the_spread_within_sessions",
            measurand=row["measurand"],
            size=size,
            began=began,
        ),
        "level": say("drift_results.has_moved_by_against", name=name, size=size),
    }[row["change"]]
    if since:
        since = say(
            "drift_results.against_the_new_baseline", day=day, baseline_begins_with=begins_with
        )
    text += say(
        "drift_results.charts_have_signalled_since", day=date(row["signalled_at"]), since=since
    )
    text += started
    if row["change"] == "step" and slope:
        text += say("drift_results.after_the_step", slope=slope)
    if row["event"]:
        text += say("drift_results.close_in_time", event=row["event"])
    return text


def _limit_sentence(device: Device, row: dict[str, Any]) -> str:
    if not row.get("limit_verdict"):
        return ""
    bound = row["worst_bound_um"]
    reach = say('drift_results.no_bound_for_every') if pd.isna(bound) else (
        say('drift_results.pair_mean_bound', pair=row['worst_pair'], bound=bound,
            mean=row['worst_mean_um'], confidence=row['confidence'])
    )  # fmt: skip
    text = say(
        "drift_results.limit_m_mean_of",
        limit_um=row["limit_um"],
        limit_verdict=row["limit_verdict"],
        reach=reach,
    )
    if pd.notna(row.get("single_bound_um")):
        text += say(
            "drift_results.tolerance_bound_of",
            single_bound_um=row["single_bound_um"],
            single_pair=row["single_pair"],
            coverage=device.settings.coverage,
            confidence=row["confidence"],
            value="above" if _single_beyond(row) else "below",
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
        text = say("drift_results.changed_the_mean_of")
        if _single_beyond(row):
            text += say(
                "drift_results.but_future_single_scans",
                single_pair=row["single_pair"],
                single_bound_um=row["single_bound_um"],
            )
        said.append(f"{text}.")
    if row["n_not_verified"]:
        good, after, n = row["reassess_from"], row["reassess_to"], row["n_not_verified"]
        start = (
            say("drift_results.so_far")
            if pd.isna(good)
            else say("drift_results.after_day", day=date(good))
        )
        end = "" if pd.isna(after) else say("drift_results.and_before", day=date(after))
        what = (
            say("drift_results.not_verified", n=n)
            if row.get("limit_verdict")
            else say("drift_results.may_be_affected", n=n)
        )
        said.append(
            say(
                "drift_results.session_reassess_the_work",
                what=what,
                start=start,
                end=end,
            )
        )
    if row.get("protects") is False:
        said.append(say("drift_results.the_chart_of_session", chart_limit_um=row["chart_limit_um"]))
    return " ".join(said)


def _action(device: Device, held: Held, row: dict[str, Any]) -> dict[str, Any]:
    last = pd.Timestamp(row["last_at"]).normalize()
    verdict = row.get("limit_verdict", "")
    if verdict and verdict != VERIFIED:
        why = say('drift_results.a_pair_lies_beyond') if verdict == REFUTED else (
            say('drift_results.conformity_is_not_verified')
        )  # fmt: skip
        why += say("drift_results.and_a_signal_persists") if row["stands"] else ""
        return {
            "action": OUT_OF_USE,
            "due_at": last,
            "advice": say("drift_results.out_of_use_until", why=why),
        }
    if row["stands"]:
        return {
            "action": CHECK,
            "due_at": last,
            "advice": say("drift_results.check_at_once_a"),
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
    return {
        "action": NEXT,
        "due_at": day,
        "advice": say("drift_results.next_session_by", day=date(day), why=why),
    }


_GAP = 2.5  # times the usual time between sessions


def gaps_after(at: pd.Series) -> list[int]:
    """Positions of the sessions, dated in order, that a gap follows: the time to the next one is
    more than two and a half times the median.
    """
    steps = pd.to_datetime(at).diff().dt.total_seconds().to_numpy(float)[1:]
    usual = float(np.median(steps)) if len(steps) else 0.0
    return [int(k) for k in np.flatnonzero(steps > _GAP * usual)] if usual > 0 else []


def device_remarks(
    points: pd.DataFrame,
    events: pd.DataFrame,
    trends: pd.DataFrame,
    signals: pd.DataFrame,
    scans: pd.DataFrame,
    baselines: pd.DataFrame,
) -> list[dict[str, Any]]:
    """Rows of table ``drift_remarks`` of one device and model, from the rows of its other tables.

    `events` of all devices are included.
    """
    rows: list[dict[str, Any]] = []
    at = points.drop_duplicates("session").sort_values("at")["at"].reset_index(drop=True)
    rows += [{"kind": "gap", "at": at[k], "until": at[k + 1]} for k in gaps_after(at)]
    first = points[points["baseline"].fillna(False).astype(bool)]
    when = pd.to_datetime(events["at"]) if len(events) else pd.Series([], dtype="datetime64[ns]")
    for baseline_no, base in first.groupby("baseline_no", sort=True):
        inside = events[(when > base["at"].min()) & (when < base["at"].max())]
        rows += [
            {"kind": "event", "at": e.at, "subject": e.kind, "baseline_no": baseline_no}
            for e in inside.itertuples()
        ]
    rows += _software(points, scans, events)
    signalled = set(signals["measurand"]) if len(signals) else set()
    rows += [
        {"kind": "trend", "subject": t.measurand, "p": t.p}
        for t in trends.itertuples()
        if t.shown and t.measurand not in signalled
    ]
    rows += _correlated(trends, baselines)
    uses = scans["body_uses"].dropna() if "body_uses" in scans else pd.Series([], dtype=float)
    if len(uses) and uses.max() > uses.min():
        rows.append({"kind": "bodies", "fewest": uses.min(), "most": uses.max()})
    return rows


def _correlated(trends: pd.DataFrame, baselines: pd.DataFrame) -> list[dict[str, Any]]:
    """Measurands whose present limits are widened because neighbouring sessions correlate."""
    if not len(baselines) or not len(trends):
        return []
    latest = baselines.sort_values("baseline_no", kind="stable").drop_duplicates(
        "measurand", keep="last"
    )
    wide = latest[latest["autocorrelation"] > 0]
    p = trends[["measurand", "baseline_no", "autocorrelation_p"]]
    return [
        {
            "kind": "correlated",
            "subject": one.measurand,
            "correlation": one.autocorrelation,
            "p": one.autocorrelation_p,
            "widened": one.widened,
        }
        for one in wide.merge(p, on=["measurand", "baseline_no"]).itertuples()
    ]


def _software(
    points: pd.DataFrame, scans: pd.DataFrame, events: pd.DataFrame
) -> list[dict[str, Any]]:
    """Versions of the software that follow the one of the present baseline in its charts."""
    if not {"software", "measured_at"} <= set(scans.columns) or not len(points):
        return []
    since = points.loc[points["baseline_no"] == points["baseline_no"].max(), "at"].min()
    mine = scans.assign(at=pd.to_datetime(scans["measured_at"])).sort_values("at", kind="stable")
    mine = mine[(mine["at"] >= since) & (mine["software"].fillna("") != "")]
    first = mine.drop_duplicates("software")
    before = first["software"].iloc[0] if len(first) else ""
    return [
        {
            "kind": "software",
            "at": one.at,
            "subject": one.software,
            "before": before,
            "event_at": _updated(events, mine["at"][mine["at"] < one.at].iloc[-1], one.at),
        }
        for one in first.iloc[1:].itertuples()
    ]


def _updated(events: pd.DataFrame, after: pd.Timestamp, until: pd.Timestamp) -> Any:
    """Day of the last event about software between two sessions; NaT for none."""
    if not len(events):
        return pd.NaT
    when = pd.to_datetime(events["at"])
    named = events["kind"].str.contains("software", case=False)
    return when[named & (when >= after.normalize()) & (when <= until)].max()
