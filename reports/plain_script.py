"""The plain way to the same values: one script with pandas and scipy, as a practitioner would write it for this one rig.

    values, facts = measure(decode(reads))

It exists to be compared with (`reports/speed.py`): same bytes in, same quantities out. Scales are typed in from the rig's page, the
thresholds suit a good thermal unit on filament lamps, and there are no budgets: uncertainties are of type A, from the cycles. It is meant
to be fair, so whatever pandas, numpy or scipy do at once is done at once; loops go over frames and cycles, as one would write them.
"""

from __future__ import annotations

import struct
from binascii import crc_hqx
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd
from cobs import cobs
from scipy.optimize import curve_fit
from scipy.stats import linregress

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

SAMPLE_S = 26e-6
SCAN_S = 5 * SAMPLE_S
TAU_S = 47e-6  # input filters
SCALE_V, SCALE_DROP, SCALE_LOAD, SCALE_LOAD_LOW = 0.0184, 0.001, 0.08, 0.008
ZERO = 64
LOW_RANGE_A, DROP_RANGE_V = 7.5, 0.945
SKIP, DROP_UNTIL = 5, 20


def decode(reads: Sequence[tuple[bytes, float]]) -> pd.DataFrame:
    """One row for each sample frame: stamp, arrival, its 160 counts as an array."""
    rows = []
    tail = b""
    for data, arrival_s in reads:
        *pieces, tail = (tail + data).split(b"\0")
        for piece in pieces:
            if len(piece) < 250:
                continue
            try:
                frame = cobs.decode(piece)
            except cobs.DecodeError:
                continue
            if len(frame) != 252 or frame[0] != 1 or crc_hqx(frame, 0xFFFF):
                continue
            _, _, stamp = struct.unpack_from("<BBI", frame)
            packed = np.frombuffer(frame, np.uint8, 240, 10).astype(np.uint16).reshape(80, 3)
            counts = np.empty(160, np.uint16)
            counts[0::2] = packed[:, 0] | (packed[:, 1] & 0xF) << 8
            counts[1::2] = packed[:, 1] >> 4 | packed[:, 2] << 4
            rows.append((stamp, arrival_s, counts))
    return pd.DataFrame(rows, columns=["stamp", "arrival_s", "counts"]).drop_duplicates("stamp")


