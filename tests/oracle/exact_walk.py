"""Makes timelines at random and walks them with Python fractions.

usage: exact_walk.py FOLDER COUNT SEED

Writes FOLDER/N.otio and FOLDER/N.json for N in range(COUNT). The walk shares no code with
the program and none with the format's own library, whose range methods ignore speeds. It
follows the format's rules:

- a range's duration is record time; an effect says how fast media run under it, so media at
  record offset t is start + t * time_scalar; a freeze shows the frame at start;
- a transition takes no time in its track; the clip before it is seen out_offset longer, the
  clip after it in_offset earlier;
- a nest is trimmed by its source_range and shows its inside at its own speed;
- a reversed item is either [s - n + 1, s + 1) or [s, s + n); the first is rendered unless
  only the second stays inside a nest;
- a track whose range is negative and holds none of its children carries its record start.
"""

import json
import random
import sys
from fractions import Fraction as F
from math import ceil, floor
from pathlib import Path

RATES = {24.0: F(24), 25.0: F(25), 30.0: F(30), 23.976: F(24000, 1001), 29.97: F(30000, 1001),
         23.976023976023978: F(24000, 1001), 50.0: F(50), 59.94: F(60000, 1001), 12.5: F(25, 2)}
SCALARS = [2.0, 0.5, 1.25, 4.0, 0.1, 1.0, 3.0]


# ---- making timelines -------------------------------------------------------------------

def time(value, rate):
    return {"OTIO_SCHEMA": "RationalTime.1", "rate": rate, "value": value}


def span(start, duration, rate):
    return {"OTIO_SCHEMA": "TimeRange.1", "start_time": time(start, rate),
            "duration": time(duration, rate)}


class Maker:
    def __init__(self, seed):
        self.r = random.Random(seed)
        r = self.r
        self.rates = [r.choice(list(RATES))] if r.random() < 0.6 else r.sample(list(RATES), 3)
        self.retimes = r.random() < 0.6
        self.reversals = self.retimes and r.random() < 0.6
        self.names = 0

    def some(self, share):
        return self.r.random() < share

    def rate(self):
        return self.r.choice(self.rates)

    def effects(self, share):
        out = []
        if self.retimes and self.some(share):
            kind = self.r.random()
            scalar = self.r.choice(SCALARS)
            if self.reversals and self.some(0.5):
                scalar = -scalar
            if kind < 0.1:
                out.append({"OTIO_SCHEMA": "FreezeFrame.1", "effect_name": "FreezeFrame",
                            "time_scalar": 0.0, "name": "", "metadata": {}})
            elif kind < 0.15:
                out.append({"OTIO_SCHEMA": "LinearTimeWarp.1", "effect_name": "LinearTimeWarp",
                            "time_scalar": 0.0, "name": "", "metadata": {}})
            else:
                out.append({"OTIO_SCHEMA": "LinearTimeWarp.1", "effect_name": "LinearTimeWarp",
                            "time_scalar": scalar, "name": "", "metadata": {}})
            if self.some(0.1):
                out.append({"OTIO_SCHEMA": "LinearTimeWarp.1", "effect_name": "LinearTimeWarp",
                            "time_scalar": 2.0, "name": "", "metadata": {}})
        return out

    def item(self, schema, name, source, effects):
        return {"OTIO_SCHEMA": schema, "name": name, "metadata": {}, "source_range": source,
                "effects": effects, "markers": [], "enabled": not self.some(0.06)}

    def clip(self):
        r, rate = self.r, self.rate()
        self.names += 1
        start = r.choice([0, 86400, 1000]) + r.randrange(0, 400)
        length = r.randrange(1, 120)
        if self.some(0.05):
            start, length = start + 0.5, length + 0.25
        source = span(start, length, rate)
        reference = {"OTIO_SCHEMA": "ExternalReference.1", "name": "", "metadata": {},
                     "target_url": f"media/m{self.names}.mov",
                     "available_range": span(start - 50, length + 100, self.rate())}
        if self.some(0.08):
            reference["available_range"] = span(start, length, rate)
            source = None
        clip = self.item("Clip.2", f"c{self.names}", source, self.effects(0.4))
        clip["media_references"] = {"DEFAULT_MEDIA": reference}
        clip["active_media_reference_key"] = "DEFAULT_MEDIA"
        return clip

    def gap(self):
        rate = self.rate()
        gap = self.item("Gap.1", "", span(0, self.r.randrange(1, 60), rate), [])
        return gap

    def transition(self):
        rate = self.rate()
        into = self.r.choice([0, self.r.randrange(0, 12)])
        return {"OTIO_SCHEMA": "Transition.1", "name": "t", "metadata": {},
                "in_offset": time(into, rate), "out_offset": time(self.r.randrange(0, 12), rate),
                "transition_type": "SMPTE_Dissolve"}

    def children(self, depth):
        out = []
        for _ in range(self.r.randrange(1, 6)):
            if self.some(0.25) and (not out or out[-1]["OTIO_SCHEMA"] != "Transition.1"):
                out.append(self.transition())
            kind = self.r.random()
            if kind < 0.15:
                out.append(self.gap())
            elif kind < 0.4 and depth > 0:
                out.append(self.nest(depth - 1))
            else:
                out.append(self.clip())
        if self.some(0.15):
            out.append(self.transition())
        return out

    def trim(self, share):
        if not self.some(share):
            return None
        return span(self.r.randrange(0, 40), self.r.randrange(1, 150), self.rate())

    def track(self, depth, trimmed, kind="Video"):
        track = self.item("Track.1", "V", self.trim(trimmed), [])
        track["kind"] = kind
        track["children"] = self.children(depth)
        return track

    def nest(self, depth):
        if self.some(0.3):
            nest = self.track(depth, 0.7)
        else:
            nest = self.item("Stack.1", "nest", self.trim(0.7), [])
            nest["children"] = [self.track(depth, 0.2) for _ in range(self.r.randrange(1, 3))]
            if self.some(0.2):
                nest["children"].append(self.clip())
        nest["effects"] = self.effects(0.3)
        return nest

    def timeline(self):
        tracks = [self.track(self.r.choice([0, 1, 2, 3]), 0.15)
                  for _ in range(self.r.randrange(1, 4))]
        if self.some(0.1):
            tracks.append(self.track(0, 0, "Audio"))
        if self.some(0.2):
            # Edit lists: each track carries the record time of its first event.
            rate = self.rate()
            for track in tracks:
                if track["kind"] == "Video":
                    begin = -self.r.randrange(80000, 90000)
                    track["source_range"] = span(begin, self.r.randrange(1, 500), rate)
        root = self.item("Stack.1", "tracks", self.trim(0.05), [])
        root["enabled"] = True
        root["children"] = tracks
        start = time(86400.0, self.rate()) if self.some(0.3) else None
        return {"OTIO_SCHEMA": "Timeline.1", "name": "random", "metadata": {},
                "global_start_time": start, "tracks": root}


