"""Reads annotated timelines with the timeline format's own library, as a strict reader.

    reads_back.py check JOBS      are our marks where they should be? writes each file anew
    reads_back.py compare JOBS    is what is left after stripping the original?

JOBS is a JSON list of files with what is expected in them. Every difference is one line
on stdout; the exit code is 1 if there was any.
"""

import json
import sys

import opentimelineio as otio

KEY = "platesmith"
NAMES = (name for name in dir(otio.schema.MarkerColor) if name.isupper())
COLOURS = {getattr(otio.schema.MarkerColor, name) for name in NAMES}
wrong = []


def say(job, what):
    wrong.append(f"{job['name']}: {what}")


def read(path):
    return otio.adapters.read_from_file(path)


def timeline_of(root):
    if isinstance(root, otio.schema.Timeline):
        return root
    return next(child for child in root if isinstance(child, otio.schema.Timeline))


def frames(time, rate):
    if abs(time.rate - rate) < rate * 2e-4:  # 23.976, 23.98 and 24000/1001 are one rate
        return time.value
    return time.rescaled_to(rate).value


def seen_at(clip, time, stack, rate):
    """Where the library sees a clip's time in the stack; None if it cannot tell.

    One clip without a range takes the place from all that follow it on its track.
    """
    try:
        return frames(clip.transformed_time(time, stack), rate)
    except otio.exceptions.CannotComputeAvailableRangeError:
        return None


def near(a, b):
    return abs(a - b) < 1e-6


def is_plain(clip, stack):
    """Tells whether nothing between a clip and the stack moves or trims time."""
    item = clip
    while item is not stack:
        item = item.parent()
        if item.source_range is not None or item.effects:
            return False
    return not clip.effects


def check(job):
    try:
        read(job["original"])
    except Exception as why:  # what the library cannot read before, it cannot after
        print(f"{job['name']}: not readable as it came: {why}", file=sys.stderr)
        return
    root = read(job["annotated"])
    timeline = timeline_of(root)
    stack, rate = timeline.tracks, job["rate"]
    twins = {m.metadata[KEY]["shot"]: m for m in stack.markers if KEY in m.metadata}
    clips, plates = {}, {}
    for clip in timeline.find_clips():
        if KEY in clip.metadata:
            plates[clip.metadata[KEY]["shot"]] = clip
        for marker in clip.markers:
            if KEY in marker.metadata:
                clips[marker.metadata[KEY]["shot"]] = (clip, marker)
    for use in job["uses"]:
        shot, (first, end) = use["shot"], use["range_in_cut"]
        if use["marker"] != (shot in twins) or use["marker"] != (shot in clips):
            say(job, f"{shot}: marker missing or too many")
            continue
        if use["plate"] != (shot in plates):
            say(job, f"{shot}: plate clip missing or too many")
            continue
        if use["marker"]:
            check_markers(job, use, clips[shot], twins[shot], stack, rate)
        if use["plate"]:
            check_plate(job, use, plates[shot], stack, rate)
    for extra in set(twins) | set(clips) | set(plates):
        if extra not in {use["shot"] for use in job["uses"]}:
            say(job, f"{extra}: nobody asked for it")
    otio.adapters.write_to_file(root, job["resaved"])
    otio.adapters.write_to_file(read(job["original"]), job["original_resaved"])


def check_markers(job, use, found, twin, stack, rate):
    clip, marker = found
    shot, (first, end) = use["shot"], use["range_in_cut"]
    if clip.name != use["clip"]:
        say(job, f"{shot}: marker on clip {clip.name}")
    at, trimmed = marker.marked_range.start_time, clip.trimmed_range()
    if not trimmed.contains(at):
        say(job, f"{shot}: marker at {at}, trimmed range {trimmed}")
    for one in (marker, twin):
        if one.marked_range.duration.value != 1:
            say(job, f"{shot}: marks {one.marked_range.duration}")
        if one.name != one.comment or len(one.name) > 80 or not one.name.isascii():
            say(job, f"{shot}: text {one.name!r}, {one.comment!r}")
        if one.color not in COLOURS:
            say(job, f"{shot}: colour {one.color}")
    start = frames(twin.marked_range.start_time, rate)
    if not first <= start < max(end, first + 1):
        say(job, f"{shot}: twin at {start}, use at {first}-{end}")
    if is_plain(clip, stack) and near(at.rate, rate) and float(first).is_integer():
        there = seen_at(clip, at, stack, rate)
        if there is None:
            return
        if not first <= there < end:
            say(job, f"{shot}: the clip's marker is seen at {there}, use at {first}-{end}")
        elif abs(there - start) >= 1:
            say(job, f"{shot}: the clip's marker is seen at {there}, its twin at {start}")
        job["compared"] = job.get("compared", 0) + 1


def check_plate(job, use, clip, stack, rate):
    shot, (first, end) = use["shot"], use["range_in_cut"]
    place = clip.range_in_parent()
    if not near(frames(place.start_time, rate), first):
        say(job, f"{shot}: plate at {place.start_time}, use from {first}")
    if not near(frames(place.duration, rate), end - first):
        say(job, f"{shot}: plate lasts {place.duration}, use {end - first}")
    if clip.enabled or clip.effects or clip.parent().parent() is not stack:
        say(job, f"{shot}: plate clip is enabled, retimed or nested")
    shown, there = clip.source_range, clip.media_reference.available_range
    if not there.contains(shown):
        say(job, f"{shot}: shows {shown} of {there}")
    if shown.start_time.value != use["first_shown"]:
        say(job, f"{shot}: starts at {shown.start_time}, not {use['first_shown']}")


def compare(job):
    try:
        before = read(job["original_resaved"])
    except OSError:
        return
    after = read(job["stripped"])
    if before.is_equivalent_to(before):
        same = before.is_equivalent_to(after)
    else:  # a file with NaN equals nothing, itself included
        same = before.to_json_string() == after.to_json_string()
    if not same:
        say(job, "what is left is not the original")


jobs = json.load(open(sys.argv[2], encoding="utf-8"))
for job in jobs:
    {"check": check, "compare": compare}[sys.argv[1]](job)
print(sum(job.get("compared", 0) for job in jobs), "markers compared", file=sys.stderr)
print("\n".join(wrong))
sys.exit(1 if wrong else 0)
