"""Counting: which frame of the plate is laid over which frame of the take."""

from .sheet import stack, written
from .strips import plates, strip, takes


def laid(first, names, covered):
    """Frames of a shot, named, with the plate where told and the boom where not."""
    raw, patched = takes(first, len(names)), plates(len(names))
    shown = [patched[n] if n in covered else raw[n] for n in range(len(names))]
    bad = [n for n in range(len(names)) if n not in covered]
    return strip(shown, names, bad)


def draw():
    whole()
    rate()
    first()


def whole():
    names = [str(number) for number in range(1194, 1200)]
    written(
        "whole",
        stack(
            (
                laid(150, names, range(6)),
                "the plate's end reads 1199.999999, a host's rounding of 1200. No frame goes without:",
            ),
            (
                laid(150, names, range(5)),
                "it reads 1199.9, and counts as 1199. The last frame of the shot has no plate:",
            ),
        ),
    )


def rate():
    """Ten minutes: 14,400 frames at 24 and 14,386 at 24000/1001."""
    inside, outside = range(14381, 14387), [14384, 14385, 14386, 14387, 14399, 14400]
    written(
        "rate",
        stack(
            (
                laid(150, [str(n) for n in inside], range(6)),
                "23.98 is taken for 24000/1001. Ten minutes have 14,386 frames, all with their plate:",
            ),
            (
                laid(150, [str(n) for n in outside], range(3)),
                "were 24 taken for it too, the plate would end 14 frames before the ten minutes do:",
            ),
        ),
    )


def first():
    numbers = range(1001, 1006)
    written(
        "first",
        stack(
            (
                laid(150, [f"plate.{n}" for n in numbers], range(5)),
                "files begin at 1001, where whoever loads them begins to count:",
            ),
            (
                laid(150, [f"no {n}" for n in numbers], []),
                "files begin at 0001. Of 1001 to 1005 there is none, and nothing hides the boom:",
            ),
        ),
    )
