"""What the events and the line file say of where an episode lies: ln of how likely such a word is under each site.

The figures are common practice without a source, kept blunt on purpose; a word at the wrong channel or minutes late counts as written.
"""

import numpy as np

SITES = ("supply", "tubing", "filter", "catheter", "settings", "none")

# how likely such a deed stands beside the relief, by site
HELPED = {
    "filter_change": {"filter": 0.45, "catheter": 0.02, "tubing": 0.03, "supply": 0.02, "settings": 0.02, "none": 0.02},
    "flush": {"filter": 0.02, "catheter": 0.3, "tubing": 0.03, "supply": 0.02, "settings": 0.03, "none": 0.04},
    "catheter_change": {"filter": 0.01, "catheter": 0.1, "tubing": 0.01, "supply": 0.01, "settings": 0.01, "none": 0.01},
    "clamp_opened": {"filter": 0.01, "catheter": 0.15, "tubing": 0.3, "supply": 0.1, "settings": 0.01, "none": 0.01},
    "patient_moved": {"filter": 0.03, "catheter": 0.25, "tubing": 0.08, "supply": 0.03, "settings": 0.03, "none": 0.15},
    "set_change": {"filter": 0.08, "catheter": 0.03, "tubing": 0.15, "supply": 0.4, "settings": 0.03, "none": 0.03},
    "limit_change": {"filter": 0.03, "catheter": 0.03, "tubing": 0.03, "supply": 0.01, "settings": 0.6, "none": 0.05},
    "rate_change": {"filter": 0.04, "catheter": 0.04, "tubing": 0.03, "supply": 0.03, "settings": 0.2, "none": 0.04},
    "pump_moved": {"filter": 0.01, "catheter": 0.01, "tubing": 0.01, "supply": 0.01, "settings": 0.01, "none": 0.3},
}
# how likely it did not help, by site
IN_VAIN = {
    "filter_change": {"filter": 0.05}, "flush": {"catheter": 0.45}, "catheter_change": {"catheter": 0.05}, "clamp_opened": {"tubing": 0.5},
    "set_change": {"supply": 0.3, "tubing": 0.7}, "limit_change": {"settings": 0.4},
}
# how likely it stands within three minutes before the beginning
FIRST = {
    "patient_moved": {"catheter": 0.1, "none": 0.1, "tubing": 0.05}, "pump_moved": {"none": 0.4}, "set_change": {"tubing": 0.25, "supply": 0.05},
    "rate_change": {"settings": 0.5}, "limit_change": {"settings": 0.3}, "bolus_start": {"settings": 0.1},
}


def add(terms, likely, floor):
    for site in SITES:
        terms[site] = terms.get(site, 0.0) + float(np.log(likely.get(site, floor)))


def events(ward, e):
    """The sum over what was written, by site."""
    terms, until, ended = {}, e.until(ward.points), e.end is not None
    seen = set()
    for k, i, event, _ in sorted(ward.events, key=lambda row: row[0]):
        own = i is None or i in e.channels
        near_end = ended and until - 420 <= k <= until + 120
        if near_end and event in HELPED and event not in seen and own:
            add(terms, HELPED[event], 0.02)
            seen.add(event)
        elif event in IN_VAIN and e.began + 600 < k < until - 900 and (event, "vain") not in seen:
            add(terms, IN_VAIN[event], 0.95)
            seen.add((event, "vain"))
        elif event in FIRST and -180 <= k - e.began <= 60 and own and (event, "first") not in seen:
            add(terms, FIRST[event], 0.02)
            seen.add((event, "first"))
        elif event == "alarm" and e.began < k < until + 60:
            add(terms, {"supply": 0.6}, 0.01)
        elif event in ("medication_start", "start") and 60 < e.began - k < 2900 and e.course == "gradual" and (event, "med") not in seen:
            add(terms, {"filter": 0.3, "catheter": 0.08}, 0.08)
            seen.add((event, "med"))
        elif event == "filter_change" and 0 <= e.began - k < 3600 and e.course == "gradual":
            add(terms, {"filter": 0.15}, 0.04)
    return terms


def line(ward, e):
    s, terms = ward.setting, {}
    if not s.filter_known or s.line.filter_at < 0:
        return terms
    lipid = any(s.fluids[i] in ("lipid", "pn-3in1") for i in s.filtered)
    if s.pore_um is not None and s.pore_um < 1.2 and lipid and e.course == "gradual":
        add(terms, {"filter": 0.6}, 0.1)
    if 0 <= e.began / 3600 - s.placed_h < 0.75 and e.course == "gradual":
        add(terms, {"filter": 0.15}, 0.05)
    if s.line.filter_at < s.n:      # a filter in one channel cannot hold up the others
        shared = len(e.channels) == s.n and s.n > 1
        terms["filter"] = terms.get("filter", 0.0) + (-4.0 if shared else 0.0)
    return terms
