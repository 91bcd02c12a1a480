"""The divider: outlines of boom and actor in single pixels, and the line between them."""

import cv2
import numpy as np

from .seam import HEIGHT, WIDTH, joined
from .sheet import PAST, pair, written
from .show import frame, larger

WALL, BOOM, ACTOR, SPECK = (0.87, 0.85, 0.8), (0.3, 0.3, 0.32), (0.5, 0.62, 0.75), (0.5, 0.62, 0.75)


def disc(size, centre, radius):
    down, across = np.mgrid[: size[0], : size[1]] + 0.5
    return np.hypot(across - centre[0], down - centre[1]) < radius


def apart(mask, times):
    """Distance from a set of pixels, on a grid so many times as fine."""
    fine = np.kron(~mask, np.ones((times, times))).astype("uint8")
    return cv2.distanceTransform(fine, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)


def drawn(boom, actor, kept_from, times):
    """Pixels in their colours with a faint grid, and the line that is equally far from both."""
    size = boom.shape
    flat = np.empty(size + (3,))
    flat[:] = WALL
    flat[actor], flat[boom] = ACTOR, BOOM
    picture = larger(flat, times)
    picture[::times] *= 0.92
    picture[:, ::times] *= 0.92
    nearer = apart(boom, times) < apart(kept_from, times)
    # One pixel beyond on all sides, so that the line is three wide.
    line = cv2.morphologyEx(nearer.astype("uint8"), cv2.MORPH_GRADIENT, np.ones((3, 3), "uint8"))
    line[0], line[-1], line[:, 0], line[:, -1] = 0, 0, 0, 0
    picture[line > 0] = (0, 0, 0)
    return picture


def framed(picture, cells, times):
    for y, x in np.argwhere(cells):
        part = picture[y * times : (y + 1) * times + 1, x * times : (x + 1) * times + 1]
        part[:3], part[-3:], part[:, :3], part[:, -3:] = PAST, PAST, PAST, PAST


def draw():
    clearance()
    specks()
    divider()


def clearance():
    times, size = 15, (14, 22)
    boom = disc(size, (11, -4), 10)

    def panel(top):
        actor = disc(size, (11, top + 9), 9)
        picture = drawn(boom, actor & ~boom, actor & ~boom, times)
        framed(picture, actor & boom, times)
        return picture

    written(
        "clearance",
        pair(
            (
                panel(8),
                "2 px lie between boom, dark, and actor, blue. The line passes between pixels.",
            ),
            (
                panel(5),
                "they meet in the framed pixels: a line there leaves boom or cuts the actor.",
            ),
        ),
    )


def specks():
    times, size = 10, (22, 33)
    boom, actor = disc(size, (10, -6), 12), disc(size, (20, 30), 12)

    def panel(speck, kept):
        return drawn(boom, actor | speck, actor | speck if kept else actor, times)

    small, large = np.zeros(size, bool), np.zeros(size, bool)
    small[6:8, 24:27] = True
    large[5:8, 23:27] = True
    written(
        "speck",
        pair(
            (
                panel(small, False),
                "6 pixels alone, in 2 frames, count as grain. The line runs as if they were not there.",
            ),
            (panel(large, True), "12 pixels count as part of somebody. The line goes round them."),
        ),
    )


def divider():
    """Somebody walks through the line: right of it the plate shows the set without him."""
    plate, clear, crossed = (frame("A003C001.mov", number) for number in (20, 70, 110))
    changed = np.abs(crossed - plate).sum(2)[60:]
    column = int((changed.sum(0) * np.arange(changed.shape[1])).sum() / changed.sum())
    top = 60 + int(np.argmax(changed.sum(1) > changed.sum(1).max() * 0.3))
    at = (column - WIDTH // 2, min(top, 360 - HEIGHT))
    near, far = (joined(take, plate, at) for take in (clear, crossed))
    written(
        "divider",
        pair(
            (near, "somebody left of the line."),
            (far, "somebody crosses it: the plate cuts the face."),
        ),
    )
