"""Uses the plugin as a host does: through the timeline format's own library alone.

    host.py PROGRAM CUT LOG MEDIA FOLDER

The package is installed where PYTHONPATH says. Every wrong thing is one line on stdout; the exit
code is 1 if there was any.
"""

import contextlib
import io
import json
import os
import stat
import sys

import opentimelineio as otio

PROGRAM, CUT, LOG, MEDIA, FOLDER = sys.argv[1:]
GIVEN = {"log": LOG, "media": MEDIA, "program": PROGRAM, "no_review": True}
wrong = []


def expect(what, is_so, seen=""):
    if not is_so:
        wrong.append(f"{what}: {seen}")


def at(name):
    return os.path.join(FOLDER, name)


def cut():
    return otio.adapters.read_from_file(CUT)


def marks(timeline):
    """Our markers and plate clips in a timeline."""
    clips = list(timeline.find_clips())
    found = [mark for clip in clips for mark in clip.markers if "platesmith" in mark.metadata]
    return found, [clip for clip in clips if "platesmith" in clip.metadata]


def fails(what, *parts, write=None, **options):
    """Expects a write to fail with words, and to leave no file; returns the error."""
    target = at("failed.platesmith")
    try:
        otio.adapters.write_to_file(cut() if write is None else write(), target, **options)
    except Exception as error:
        missing = [part for part in parts if part not in str(error)]
        expect(f"{what}: message lacks {missing}", not missing, error)
        expect(f"{what}: kind", isinstance(error, otio.exceptions.OTIOError), type(error))
        return error
    expect(what, False, "nothing was raised")
    return None


def script(name, text):
    """Makes a program that fails in its own way."""
    path = at(name)
    with open(path, "w", encoding="utf-8") as out:
        out.write("#!/bin/sh\n" + text)
    os.chmod(path, os.stat(path).st_mode | stat.S_IXUSR)
    return path


def written(timeline, name, **options):
    """Writes with the library; returns what was said on standard error."""
    said = io.StringIO()
    with contextlib.redirect_stderr(said):
        otio.adapters.write_to_file(timeline, at(name), **options)
    return said.getvalue()


def the_adapter():
    expect("suffix", "platesmith" in otio.adapters.suffixes_with_defined_adapters(), "unknown")
    written(cut(), "cut.platesmith", **GIVEN)
    timeline = otio.adapters.read_from_file(at("cut.platesmith"))
    found, plates = marks(timeline)
    expect("markers", len(found) == 1 and "LOOPED PLATE" in found[0].name, found)
    expect("plates", len(plates) == 1, plates)
    for clip in plates:
        url = clip.media_reference.target_url
        path = url if url.startswith("/") else at(url)
        expect("the plate is where its URL says", os.path.isfile(path), url)
        expect("URLs stay relative", not url.startswith("/"), url)
    for name in ("findings.json", "report.html", "plates"):
        expect(name, os.path.exists(at(f"cut_turnover/{name}")), "is missing")
    clean = otio.adapters.read_from_file(at("cut.platesmith"), strip=True, program=PROGRAM)
    expect("stripped", clean.is_equivalent_to(cut()), "differs from the cut")
    again = cut()
    written(again, "cut.platesmith", **GIVEN)
    expect("the timeline in hand is left alone", again.is_equivalent_to(cut()), "changed")
    os.makedirs(at("deep/er"))
    written(cut(), "deep/er/cut.platesmith", **GIVEN, out=at("cut_turnover"))
    _, plates = marks(otio.adapters.read_from_file(at("deep/er/cut.platesmith")))
    url = plates[0].media_reference.target_url
    expect("relative to the file", os.path.isfile(at(f"deep/er/{url}")), url)


def odd_timelines():
    bare = cut()
    for clip in bare.find_clips():
        clip.source_range = None  # the whole of its media shows
    written(bare, "bare.platesmith", log=LOG, program=PROGRAM)
    found, _ = marks(otio.adapters.read_from_file(at("bare.platesmith")))
    expect("null source_range", len(found) == 1, found)

    def rangeless():
        lost = cut()
        clip = next(iter(lost.find_clips())).clone()
        clip.source_range = None
        clip.media_reference.available_range = None
        lost.tracks[0].append(clip)
        return lost

    error = fails(
        "no range at all", "exit code 2", "source_range", write=rangeless, log=LOG, program=PROGRAM
    )
    expect("what could be judged", getattr(error, "timeline", None) is not None, error)
    judged = otio.adapters.read_from_file(at("failed.platesmith"))
    expect("what could be judged is written", len(marks(judged)[0]) == 1, marks(judged))
    os.remove(at("failed.platesmith"))
    said = written(rangeless(), "kept.platesmith", log=LOG, program=PROGRAM, faults="keep")
    expect("kept faults are said", "source_range" in said, said)
    none = otio.adapters.from_name("platesmith").module().write_to_file
    for what, timeline in (("None", None), ("a Track", otio.schema.Track())):
        try:
            none(timeline, at("failed.platesmith"), log=LOG, program=PROGRAM)
            expect(what, False, "nothing was raised")
        except otio.exceptions.OTIOError as error:
            expect(what, what.split()[-1] in str(error), error)


