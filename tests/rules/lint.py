"""Holds timelines we wrote against what programs that read them can take.

    lint.py FILE...                    each file by itself
    lint.py --zero CUT WRITTEN ZERO    a timeline and its twin with media from zero
    lint.py --swapped CUT TEMP_CUT     a cut, and the same with some of its media swapped

The rules come from the timeline format's own library (which schemas and colours there are, what
it can read) and from RFC 8089 and RFC 3986 (file URLs); the rest is common practice of hosts, no
source. Every fault is one line on stdout; the exit code is 1 if there was any.
"""

import json
import math
import os
import re
import subprocess
import sys
import urllib.parse

import opentimelineio as otio

KEY = "platesmith"
KNOWN = otio.core.type_version_map()
COLOURS = {
    getattr(otio.schema.MarkerColor, name)
    for name in dir(otio.schema.MarkerColor)
    if name.isupper()
}
# Absolute with an empty authority, or relative: RFC 8089 section 2, RFC 3986 section 4.2.
URL = re.compile(r"(file:///|(?!/)(?![a-zA-Z][a-zA-Z0-9+.-]*:))([A-Za-z0-9._~!$&'()*+,;=:@/-]|%[0-9A-F]{2})*")
wrong = []


def say(path, what):
    wrong.append(f"{os.path.basename(path)}: {what}")


def number(text):
    raise ValueError(f"{text} is no JSON")


def objects(value, slot=""):
    """Every object with a schema, and the member it stands in."""
    if isinstance(value, dict):
        if "OTIO_SCHEMA" in value:
            yield slot, value
        for key, inner in value.items():
            if key != "metadata":
                yield from objects(inner, key)
    elif isinstance(value, list):
        for inner in value:
            yield from objects(inner, slot)


def plain(path):
    """What a reader without the library meets."""
    with open(path, "rb") as file:
        data = file.read()
    if data.startswith(b"\xef\xbb\xbf"):
        say(path, "begins with a byte order mark")
    root = json.loads(data, parse_constant=number)
    if not root.get("OTIO_SCHEMA", "").startswith("Timeline."):
        say(path, f"the root is {root.get('OTIO_SCHEMA')}")
    for slot, one in objects(root):
        name, _, version = one["OTIO_SCHEMA"].partition(".")
        if slot in ("children", "effects", "markers", "media_references") and (
            name not in KNOWN or int(version) > KNOWN[name]
        ):
            say(path, f"{one['OTIO_SCHEMA']} stands in {slot}")
        for key in ("metadata", "markers", "effects"):
            if key in one and one[key] is None:
                say(path, f"{one['OTIO_SCHEMA']} {one.get('name')}: {key} is null")


def ours(items):
    return [item for item in items if KEY in item.metadata]


def timeline(path):
    root = otio.adapters.read_from_file(path)
    stack = root.tracks
    twins = {mark.metadata[KEY]["shot"]: mark for mark in ours(stack.markers)}
    on_clips = {}
    for clip in root.find_clips():
        for mark in ours(clip.markers):
            on_clips[mark.metadata[KEY]["shot"]] = mark
            if not clip.trimmed_range().contains(mark.marked_range.start_time):
                say(path, f"{mark.name}: begins outside what is seen of its clip")
    if set(twins) != set(on_clips):
        say(path, f"markers on clips {sorted(on_clips)}, on the cut {sorted(twins)}")
    for mark in [*twins.values(), *on_clips.values()]:
        marker(path, mark)
    for twin in twins.values():
        start = twin.marked_range.start_time
        if not 0 <= start.value < stack.duration().rescaled_to(start).value:
            say(path, f"{twin.name}: on the cut at {start}")
    for track in ours(root.tracks):
        plates(path, track)
    return root


def marker(path, mark):
    text = mark.name
    if text != mark.comment or not text.isascii() or "\n" in text or not 0 < len(text) <= 80:
        say(path, f"text {text!r}, comment {mark.comment!r}")
    if mark.color not in COLOURS:
        say(path, f"{text}: colour {mark.color}")
    if mark.marked_range.duration.value < 1:
        say(path, f"{text}: lasts {mark.marked_range.duration}")


def plates(path, track):
    for item in track:
        if isinstance(item, otio.schema.Gap):
            continue
        if not isinstance(item, otio.schema.Clip) or item.effects or item.source_range is None:
            say(path, f"{item.name} on {track.name} is no plain clip with a range")
            continue
        reference = item.media_reference
        url = getattr(reference, "target_url", None) or getattr(reference, "target_url_base", "")
        if item.enabled:
            say(path, f"{item.name} hides the shot")
        if not URL.fullmatch(url):
            say(path, f"{item.name}: URL {url!r}")
        shown, there = item.source_range, reference.available_range
        ends = shown.end_time_exclusive(), there.end_time_exclusive()
        if shown.start_time < there.start_time or ends[0] > ends[1]:
            say(path, f"{item.name}: shows {shown} of {there}")
        if isinstance(reference, otio.schema.ImageSequenceReference):
            images(path, item, reference)
        else:
            timecode(path, item, reference, url)


def local(path, url):
    file = urllib.parse.unquote(url.removeprefix("file://"))
    return os.path.join(os.path.dirname(path), file)