def to_frame(frames: pd.DataFrame) -> pd.DataFrame:
    """One row for each scan, NaN where frames are missing; the index is the time of the scan's first slot, s."""
    stamps = frames["stamp"].to_numpy()
    samples = np.full((int(stamps[-1]) // 160 + 1, 160), np.nan)
    samples[stamps // 160] = np.stack(frames["counts"].to_list())
    scans = samples.reshape(-1, 5)
    number = np.arange(len(scans))
    slot = scans[:, 4]
    df = pd.DataFrame(
        {
            "v_in": scans[:, 0] * SCALE_V,
            "v_out": scans[:, 1] * SCALE_V,
            "v_drop": (scans[:, 2] - ZERO) * SCALE_DROP,
            "i_load": (scans[:, 3] - ZERO) * SCALE_LOAD,
            "i_load_low": np.where(number % 2 == 0, (slot - ZERO) * SCALE_LOAD_LOW, np.nan),
            "v_pilot": np.where((number % 2 == 1) & (number % 32 != 31), slot * SCALE_V, np.nan),
        },
        index=pd.Index(number * SCAN_S, name="time_s"),
    )
    df.attrs["ntc"] = slot[number % 64 == 31]
    return df


def edges_of(high: Mask, low: Mask) -> pd.DataFrame:
    """Where a signal with hysteresis changed: position of the first sample of the new state, and the state."""
    state = pd.Series(np.where(high, 1.0, np.where(low, 0.0, np.nan))).ffill().to_numpy()
    at = np.flatnonzero(np.diff(state) != 0.0) + 1
    at = at[~np.isnan(state[at]) & ~np.isnan(state[at - 1])]
    return pd.DataFrame({"at": at, "closed": state[at] > 0.5})


def transitions(df: pd.DataFrame, system_v: float) -> tuple[pd.DataFrame, float, int]:
    """Makes and breaks without their bounce, each with its time; when the supply came; how many short gaps there were while lit."""
    t = df.index.to_numpy()
    v_in, v_out = df["v_in"].to_numpy(), df["v_out"].to_numpy()
    floor = 0.3 * system_v
    supply = edges_of(v_in > 1.2 * floor, v_in < 0.8 * floor)
    applied = int(supply.loc[supply["closed"], "at"].iloc[0])
    applied_s = _half_way(t, v_in, applied) - TAU_S
    ratio = np.where(v_in > floor, v_out / np.maximum(v_in, floor), 0.0)
    edges = edges_of(ratio > 0.27, ratio < 0.13)
    edges["time_s"] = [_half_way(t, v_out, k) + SAMPLE_S - TAU_S for k in edges["at"]]
    # Crossings closer together than 3 ms belong to one transition; it is real if the state after it is another than before.
    burst = (edges["time_s"].diff() > 3e-3).cumsum()
    grouped = edges.groupby(burst)
    found = pd.DataFrame(
        {
            "time_s": grouped["time_s"].first(),
            "last_s": grouped["time_s"].last(),
            "at": grouped["at"].last(),
            "closed": grouped["closed"].last(),
        }
    )
    changed = found["closed"] != found["closed"].shift(fill_value=False)
    gaps = int((~changed & found["closed"]).sum())
    return found[changed].reset_index(drop=True), applied_s, gaps


def _half_way(t: Array, v: Array, k: int) -> float:
    """50 % instant of the step at sample k by linear interpolation between its neighbours."""
    before, after = float(np.median(v[max(k - 6, 0) : k - 1])), float(np.median(v[k + 1 : k + 6]))
    middle = 0.5 * (before + after)
    window = v[k - 2 : k + 2]
    passed = int(np.argmax(window > middle if after > before else window < middle)) + k - 2
    a, b = float(v[passed - 1]), float(v[passed])
    part = min(max((middle - a) / (b - a), 0.0), 1.0) if a != b else 1.0
    return float(t[passed - 1]) + part * SCAN_S


def decay(x_s: Array, peak: float, rate: float) -> Array:
    """Current through a heating filament since it was switched on; a free exponent would not be determined by warm lamps."""
    return np.asarray(peak * (1.0 + np.abs(rate) * x_s) ** -0.6)


def inrush(df: pd.DataFrame, make: float, last: float) -> tuple[float, float]:
    """The decay after the make fitted and carried back to it: current and its standard uncertainty."""
    part = df.loc[last + 6 * TAU_S : last + 2.9e-3]
    low = part["i_load_low"].dropna()
    current, slot = (low, 4) if len(low) > 4 and low.max() < LOW_RANGE_A else (part["i_load"].dropna(), 3)
    x = current.index.to_numpy() + slot * SAMPLE_S - TAU_S - make
    y = current.to_numpy()
    try:
        best, covariance = curve_fit(decay, x, y, p0=(1.2 * y[0], 300.0))
    except (RuntimeError, TypeError, IndexError):
        return np.nan, np.nan
    return float(best[0]), float(np.sqrt(covariance[0, 0]))


def at_end(part: pd.Series, end_s: float) -> float:
    """Value at the end of a stretch, by a straight line through it."""
    part = part.dropna()
    if len(part) < 8:
        return float(part.mean())
    fit = linregress(part.index.to_numpy(), part.to_numpy())
    return float(fit.intercept + fit.slope * end_s)


def per_cycle(df: pd.DataFrame, edges: pd.DataFrame) -> pd.DataFrame:
    """One row for each complete cycle, from make to make."""
    rows = []
    makes = edges.index[edges["closed"]]
    for k in makes:
        if k + 2 not in edges.index:
            break
        make, broke, ended = (edges.loc[n] for n in (k, k + 1, k + 2))
        on_s, settled = broke["time_s"] - make["time_s"], make["last_s"] + 0.4e-3
        end_s = broke["time_s"] - 1e-4
        lit = df.loc[settled:end_s]
        dark = df.loc[broke["last_s"] + 0.4e-3 : ended["time_s"] - 2e-4]
        if lit["v_in"].isna().any() or dark["v_in"].isna().any():
            continue
        tail = lit.loc[end_s - min(0.05, 0.25 * on_s) :]
        current = lit["i_load_low"].dropna()
        lowest = int(lit["v_drop_smooth"].argmin())
        lowest_s = float(lit.index[lowest])
        peak, peak_u = inrush(df, make["time_s"], make["last_s"])
        middle = (make["time_s"] + end_s) / 2
        dark_middle = dark.index[len(dark) // 2]
        rows.append(
            {
                "make_s": make["time_s"],
                "on_s": on_s,
                "off_s": ended["time_s"] - broke["time_s"],
                "period_s": ended["time_s"] - make["time_s"],
                "bounce_make_s": make["last_s"] - make["time_s"],
                "bounce_break_s": broke["last_s"] - broke["time_s"],
                "drop_v": lit["v_drop_smooth"].iloc[lowest],
                "drop_a": current.loc[lowest_s - 2.5e-3 : lowest_s + 2.5e-3].mean(),
                "steady_a": at_end(tail["i_load_low"], end_s),
                "supply_v": at_end(tail["v_in"], end_s),
                "lamp_v": at_end(tail["v_out"], end_s),
                "dark_a": at_end(dark["i_load_low"].loc[ended["time_s"] - 0.1 :], ended["time_s"]),
                "pilot_on_v": lit["v_pilot"].loc[middle:].mean(),
                "pilot_off_v": dark["v_pilot"].loc[dark_middle:].mean(),
                "inrush_a": peak,
                "inrush_u_a": peak_u,
            }
        )
    return pd.DataFrame(rows)


def clock_error(frames: pd.DataFrame) -> tuple[float, float]:
    """How much longer true seconds are than the board's, relative: a line through the least late arrival of each second."""
    board_s = (frames["stamp"] + 159) * SAMPLE_S
    late = frames["arrival_s"] - board_s
    least = late.groupby(board_s.astype(int)).idxmin().iloc[:-1]
    fit = linregress(board_s[least], late[least])
    return float(fit.slope), float(fit.stderr)


def mean_u(values: pd.Series) -> tuple[float, float]:
    return float(values.mean()), float(values.std() / np.sqrt(values.count()))


def trend(minutes: pd.Series, values: pd.Series) -> tuple[float, float]:
    fit = linregress(minutes, values)
    return float(fit.slope), float(fit.stderr)


def temperature_c(count: float) -> float:
    ratio = count / 1024
    return float(1.0 / (1.0 / 298.15 + np.log(ratio / (1.0 - ratio)) / 3950.0) - 273.15)


def measure(frames: pd.DataFrame, system_v: float = 12.0) -> tuple[dict[str, tuple[float, float]], dict[str, str]]:
    """Value and type A standard uncertainty of everything, in SI, and what the unit does in words."""
    df = to_frame(frames)
    edges, applied_s, gaps = transitions(df, system_v)
    rest = df.loc[applied_s - 0.5 : applied_s - 1e-3].mean()
    for name in ("v_drop", "i_load", "i_load_low"):
        df[name] -= rest[name]
    # The median over 5 ms keeps the noise out of the lowest drop; where the amplifier is out of range there is none.
    df["v_drop_smooth"] = df["v_drop"].where(df["v_drop"] < DROP_RANGE_V).rolling(39, center=True).median()
    cycles = per_cycle(df, edges)
    error, error_u = clock_error(frames)
    for name in ("make_s", "on_s", "off_s", "period_s", "bounce_make_s", "bounce_break_s"):
        cycles[name] *= 1.0 + error
    counted = cycles.iloc[SKIP:]
    rates = 60.0 / counted["period_s"]
    total = 60.0 * len(counted) / counted["period_s"].sum()
    drops = counted["drop_v"].iloc[: DROP_UNTIL - SKIP]
    drop, drop_u = mean_u(drops)
    drop_a, drop_a_u = mean_u(counted["drop_a"].iloc[: DROP_UNTIL - SKIP])
    steady, steady_u = mean_u(counted["steady_a"])
    first, first_u = cycles["inrush_a"].iloc[0], cycles["inrush_u_a"].iloc[0]
    period, period_u = mean_u(counted["period_s"])
    spread = counted["period_s"].std() / period
    minutes = (counted["make_s"] - counted["make_s"].iloc[0]) / 60.0
    light_s = max(float(edges["time_s"].iloc[0]) - applied_s, 0.0) * (1.0 + error)
    closed_at_rest = light_s < 5e-3 and cycles["on_s"].iloc[0] > 0.1
    # The first flash of a thermal unit is longer, its heater being cold.
    thermal = closed_at_rest and cycles["on_s"].iloc[0] > 1.4 * cycles["on_s"].iloc[1:].median()
    alike = cycles.iloc[1:] if thermal else cycles
    usual, usual_on = alike["period_s"].median(), alike["on_s"].median()
    drop_s = float(counted["drop_v"].std())
    film = float(cycles["drop_v"].iloc[:SKIP].max() - counted["drop_v"].median())
    dark_s = (float(edges["time_s"].iloc[1]) - applied_s) * (1.0 + error)
    carried = min(1.0, 3.5 / drop_a)  # to the current of two lamps
    pilot_on, pilot_off = mean_u(counted["pilot_on_v"]), mean_u(counted["pilot_off_v"])
    u_bounce = 3.0 * SCAN_S / np.sqrt(3.0)  # a bounce of less than some three scans may not show at all
    u_edges = SCAN_S / np.sqrt(6.0)  # from one edge to another, each known to a scan
    values = {
        "rate_per_min": mean_u(rates),
        "rate_total_per_min": (total, total * period_u / period),
        "on_ratio": mean_u(counted["on_s"] / counted["period_s"]),
        "on_s": mean_u(counted["on_s"]),
        "off_s": mean_u(counted["off_s"]),
        "first_light_s": (light_s, u_edges),
        "first_extinction_s": (dark_s, u_edges),
        "start_s": (dark_s, u_edges),
        "start_largest_s": (dark_s, u_edges),
        "drop_v": (drop, drop_u),
        "drop_largest_v": (float(drops.max()), drop_u),
        "drop_carried_v": (drop * carried, drop_u * carried),
        "contact_ohm": (drop / drop_a, drop / drop_a * float(np.hypot(drop_u / drop, drop_a_u / drop_a))),
        "inrush_first_a": (float(first), float(first_u)),
        "inrush_later_a": mean_u(counted["inrush_a"]),
        "steady_a": (steady, steady_u),
        "inrush_ratio": (float(first) / steady, float(first_u) / steady),
        "dark_a": mean_u(counted["dark_a"]),
        "supply_v": mean_u(counted["supply_v"]),
        "lamp_v": mean_u(counted["lamp_v"]),
        "bounce_make_s": (float(cycles["bounce_make_s"].max()), u_bounce),
        "bounce_break_s": (float(cycles["bounce_break_s"].max()), u_bounce),
        "film_v": (film, drop_s),
        "drop_spread_v": (drop_s, drop_s / float(np.sqrt(2.0 * (len(counted) - 1)))),
        "dropouts": (float(gaps), 0.0),
        "missed": (float(((alike["period_s"] > 1.6 * usual) & (alike["off_s"] > alike["on_s"])).sum()), 0.0),
        "stuck": (float((alike["on_s"] > 1.5 * usual_on).sum()), 0.0),
        "period_spread": (float(spread), float(spread / np.sqrt(2.0 * (len(counted) - 1)))),
        "rate_drift_per_min2": trend(minutes, rates),
        "drop_trend_v_per_min": trend(minutes, counted["drop_v"]),
        "temperature_c": (temperature_c(float(df.attrs["ntc"][-1])), 0.1),
        "clock_error": (error, error_u),
    }
    live = 0.4 * system_v
    words = {(True, False): "in step", (False, True): "antiphase", (True, True): "steady", (False, False): "dead"}
    pilot = words[pilot_on[0] > live, pilot_off[0] > live]
    if pilot != "dead":
        values["pilot_on_v"] = max(pilot_on, pilot_off)
    facts = {
        "behaviour": "flashing", "rest": "closed" if closed_at_rest else "open", "pilot": pilot,
        "mechanism": "thermal, closed at rest" if thermal else "unknown",
        "film": "recovered" if film > max(0.1, 0.25 * drop, 4.0 * drop_s) else "none",
    }  # fmt: skip
    return values, facts
