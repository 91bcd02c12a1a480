"""A hook that annotates whatever a host writes. It does nothing unless it is asked to.

It is asked by the environment variable PLATESMITH_ANNOTATE (1: problems are said on standard
error and the timeline is written as it was; strict: they stop the write), or by a timeline's
own metadata:

    timeline.metadata["platesmith_annotate"] = {"log": "plates.csv", "media": "rushes/"}

whose keys are the arguments of the adapter.
"""

import os
import sys

import opentimelineio as otio

from platesmith_otio import program

ANNOTATE = "PLATESMITH_ANNOTATE"
KEY = "platesmith_annotate"


def hook_function(in_timeline, argument_map=None):
    """Returns the timeline annotated, or as it came. Never None for a timeline."""
    asked = _asked(in_timeline)
    target = (argument_map or {}).get("_filepath")
    ours = str(target or "").endswith(".platesmith")  # the adapter runs the program itself
    if asked is None or ours:
        return in_timeline
    how, options = asked
    try:
        return program.annotated(in_timeline, target, options)
    except Exception as error:
        # What is raised here ends the host's write, and people's work is not ours to lose.
        if how == "strict":
            raise
        print(f"platesmith: the timeline is written as it was: {error}", file=sys.stderr)
        return in_timeline


def _asked(timeline):
    """Returns how, and with which options; None if nobody asked."""
    how = os.environ.get(ANNOTATE, "")
    if how == "0":
        return None
    noted = None
    if isinstance(timeline, otio.schema.Timeline):
        noted = timeline.metadata.get(KEY)
    if noted is None:
        return (how, {}) if how else None
    try:
        return how, {str(key): _plain(value) for key, value in dict(noted).items()}
    except (TypeError, ValueError):
        # The program's own check says what is wrong with it.
        return how, {f"metadata {KEY} (not a dictionary)": None}


def _plain(value):
    """Lists in metadata are the library's own kind."""
    return value if isinstance(value, (str, int, float, bool)) or value is None else list(value)
