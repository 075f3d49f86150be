"""Three things a user would do without the program, each as simple as it would really be done.

All look at the trace (and the events, where they are there), and give episodes in the same form as the review. They state no
probability: the site they name gets 1. Their hand rules were written down once and not tuned on any record.
"""

import statistics

import numpy as np
import ruptures

from records import Found


def alone(site):
    return {site: 1.0}


def stops_at_pressure(record):
    """(t, channel) of each occlusion alarm: by the events, else where a channel stops near its highest pressure."""
    if record.events:
        return [(e["t"], e["channel"]) for e in record.events_rows() if e["event"] == "occlusion_alarm"]
    alarms = []
    for channel, rows in record.trace().items():
        pressures = [p for _, p, _ in rows if p is not None]
        if not pressures:
            continue
        usual, top = statistics.median(pressures), max(pressures)
        for before, now in zip(rows, rows[1:]):
            if before[2] > 0 and now[2] == 0 and now[1] is not None:
                if now[1] > usual + 30 and now[1] > 0.85 * top:
                    alarms.append((now[0], channel))
    return alarms


def alarm_only(record):
    """What the pump says: an episode begins and ends with its alarm; where it lies, nobody knows, so say the likeliest."""
    episodes = []
    for t, channel in sorted(stops_at_pressure(record)):
        if episodes and t - episodes[-1].end < 1800:
            episodes[-1].end = t
            if channel not in episodes[-1].channels:
                episodes[-1].channels.append(channel)
        else:
            episodes.append(Found(
                onset=t, end=t, channels=[channel], sites=alone("catheter"), suggested="catheter", alarm=t, visible_from=t,
            ))
    return episodes


def minutes(record):
    """Channel -> (times, median pressure of each minute in which it ran)."""
    out = {}
    for channel, rows in record.trace().items():
        cells = {}
        for t, p, rate in rows:
            if p is not None and rate > 0:
                cells.setdefault(int(t // 60), []).append(p)
        times = sorted(cells)
        out[channel] = (np.array(times) * 60.0, np.array([statistics.median(cells[k]) for k in times]))
    return out


def hand_rule(record, moved, rises_s, fell=False):
    """The site that a hand rule names: who moved, how fast, and which way."""
    if fell:
        return "supply"
    if len(record.channels) > 1 and len(moved) == 1:
        return "tubing"
    return "catheter" if rises_s <= 120 else "filter"


def threshold(record):
    """A rule: five minutes at 1.5 times the first hour's median, and at least 20 mmHg above it."""
    raised = {}
    for channel, (times, level) in minutes(record).items():
        if len(times) < 10:
            continue
        first = level[times <= times[0] + 3600]
        base = float(np.median(first))
        high = level > max(base + 20, 1.5 * base)
        raised[channel] = stretches(times, high, at_least_s=300)
    return joined(record, raised)


def stretches(times, flags, at_least_s):
    """Stretches in which the flags stand, gaps of up to half an hour bridged."""
    out = []
    for t in times[flags]:
        if out and t - out[-1][1] <= 1800:
            out[-1][1] = float(t)
        else:
            out.append([float(t), float(t)])
    return [s for s in out if s[1] - s[0] >= at_least_s]


def joined(record, raised):
    """Stretches of all channels that overlap become one episode; a slow one needed more than two minutes to its level."""
    flat = sorted((s[0], s[1], c) for c, list_ in raised.items() for s in list_)
    episodes = []
    for start, end, channel in flat:
        if episodes and start <= episodes[-1].end + 600:
            episodes[-1].end = max(episodes[-1].end, end)
            if channel not in episodes[-1].channels:
                episodes[-1].channels.append(channel)
        else:
            episodes.append(Found(onset=start, end=end, channels=[channel], sites={}, suggested="", visible_from=start + 300))
    for e in episodes:
        e.suggested = hand_rule(record, e.channels, rises_s=600)
        e.sites = alone(e.suggested)
    return episodes


def change_points(record):
    """A general change-point library on the minutes' medians (change of the mean, penalty 3 ln n of the noise), with hand rules.

    A segment stands for an episode where its level is 1.5 times that of the first and 10 mmHg above it, or (supply) less
    than half of it and 10 mmHg below.
    """
    high, low = {}, {}
    for channel, (times, level) in minutes(record).items():
        if len(times) < 20:
            continue
        noise = 1.4826 * float(np.median(np.abs(np.diff(level)))) / 2 ** 0.5
        noise = max(noise, 0.5)
        # KernelCPD with the linear kernel is the exact search for changes of the mean, written in C
        search = ruptures.KernelCPD(kernel="linear", min_size=3).fit(level.reshape(-1, 1))
        ends = search.predict(pen=3 * np.log(len(level)) * noise ** 2)
        cuts = list(zip([0] + ends[:-1], ends))
        base = float(np.median(level[cuts[0][0]:cuts[0][1]]))
        up, down = np.zeros(len(level), bool), np.zeros(len(level), bool)
        for a, b in cuts[1:]:
            middle = float(np.median(level[a:b]))
            up[a:b] = middle > max(base + 10, 1.5 * base)
            down[a:b] = middle < min(base - 10, 0.5 * base)
        high[channel] = stretches(times, up, at_least_s=0)
        low[channel] = stretches(times, down, at_least_s=0)
    found = joined(record, high)
    for e in found:
        e.visible_from = e.onset
        steps = [s for list_ in high.values() for s in list_ if abs(s[0] - e.onset) <= 120]
        slow = max((s[1] - s[0] for s in steps), default=0.0) > 3600
        e.suggested = hand_rule(record, e.channels, rises_s=600 if slow else 60)
        e.sites = alone(e.suggested)
    falls = joined(record, low)
    for e in falls:
        e.suggested = hand_rule(record, e.channels, 0, fell=True)
        e.sites = alone(e.suggested)
    return sorted(found + falls, key=lambda e: e.onset)


RIVALS = {
    "alarm only": alarm_only,
    "threshold rule": threshold,
    "change-point library": change_points,
}
