"""The adapter for files that end in `.platesmith`: annotated timelines.

    otio.adapters.write_to_file(timeline, "cut.platesmith", log="plates.csv", media="rushes/")

writes the annotated timeline, and beside it the folder `cut_turnover` with plates, report and
lists. What is in the file is plain OpenTimelineIO JSON.
"""

import os
import tempfile

import opentimelineio as otio

from platesmith_otio import program


def write_to_file(input_otio, filepath, **options):
    """Runs platesmith on a timeline and writes the annotated one.

    Arguments are those of `platesmith turnover`, with `_` for `-`: log and media (one path or
    several), out, settings, handles, ... and program, the program's path. Raises
    program.PlatesmithError with what the program said; a file that had a fault is still written
    with what could be judged.
    """
    options.pop("hook_function_argument_map", None)
    try:
        timeline = program.annotated(input_otio, filepath, options)
    except program.PlatesmithError as error:
        if getattr(error, "timeline", None) is not None:
            _write(error.timeline, filepath)
        raise
    _write(timeline, filepath)
    return filepath


def read_from_file(filepath, strip=False, **options):
    """Reads an annotated timeline; with strip=True without our marks and plate tracks."""
    options.pop("hook_function_argument_map", None)
    program.check_options(options)
    if strip:
        return program.stripped(filepath, options)
    return otio.core.deserialize_json_from_file(os.fspath(filepath))


def _write(timeline, filepath):
    """Writes under a temporary name first: half a file never has the final one."""
    folder = os.path.dirname(os.path.abspath(os.fspath(filepath)))
    with tempfile.TemporaryDirectory(prefix=".platesmith-", dir=folder) as scratch:
        part = os.path.join(scratch, "part.otio")
        timeline.to_json_file(part)
        os.replace(part, filepath)
