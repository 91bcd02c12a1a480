"""A line through the picture: left of it the take, right of it the plate.

Short ticks above and below say where the line is. Crops are drawn three times as large.
"""

import cv2
import numpy as np

from .sheet import pair, written
from .show import frame, larger, moved

WIDTH, HEIGHT = 110, 72
TICK = (1, 0.8, 0)


def ticked(crop, x):
    crop[:6, x - 1 : x + 1] = TICK
    crop[-6:, x - 1 : x + 1] = TICK
    return crop


def joined(take, plate, at, feather=8, size=(WIDTH, HEIGHT), times=3):
    """The take left of a feathered line through the middle of a crop, the plate right of it."""
    (x, y), (width, height) = at, size
    part = (slice(y, y + height), slice(x, x + width))
    across = np.arange(width) - width / 2 + 0.5
    ramp = np.clip(across / max(feather, 1e-6) + 0.5, 0, 1)[None, :, None]
    crop = larger(take[part] * (1 - ramp) + plate[part] * ramp, times)
    return ticked(crop, crop.shape[1] // 2)


MAP_ON_WALL, BARE_WALL = (235, 40), (95, 60)


def draw():
    take, plate = frame("A003C003.mov", 40), frame("A003C003.mov", 52)
    near, far = (joined(take, moved(plate, 0, y), MAP_ON_WALL) for y in (0.1, 3))
    written("camera", pair((near, "the plate lies .1 px off."), (far, "3 px off, the map breaks.")))
    resolution(take, plate)
    soft = [cv2.GaussianBlur(plate, (0, 0), sigma) for sigma in (0.3, 1.5)]
    near, far = (joined(take, one, MAP_ON_WALL) for one in soft)
    written(
        "focus",
        pair((near, "the plate is softer by .3 px."), (far, "by 1.5 px, detail ends at the line.")),
    )
    light()
    far_in_time()
    edges()


def light():
    """On a bare wall, where no detail hides the line."""
    take, plate = frame("A002C003.mxf", 20), frame("A002C003.mxf", 40)
    near, far = (joined(take, plate * gain, BARE_WALL) for gain in (1.002, 1.06))
    written(
        "light",
        pair((near, "the plate is .2 % brighter."), (far, "6 % brighter, the wall changes.")),
    )
    wide, hard = (joined(take, plate * 1.06, BARE_WALL, feather=px) for px in (24, 0))
    written(
        "feather",
        pair(
            (wide, "a feather of 24 px. The plate is 6 % brighter: a slope."),
            (hard, "no feather. The same 6 % make an edge."),
        ),
    )


def resolution(take, plate):
    """A plate shot with half the pixels a side, enlarged to the size that is delivered."""
    half = cv2.resize(plate, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    back = cv2.resize(half, (plate.shape[1], plate.shape[0]), interpolation=cv2.INTER_CUBIC)
    near, far = (joined(take, one, MAP_ON_WALL) for one in (plate, back))
    written(
        "resolution",
        pair(
            (near, "one source pixel for each delivered pixel."),
            (far, "half a pixel for each: right of the line all is soft."),
        ),
    )


def shadowed(picture, sunk):
    """Throws the shadow of a branch; its penumbra is a pixel wide."""
    down, across = np.mgrid[: picture.shape[0], : picture.shape[1]].astype(float)
    off = np.abs(down - 150 - sunk + 0.12 * (across - 240)) - 9
    light = 0.55 + 0.45 * np.clip(off + 0.5, 0, 1)
    return picture * light[:, :, None]


def far_in_time():
    """What throws the shadow hangs half a metre before a wall, 3 m of which fill 640 px: the sun
    goes a quarter of a degree a minute, so the shadow .46 px a minute."""
    wall = frame("A003C001.mov", 20), frame("A003C001.mov", 30)
    take = shadowed(wall[0], 0)
    at = (185, 108)
    near, far = (joined(take, shadowed(wall[1], 0.46 * minutes), at) for minutes in (2, 20))
    written(
        "far",
        pair(
            (near, "the plate was rolled 2 minutes earlier. A branch's shadow has moved 1 px."),
            (far, "20 minutes earlier. The sun went on, the shadow breaks at the line."),
        ),
    )


def edges():
    """A strong edge that is broken by parts of a pixel, six times as large."""
    take, plate = frame("A003C003.mov", 40), frame("A003C003.mov", 52)
    at, size = (258, 46), (55, 12)
    near, far = (
        [joined(take, moved(plate, 0, y), at, 0, size, 6) for y in steps]
        for steps in ((0.05, 0.1), (0.5, 1))
    )
    gap = np.ones((6, near[0].shape[1], 3))
    written(
        "vernier",
        pair(
            (
                np.vstack([near[0], gap, near[1]]),
                "a picture's frame, broken by .05 px and by .1 px.",
            ),
            (np.vstack([far[0], gap, far[1]]), "broken by .5 px and by 1 px: a step in the edge."),
        ),
    )
