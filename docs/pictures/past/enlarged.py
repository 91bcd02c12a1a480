"""Enlarging the take until the boom is out of frame."""

import cv2

from .sheet import HALF, column, pair, written
from .show import SIZE, frame, larger, smaller

# The lowest point of the boom, and the middle of an actor's head, in this take.
TAKE, BELOW_BOOM, HEAD = "A002C002.mov", 72, (250, 106)


def panel(scale):
    """The whole with what is kept of it framed, and a detail of the enlarged picture."""
    picture = frame(TAKE, 100)
    width, height = (round(side / scale) for side in SIZE)
    left = min(max(HEAD[0] - width * 9 // 20, 0), SIZE[0] - width)
    top = min(BELOW_BOOM, SIZE[1] - height)
    whole = picture.copy()
    cv2.rectangle(whole, (left, top), (left + width - 1, top + height - 1), (1, 1, 1), 5)
    part = picture[top : top + height, left : left + width]
    new = cv2.resize(part, SIZE, interpolation=cv2.INTER_CUBIC)
    x, y = (round((at - first) * scale) for at, first in zip(HEAD, (left, top)))
    across, down = HALF // 6, 24
    y = max(y, down)
    detail = larger(new[y - down : y + down, x - across : x + across], 3)
    return column([smaller(whole, (HALF, 186)), detail], 6)


def draw():
    written(
        "reposition",
        pair(
            (
                panel(1.25),
                "enlarged by 1.25 to the frame drawn, the boom is out. Below, a head in it.",
            ),
            (panel(2), "by 2, as a lower boom would ask: much is lost, and the picture is soft."),
        ),
    )
