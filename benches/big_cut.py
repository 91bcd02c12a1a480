"""Makes a large cut and the plate log of its takes, always the same.

usage: big_cut.py CLIPS FOLDER

Writes FOLDER/cut.otio (CLIPS clips on two video tracks with host metadata of the size hosts
write, 2,500 clips are about 15 MB), FOLDER/recut.otio (the same with every 40th clip dropped,
every 7th trimmed at its tail, every 11th slipped and every 33rd moved to the end) and
FOLDER/log.csv (two records for each clip). A third of the clips is matched by the camera clip
name in the media's file name.
"""

import csv
import json
import random
import sys
from pathlib import Path

RATE = 24.0
# Takes begin within a day, as timecode does; rolls and dates tell those of one hour apart.
LATEST = 24 * 86400 - 1000


def time(value):
    return {"OTIO_SCHEMA": "RationalTime.1", "rate": RATE, "value": float(value)}


def span(start, duration):
    return {"OTIO_SCHEMA": "TimeRange.1", "duration": time(duration), "start_time": time(start)}


def label(frame):
    seconds, frames = divmod(frame, 24)
    return f"{seconds // 3600 % 24:02}:{seconds // 60 % 60:02}:{seconds % 60:02}:{frames:02}"


def host_metadata(r, number, roll, name):
    """What a host leaves on a clip: ids, tracks of colour and sound, source columns."""
    columns = {f"column {c:02}": f"value {r.randrange(10**9)}" for c in range(16)}
    columns |= {"Reel": roll, "Camera Clip": name, "Start": label(number * 1000)}
    nodes = [{"id": f"{r.getrandbits(128):032x}", "enabled": True, "gain": [1.0, 1.0, 1.0, 1.0],
              "lift": [0.0, 0.0, 0.0, 0.0], "label": f"node {n}"} for n in range(2)]
    return {"host": {"clip id": f"{r.getrandbits(128):032x}", "columns": columns,
                     "grade": {"nodes": nodes, "version": 3}, "notes": "", "flags": []}}


def first_frame(number):
    return (86400 * 10 + number * 1000) % LATEST


def take(number):
    roll, name = f"A{number // 40 % 1000:03}", f"A{number // 40 % 1000:03}C{number % 40 + 1:03}"
    return roll, f"{name}_{260301 + number // 1600 % 28:06}"


def clip(r, number):
    roll, name = take(number)
    start, length = first_frame(number) + r.randrange(200), r.randrange(24, 200)
    file = f"{name}.mov" if number % 3 == 0 else f"transcode_{number:06}.mov"
    reference = {
        "OTIO_SCHEMA": "ExternalReference.1", "metadata": {"source": {"file": file}}, "name": file,
        "available_range": span(first_frame(number), 900),
        "available_image_bounds": None, "target_url": f"file:///media/{roll}/{file}",
    }
    effects = []
    if number % 17 == 0:
        effects = [{"OTIO_SCHEMA": "LinearTimeWarp.1", "metadata": {}, "name": "",
                    "effect_name": "LinearTimeWarp", "enabled": True, "time_scalar": 2.0}]
    return {
        "OTIO_SCHEMA": "Clip.2", "metadata": host_metadata(r, number, roll, name),
        "name": f"shot {number:05}", "source_range": span(start, length), "effects": effects,
        "markers": [], "enabled": True, "color": None,
        "media_references": {"DEFAULT_MEDIA": reference},
        "active_media_reference_key": "DEFAULT_MEDIA",
    }


def transition():
    return {"OTIO_SCHEMA": "Transition.1", "metadata": {}, "name": "", "in_offset": time(6),
            "out_offset": time(6), "transition_type": "SMPTE_Dissolve"}


def track(name, clips):
    children = []
    for number, one in enumerate(clips):
        if number % 25 == 24:
            children.append(transition())
        children.append(one)
    return {"OTIO_SCHEMA": "Track.1", "metadata": {}, "name": name, "source_range": None,
            "effects": [], "markers": [], "enabled": True, "color": None,
            "children": children, "kind": "Video"}


def record(r, number):
    """One record of the log: every second one belongs to a clip of the cut."""
    roll, name = take(number // 2)
    if number % 2:
        roll, name = f"B{roll[1:]}", f"B{name[1:]}"
    start = first_frame(number // 2)
    return {
        "scene": number // 60 + 1, "slate": number // 6 + 1, "take": number % 6 + 1,
        "camera": roll[0], "roll": roll, "clip": name, "media": f"{name}.mov",
        "date": f"2026-03-{number // 3200 % 28 + 1:02}", "rate": 24, "start": label(start),
        "end": label(start + 900), "lock_off": f"{label(start)}-{label(start + 900)}",
        "plates": f"{label(start)}-{label(start + 48 + r.randrange(60))}",
        "boom": f"{label(start + 150)}-{label(start + 700)}", "remarks": "boom let in, agreed",
    }


def recut(number, one):
    """Another version of a clip: shorter, or of other frames of its take."""
    span = one["source_range"]
    if number % 7 == 0:
        span["duration"]["value"] -= 8.0
    if number % 11 == 0:
        span["start_time"]["value"] += 5.0
    return one


def write(path, timeline):
    path.write_text(json.dumps(timeline, indent=4, ensure_ascii=False))


def main():
    count, folder = int(sys.argv[1]), Path(sys.argv[2])
    folder.mkdir(parents=True, exist_ok=True)
    r = random.Random(1)
    clips = [clip(r, number) for number in range(count)]
    upper = max(1, count // 10)
    tracks = [track("V1", clips[upper:]), track("V2", clips[:upper])]
    timeline = {
        "OTIO_SCHEMA": "Timeline.1", "metadata": {}, "name": "large cut",
        "global_start_time": time(86400),
        "tracks": {"OTIO_SCHEMA": "Stack.1", "metadata": {}, "name": "tracks",
                   "source_range": None, "effects": [], "markers": [], "enabled": True,
                   "color": None, "children": tracks},
    }
    write(folder / "cut.otio", timeline)
    kept = [recut(number, one) for number, one in enumerate(clips) if number % 40]
    moved = [one for at, one in enumerate(kept) if at % 33 == 0]
    kept = [one for at, one in enumerate(kept) if at % 33] + moved
    timeline["tracks"]["children"] = [track("V1", kept[upper:]), track("V2", kept[:upper])]
    write(folder / "recut.otio", timeline)
    rows = [record(r, number) for number in range(2 * count)]
    with open(folder / "log.csv", "w", newline="") as out:
        writer = csv.DictWriter(out, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    main()
