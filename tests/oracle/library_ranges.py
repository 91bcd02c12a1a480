"""Prints where the format's own library places the clips of timelines, one JSON a line.

usage: library_ranges.py FILE...

For each file: {"path", "clips": [[pointer, start, duration], ...]} in seconds, from
`range_in_parent` of the clips that stand directly on a track of the timeline.
"""

import json
import sys

import opentimelineio as otio

for path in sys.argv[1:]:
    timeline = otio.adapters.read_from_file(path)
    clips = []
    for t, track in enumerate(timeline.tracks):
        for c, child in enumerate(track):
            if isinstance(child, otio.schema.Clip):
                found = child.range_in_parent()
                clips.append([f"/tracks/children/{t}/children/{c}",
                              found.start_time.to_seconds(), found.duration.to_seconds()])
    print(json.dumps({"path": path, "clips": clips}))