def images(path, item, reference):
    for number in range(reference.number_of_images_in_sequence()):
        url = reference.target_url_for_image_number(number)
        if not os.path.isfile(local(path, url)):
            say(path, f"{item.name}: no file at {url}")


def timecode(path, item, reference, url):
    """Media begin at their embedded timecode, as a program that reads it counts, or at zero."""
    file = local(path, url)
    if not os.path.isfile(file):
        say(path, f"{item.name}: no file at {url}")
        return
    asked = ["ffprobe", "-v", "error", "-show_entries", "stream_tags=timecode", "-of", "csv=p=0", file]
    label = subprocess.run(asked, capture_output=True, text=True, check=True).stdout.split()
    start = reference.available_range.start_time
    wanted = otio.opentime.from_timecode(label[0], start.rate).value if label else 0
    if start.value not in ((0,) if "zero" in os.path.basename(path) else (wanted,)):
        say(path, f"{item.name}: begins at {start}, its timecode is {label}")


def pairs(one, other):
    """Every clip of one timeline with that of the other."""
    clips, zeros = list(one.find_clips()), list(other.find_clips())
    if len(clips) != len(zeros):
        wrong.append(f"{len(clips)} clips, from zero {len(zeros)}")
    return zip(clips, zeros)


def addresses(clip):
    """Every media reference of a clip with the name of the member that holds its address."""
    for key, reference in sorted(clip.media_references().items()):
        for name in ("target_url", "target_url_base"):
            if getattr(reference, name, None) is not None:
                yield key, reference, name


def same_media(cut, twin, before, after):
    """The same files, told from either folder (RFC 3986, 5.2); put back, the two are one."""
    for (key, old, name), (_, new, _) in zip(addresses(before), addresses(after)):
        urls = getattr(old, name), getattr(new, name)
        places = [os.path.realpath(local(at, url)) for at, url in zip((cut, twin), urls)]
        if places[0] != places[1]:
            say(twin, f"{after.name}, {key}: {urls[1]!r} is {places[1]}, not {places[0]}")
        setattr(new, name, urls[0])


def swapped(path, twin):
    """The two differ in nothing but whole media references, and these are temp comps."""
    one, other = otio.adapters.read_from_file(path), otio.adapters.read_from_file(twin)
    count = 0
    for clip, shown in pairs(one, other):
        reference = shown.media_reference
        url = getattr(reference, "target_url", None) or getattr(reference, "target_url_base", "")
        if url.startswith("temp/"):
            count += 1
            if isinstance(reference, otio.schema.ImageSequenceReference):
                images(twin, shown, reference)
            elif not os.path.isfile(local(twin, url)):
                say(twin, f"{shown.name}: no file at {url}")
            # Media advance by the speed for each frame of the clip.
            speed = math.prod(e.time_scalar for e in shown.effects if hasattr(e, "time_scalar"))
            there, seen = reference.available_range, shown.trimmed_range()
            behind = seen.start_time.value + seen.duration.value * speed
            # Of a clip in a nest only what the nest lets through is rendered.
            in_nest = shown.parent().parent().parent() is not None
            outside = seen.start_time < there.start_time or behind > there.end_time_exclusive().value
            if outside and not in_nest:
                say(twin, f"{shown.name}: shows {seen} of {there}")
            shown.media_reference = clip.media_reference.deepcopy()
        else:
            same_media(path, twin, clip, shown)
    if not one.is_equivalent_to(other):
        say(twin, "differs in more than media")
    print(count, "temp comps", file=sys.stderr)


def zero(cut, path, twin):
    one, other = timeline(path), timeline(twin)
    count = 0
    for clip, from_zero in pairs(one, other):
        # The annotated timeline keeps the addresses of the cut, all others start beside them.
        same = KEY in clip.metadata or not os.path.basename(path).startswith("annotated")
        same_media(path if same else cut, twin, clip, from_zero)
        before, after = clip.media_reference, from_zero.media_reference
        if before.available_range is None:
            continue
        count += 1
        if after.available_range.start_time.value != 0:
            say(twin, f"{clip.name}: media begin at {after.available_range.start_time}")
        shown = clip.trimmed_range().start_time - before.available_range.start_time
        if from_zero.trimmed_range().start_time != shown:
            say(twin, f"{clip.name}: shows {from_zero.trimmed_range()}, not from {shown}")
        for mark, moved in zip(clip.markers, from_zero.markers):
            apart = mark.marked_range.start_time - clip.trimmed_range().start_time
            if moved.marked_range.start_time - from_zero.trimmed_range().start_time != apart:
                say(twin, f"{mark.name}: at {moved.marked_range}, {apart} into its clip")
        # Nothing else may differ: put back, the two are one.
        from_zero.source_range = clip.source_range
        after.available_range = before.available_range
        for mark, moved in zip(clip.markers, from_zero.markers):
            moved.marked_range = mark.marked_range
    if not one.is_equivalent_to(other):
        say(twin, "differs in more than times of media")
    if count == 0:
        say(twin, "no clip could be compared")


files = sys.argv[1:]
if files[0] == "--zero":
    zero(*files[1:])
elif files[0] == "--swapped":
    swapped(*files[1:])
else:
    for name in files:
        plain(name)
        timeline(name)
print("\n".join(wrong))
sys.exit(1 if wrong else 0)
