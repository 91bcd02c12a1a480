"""Compares timecode labels on stdin with those of the timeline library's own opentime.

usage: opentime_labels.py NUM DEN drop|full < labels

Each line of stdin is a frame number and its label. Prints one JSON object: how many were
compared, the first mismatches, and why the library refuses the rate, if it does.

The library (0.18.1) wraps its labels at 29.97, 47.952 and 59.94 after 24 times the frames of a
true hour, where drop-frame labels end their day, even where it writes full labels. From there
on only its reading of our label is compared, which is right.
"""

import json
import sys

from opentimelineio import opentime


def main():
    rate = int(sys.argv[1]) / int(sys.argv[2])
    drop = sys.argv[3] == "drop"
    time, to_label, from_label = opentime.RationalTime, opentime.to_timecode, opentime.from_timecode
    wraps = round(rate * 3600) * 24 if int(sys.argv[1]) in (30000, 48000, 60000) else 1 << 62
    compared, wrong, refused = 0, [], None
    for line in sys.stdin:
        number, label = line.split()
        number = int(number)
        try:
            theirs, back = to_label(time(number, rate), rate, drop), from_label(label, rate).value
        except ValueError as error:
            refused = str(error)
            break
        compared += 1
        if number >= wraps:
            theirs = label
        if (theirs, back) != (label, number) and len(wrong) < 10:
            wrong.append([number, label, theirs, back])
    for _ in sys.stdin:
        pass
    print(json.dumps({"compared": compared, "wrong": wrong, "refused": refused}))


main()