# ---- walking them -----------------------------------------------------------------------

def seconds(t):
    return F(str(t["value"])) / RATES[t["rate"]]


def own_range(node):
    """source_range, else the media's available_range, else None: start, length, rate."""
    found = node.get("source_range")
    if not found and "media_references" in node:
        found = node["media_references"]["DEFAULT_MEDIA"]["available_range"]
    if not found:
        return None
    return seconds(found["start_time"]), seconds(found["duration"]), RATES[found["start_time"]["rate"]]


def is_track(node):
    return node["OTIO_SCHEMA"] == "Track.1"


def record_start(node):
    """The record time an edit list's track starts at, else None."""
    found = own_range(node)
    if not is_track(node) or not found:
        return None
    start, length, _ = found
    inside = content(node)
    return -start if start < 0 and start + length <= 0 and inside > 0 else None


def placed(node, zero=None):
    """The children of a nest with their positions and transition overlaps."""
    out = []
    if is_track(node):
        at, kids = F(0), node["children"]
        offsets = lambda i: ((seconds(kids[i]["in_offset"]), seconds(kids[i]["out_offset"]))
                             if 0 <= i < len(kids) and kids[i]["OTIO_SCHEMA"] == "Transition.1"
                             else (F(0), F(0)))
        for i, kid in enumerate(kids):
            if kid["OTIO_SCHEMA"] != "Transition.1":
                out.append((i, kid, at, offsets(i - 1)[0], offsets(i + 1)[1]))
                at += length_of(kid)
        return out
    starts = [s for s in map(record_start, node["children"]) if s is not None]
    if starts and (zero is None or zero > min(starts)):
        zero = min(starts)
    for i, kid in enumerate(node["children"]):
        start = record_start(kid)
        out.append((i, kid, F(0) if start is None else start - zero, F(0), F(0)))
    return out


def content(node):
    ends = [at + length_of(kid) for _, kid, at, _, _ in placed(node)]
    whole = max(ends, default=F(0))
    if is_track(node) and node["children"]:
        first, last = node["children"][0], node["children"][-1]
        if first["OTIO_SCHEMA"] == "Transition.1":
            whole += seconds(first["in_offset"])
        if last["OTIO_SCHEMA"] == "Transition.1":
            whole += seconds(last["out_offset"])
    return whole


def length_of(node):
    if record_start(node) is not None:
        return content(node)
    found = own_range(node)
    return found[1] if found else content(node)


def starts_at(node):
    found = own_range(node)
    return found[0] if found and record_start(node) is None else F(0)


def speed(node):
    product, frozen = F(1), False
    for effect in node["effects"]:
        scalar = F(str(effect.get("time_scalar", 0)))
        if effect["OTIO_SCHEMA"] == "FreezeFrame.1" or scalar == 0:
            frozen = True
        else:
            product *= scalar
    return None if frozen else product


def readings(node, cut_rate):
    """Ways an item shows its inside: ("hold", time) or (base, scalar); best first."""
    s, scalar = starts_at(node), speed(node)
    if scalar is None:
        return [("hold", s)]
    if scalar > 0:
        return [(s, scalar)]
    found = own_range(node)
    frame = 1 / (found[2] if found else cut_rate)
    n = length_of(node) * -scalar
    tops = [s + frame, s + n]
    if "children" in node:
        fits = [top - n >= 0 and top <= content(node) for top in tops]
        if fits == [False, True]:
            tops.reverse()
    return [(top, scalar) for top in tops]