def programs_that_fail():
    fails("no program", "cannot be run", "PLATESMITH_PROGRAM", log=LOG, program=at("nowhere"))
    fails("no log", "no plate log", "PLATESMITH_LOG", program=PROGRAM)
    fails("a log that is not there", "exit code 2", "lost.csv", log=at("lost.csv"), program=PROGRAM)
    # The cut without it is judged all the same, and written.
    os.remove(at("failed.platesmith"))
    fails("unknown argument", "lgo", lgo=LOG, program=PROGRAM)
    crash = script("crash", "echo 'no room on the disk' >&2\nexit 7\n")
    fails("exit code 7", "exit code 7", "no room on the disk", log=LOG, program=crash)
    killed = script("killed", "kill -9 $$\n")
    fails("killed", "signal 9", "it said nothing", log=LOG, program=killed)
    silent = script("silent", "exit 0\n")
    fails("gives nothing back", "annotated.otio", log=LOG, program=silent, out=at("silence"))
    stale = {"out": at("stale"), "log": LOG, "program": PROGRAM}
    written(cut(), "stale.platesmith", **stale)
    other = script("other", f"case $1 in strip) exec '{PROGRAM}' \"$@\";; esac\nexit 2\n")

    def renamed():
        timeline = cut()
        timeline.name = "another"
        return timeline

    error = fails("a stale timeline", "exit code 2", write=renamed, **dict(stale, program=other))
    expect("a stale timeline", getattr(error, "timeline", None) is None, "was taken for ours")
    expect("no file is left", not os.path.exists(at("failed.platesmith")), "it is there")


def the_hook():
    plain = cut()
    written(plain, "plain.otio")
    with open(at("plain.otio"), encoding="utf-8") as one:
        expect("the hook is gated", one.read() == plain.to_json_string(), "it ran unasked")
    asked = {"log": [LOG], "media": MEDIA, "program": PROGRAM, "no_review": True}
    plain.metadata["platesmith_annotate"] = asked
    written(plain, "hooked.otio")
    found, plates = marks(otio.adapters.read_from_file(at("hooked.otio")))
    expect("asked by metadata", len(found) == 1 and len(plates) == 1, (found, plates))
    text = otio.adapters.write_to_string(plain, "otio_json")
    expect("nowhere to put renders", not marks(otio.adapters.read_from_string(text))[0], "marked")
    os.environ.update(PLATESMITH_ANNOTATE="1", PLATESMITH_LOG=LOG, PLATESMITH_PROGRAM=PROGRAM)
    written(cut(), "by_environment.otio")
    found, plates = marks(otio.adapters.read_from_file(at("by_environment.otio")))
    expect("asked by the environment", len(found) == 1 and not plates, (found, plates))
    os.environ["PLATESMITH_PROGRAM"] = at("nowhere")
    said = written(cut(), "unmarked.otio")
    expect("a problem is said", "as it was" in said and "cannot be run" in said, said)
    same = otio.adapters.read_from_file(at("unmarked.otio"))
    expect("the host's work is not lost", same.is_equivalent_to(cut()), "it differs")
    said = written(otio.schema.Track(), "track.otio")
    expect("a Track", "only a Timeline" in said, said)
    plain.metadata["platesmith_annotate"] = "yes"
    said = written(plain, "odd.otio")
    expect("odd metadata", "not a dictionary" in said, said)
    hook = otio.plugins.ActiveManifest().from_name("platesmith_annotate", "hook_scripts")
    with contextlib.redirect_stderr(io.StringIO()):
        expect("None stays None", hook.run(None, {}) is None, "it became something")
    os.environ["PLATESMITH_ANNOTATE"] = "strict"
    try:
        written(cut(), "strict.otio")
        expect("strict", False, "nothing was raised")
    except otio.exceptions.OTIOError as error:
        expect("strict", "cannot be run" in str(error), error)
    os.environ["PLATESMITH_ANNOTATE"] = "0"
    plain.metadata["platesmith_annotate"] = asked
    written(plain, "off.otio")
    expect("switched off", not marks(otio.adapters.read_from_file(at("off.otio")))[0], "it ran")


for part in (the_adapter, odd_timelines, programs_that_fail, the_hook):
    try:
        part()
    except Exception as error:
        wrong.append(f"{part.__name__}: {type(error).__name__}: {error}")
left = [name for name in os.listdir(FOLDER) if name.startswith(".platesmith")]
expect("parts are left", not left, left)
print(json.dumps(wrong, indent=1))
sys.exit(1 if wrong else 0)
