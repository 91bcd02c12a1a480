"""Runs the program on a timeline and gives back the annotated one.

The program is a command like any other: it is given files and a list of words, never a line
for a shell, and nothing of it is linked.
"""

import os
import shutil
import subprocess
import sys
import tempfile
import urllib.parse

import opentimelineio as otio

PROGRAM = "PLATESMITH_PROGRAM"
LOG = "PLATESMITH_LOG"
MEDIA = "PLATESMITH_MEDIA"
OUT = "PLATESMITH_OUT"

# Options that take one value, as the program calls them; `_` stands for `-`.
VALUES = (
    "map",
    "handles",
    "settings",
    "cut_rate",
    "reverse_anchor",
    "turns",
    "markers",
    "plates",
    "edl",
    "jobs",
)
FLAGS = ("all", "no_picture", "with_temp", "zero_based", "no_review", "verify")
KNOWN = frozenset(VALUES + FLAGS + ("log", "media", "out", "program", "faults"))


class PlatesmithError(otio.exceptions.OTIOError):
    """Says why the program gave no timeline back, or which files had a fault."""


def check_timeline(timeline):
    """Refuses what the program cannot mark, before anything is run."""
    if timeline is None:
        raise PlatesmithError("there is no timeline to annotate: None was given")
    if not isinstance(timeline, otio.schema.Timeline):
        kind = type(timeline).__name__
        raise PlatesmithError(f"only a Timeline can be annotated, and this is a {kind}")


def check_options(options):
    """Refuses options nobody knows, all of them in one go."""
    unknown = sorted(set(options) - KNOWN)
    if unknown:
        known = ", ".join(sorted(KNOWN))
        raise PlatesmithError(f"unknown arguments {', '.join(unknown)}; known are {known}")
    if options.get("faults", "raise") not in ("raise", "keep"):
        raise PlatesmithError(f"faults is \"raise\" or \"keep\", not {options['faults']!r}")


def annotated(timeline, target, options):
    """Runs the whole job on a timeline and returns the annotated one.

    `target` is the file it is going to be written to, or None. Media references of plates that
    are relative start from its folder.

    Raises PlatesmithError if the program cannot be run, or had a fault and gave nothing back.
    Where it had faults and gave back what could be judged, `.timeline` of the error holds that;
    with faults="keep" it is returned, and the faults go to standard error.
    """
    check_timeline(timeline)
    check_options(options)
    logs = _paths(options.get("log") or os.environ.get(LOG))
    if not logs:
        raise PlatesmithError(f"no plate log; give log=FILE, or set {LOG}")
    media = _paths(options.get("media") or os.environ.get(MEDIA))
    out = options.get("out") or os.environ.get(OUT) or _beside(target)
    with tempfile.TemporaryDirectory(prefix="platesmith-") as scratch:
        cut = os.path.join(scratch, "cut.otio")
        timeline.to_json_file(cut)  # not an adapter's write: that would run hooks again
        if out is None:
            if media:
                raise PlatesmithError(f"nowhere to put renders; give out=FOLDER, or set {OUT}")
            out = os.path.join(scratch, "out")
        out = os.path.abspath(os.fspath(out))
        ran = _run(_words(options, cut, logs, media, out), options)
        return _given_back(ran, cut, out, target, options)


def stripped(path, options):
    """Returns the timeline in a file without any of our marks."""
    with tempfile.TemporaryDirectory(prefix="platesmith-") as scratch:
        # The program tells kinds of timelines by their endings.
        marked = os.path.join(scratch, "marked.otio")
        clean = os.path.join(scratch, "clean.otio")
        shutil.copyfile(path, marked)
        ran = _run(["strip", marked, "-o", clean], options)
        if ran.returncode != 0:
            raise PlatesmithError(_said(ran))
        return otio.core.deserialize_json_from_file(clean)


def _paths(given):
    """Reads one path, several, or a list as in PATH."""
    if not given:
        return []
    if isinstance(given, str):
        given = given.split(os.pathsep)
    elif isinstance(given, (bytes, os.PathLike)):
        given = [given]
    return [os.path.abspath(os.fsdecode(path)) for path in given if path]


def _beside(target):
    return None if target is None else os.path.splitext(os.fspath(target))[0] + "_turnover"


def _words(options, cut, logs, media, out):
    words = ["turnover", cut, "--quiet", "-o", out]
    for log in logs:
        words += ["--log", log]
    for folder in media:
        words += ["--media", folder]
    for name in VALUES:
        if options.get(name) is not None:
            words.append(f"--{name.replace('_', '-')}={options[name]}")
    for name in FLAGS:
        # Without media folders there is no picture to look at.
        if options.get(name, name == "no_picture" and not media):
            words.append(f"--{name.replace('_', '-')}")
    return words


def _run(words, options):
    program = options.get("program") or os.environ.get(PROGRAM) or "platesmith"
    try:
        return subprocess.run(
            [os.fspath(program), *words],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            encoding="utf-8",
            errors="replace",
            check=False,
        )
    except OSError as why:
        raise PlatesmithError(
            f"the program {program} cannot be run: {why.strerror or why}; "
            f"install it, or say where it is with {PROGRAM} or program=FILE"
        ) from why


def _said(ran):
    if ran.returncode < 0:
        how = f"was ended by signal {-ran.returncode}"
    else:
        how = f"ended with exit code {ran.returncode}"
    said = ran.stderr.strip() or "it said nothing"
    return f"platesmith {how}:\n{said}"


def _given_back(ran, cut, out, target, options):
    """Takes what a run gave back. Exit codes 0 and 1 are no faults: 1 is for people."""
    marked = os.path.join(out, "annotated.otio")
    if ran.returncode in (0, 1):
        return _read(marked, out, target)
    error = PlatesmithError(_said(ran))
    # A run that stopped early leaves an earlier one's timeline where it was. Ours is what
    # comes back to this cut, to the byte, once our marks are taken out.
    if ran.returncode != 2 or not _is_of(marked, cut, options):
        raise error
    timeline = _read(marked, out, target)
    if options.get("faults") == "keep":
        print(error, file=sys.stderr)
        return timeline
    error.timeline = timeline
    raise error


def _is_of(marked, cut, options):
    clean = cut + ".stripped.otio"
    if not os.path.exists(marked) or _run(["strip", marked, "-o", clean], options).returncode:
        return False
    with open(clean, "rb") as one, open(cut, "rb") as other:
        return one.read() == other.read()


def _read(marked, out, target):
    try:
        timeline = otio.core.deserialize_json_from_file(marked)
    except Exception as why:
        raise PlatesmithError(f"{marked} cannot be read: {why}") from why
    if target is not None:
        _start_from(timeline, out, os.path.dirname(os.path.abspath(os.fspath(target))))
    return timeline


def _start_from(timeline, out, folder):
    """Makes relative URLs of our plates, which start from `out`, start from `folder`."""
    below = os.path.relpath(out, folder).replace(os.sep, "/")
    for clip in timeline.find_clips():
        if "platesmith" not in clip.metadata:
            continue
        for reference in clip.media_references().values():
            for name in ("target_url", "target_url_base"):
                url = getattr(reference, name, None)
                if url and below != "." and not url.startswith("/") and ":" not in url:
                    setattr(reference, name, f"{urllib.parse.quote(below)}/{url}")