def meet(span, limit):
    """The part of span within limit, empty at the nearest instant of span if none."""
    if limit is None:
        return span
    start = min(max(span[0], limit[0]), span[1])
    return start, max(min(span[1], limit[1]), start)


def near(value, rounding):
    """Rounds; a value within a millionth of a whole frame is that frame."""
    whole = round(value)
    return whole if abs(value - whole) < F(1, 10**6) else rounding(value)


def frames(low, high, rate):
    return [near(low * rate, floor), near(high * rate, ceil)]


class Walk:
    def __init__(self, timeline):
        self.uses = []
        tracks = timeline["tracks"]
        start = timeline["global_start_time"]
        self.cut_rate = RATES[start["rate"]] if start else self.first_rate(tracks)
        self.zero = seconds(start) if start else None
        # A map is (a, b): own time = a * record + b; or (None, time) if it is held.
        root = [dict(map=(F(1), F(0)), own=None, seen=None)]
        self.item(tracks, F(0), F(0), F(0), root, "/tracks", True)

    def first_rate(self, tracks):
        def look(node):
            for _, kid, *_ in placed(node):
                found = own_range(kid)
                if found:
                    return found[2]
                inner = look(kid) if "children" in kid else None
                if inner:
                    return inner
            return None
        for track in tracks["children"]:
            if track["enabled"] and track["kind"] == "Video":
                found = look(track)
                if found:
                    return found
        return F(24)

    def shown(self, view, at, length, lead, trail):
        a, b = view["map"]
        if a is None:
            if not at - lead <= b < at + length + trail:
                return None
            seen = view["seen"]
            own = view["own"] if at <= b < at + length else (seen[0], seen[0])
            return own, seen
        record = lambda t: (t - b) / a
        seen = meet(tuple(sorted((record(at - lead), record(at + length + trail)))), view["seen"])
        own = meet(tuple(sorted((record(at), record(at + length)))), view["own"])
        return (own, seen) if seen[0] < seen[1] else None

    def inner_maps(self, view, node, at):
        a, b = view["map"]
        found = own_range(node)
        frame = 1 / (found[2] if found else self.cut_rate)
        for base, scalar in readings(node, self.cut_rate):
            if base == "hold":
                yield None, scalar
            elif a is None:
                held = base + (b - at) * scalar
                yield None, held - frame if scalar < 0 else held
            else:
                yield a * scalar, base + (b - at) * scalar

    def item(self, node, at, lead, trail, views, pointer, is_root=False):
        if not node["enabled"] or node["OTIO_SCHEMA"] == "Gap.1" or node.get("kind") == "Audio":
            return
        shown = [(v, self.shown(v, at, length_of(node), lead, trail)) for v in views]
        shown = [(v, s) for v, s in shown if s]
        if not shown:
            return
        if "children" not in node:
            self.clip(node, at, shown, pointer)
            return
        untrimmed = own_range(node) is None or record_start(node) is not None
        inside = []
        for view, (own, seen) in shown:
            for map_ in self.inner_maps(view, node, at):
                free = view["seen"] is None and untrimmed and map_[0] is not None
                inside.append(dict(map=map_, own=None if free else own,
                                   seen=None if free else seen))
        if len(inside) > 8:
            raise OverflowError("reversals nested in reversals")
        for i, kid, place, before, after in placed(node, self.zero if is_root else None):
            self.item(kid, place, before, after, inside, f"{pointer}/children/{i}")

    def clip(self, node, at, shown, pointer):
        rate = own_range(node)[2]
        spans = []
        for view, (own, seen) in shown:
            for a, b in self.inner_maps(view, node, at):
                if a is None:
                    frame = near(b * rate, floor)
                    spans.append(([frame, frame + 1], None, own, seen))
                else:
                    low, high = sorted((a * seen[0] + b, a * seen[1] + b))
                    spans.append((frames(low, high, rate), a, own, seen))
        rendered, scalar, own, seen = spans[0]
        used = [min(s[0][0] for s in spans), max(s[0][1] for s in spans)]
        self.uses.append({
            "pointer": pointer, "rate": str(rate), "used": used, "rendered": rendered,
            "speed": "freeze" if scalar is None else str(scalar),
            "record": [str(t) for t in own], "visible": [str(t) for t in seen],
            "range_in_cut": frames(own[0], own[1], self.cut_rate),
        })


def main():
    folder, count, seed = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    for number in range(count):
        timeline = Maker(seed + number).timeline()
        try:
            walk = Walk(timeline)
        except OverflowError:
            walk = None
        truth = None if walk is None else {"rate": str(walk.cut_rate), "uses": walk.uses}
        (folder / f"{number}.otio").write_text(json.dumps(timeline, indent=4))
        (folder / f"{number}.json").write_text(json.dumps(truth))


if __name__ == "__main__":
    main()
