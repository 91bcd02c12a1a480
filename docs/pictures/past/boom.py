"""What counts as boom, as its shadow and as a plate where nobody noted any."""

import cv2
import numpy as np

from .seam import joined
from .sheet import HALF, WIDTH, column, pair, row, stack, written
from .show import SIZE, frame, smaller
from .strips import note

# Change from which a pixel belongs to the boom here, well above its shadow.
CORE = 50 / 255


def draw():
    shadow()
    tip()
    gap()


def shadow():
    """A soft shadow on a bare wall; right of the line the plate, which has none."""
    take, plate = frame("A002C003.mov" if False else "A002C003.mxf", 20), frame("A002C003.mxf", 40)
    down, across = np.mgrid[: SIZE[1], : SIZE[0]]
    blob = np.exp(-(((across - 150) / 34.0) ** 2 + ((down - 96) / 16.0) ** 2))[:, :, None]
    near, far = (joined(take - blob * codes / 255, plate, (95, 60), 2) for codes in (3, 20))
    written(
        "shadow",
        pair(
            (near, "a shadow of 3 codes of 255, left of the line. Grain hides where it is cut."),
            (far, "of 20 codes. Were it not counted as boom, the line would cut it in two."),
        ),
    )


def entered(share):
    """The upper part of a frame into which the boom comes until it covers such a share.

    The boom itself, without its shadow, is taken from one frame and laid higher up over the plate.
    """
    plate, boom = frame("A003C003.mov", 60), frame("A003C003.mov", 150)
    part = (slice(0, 95), slice(150, 300))
    itself = cv2.medianBlur((np.abs(boom - plate)[part].max(2) > CORE).astype("uint8"), 5)
    rows = next(n for n in range(95) if itself[95 - n :].sum() >= share * SIZE[0] * SIZE[1])
    picture = plate.copy()
    cover = itself[95 - rows :, :, None]
    picture[:rows, 150:300] = (
        picture[:rows, 150:300] * (1 - cover) + boom[part][95 - rows :] * cover
    )
    ys, xs = np.nonzero(cover[:, :, 0])
    corners = (int(xs.min()) + 144, -9), (int(xs.max()) + 156, int(ys.max()) + 6)
    cv2.rectangle(picture, *corners, (1, 1, 1), 1)
    return picture[:150, 60 : 60 + HALF]


def tip():
    written(
        "boom",
        pair(
            (
                entered(0.002),
                "at its largest the boom covers .2 % of all of the frame, and is found.",
            ),
            (
                entered(0.0005),
                "it covers .05 %. Where nobody noted it, it may not be found, and stays.",
            ),
        ),
    )


def gap():
    """Frames one behind the other, boom, none, boom; what is left of the gap is named plate."""
    boom = [frame("A001C006.mov", 40)[0:90, 150:230]] * 3
    bare = frame("A001C006.mov", 64)[0:90, 150:230]

    def between(count):
        shown, names = boom + [bare] * count + boom, []
        for number in range(len(shown)):
            inside = number - 3
            if not 0 <= inside < count:
                names.append("boom")
            elif count < 12:
                names.append("-")
            else:
                names.append("plate" if 2 <= inside < count - 2 else "-")
        width = (WIDTH + 3) // 18 - 3
        cells = []
        for picture, name in zip(shown, names):
            cells.append(column([smaller(picture, (width, 60)), note(name, width, size=11)]))
        return row(cells, 3)

    written(
        "plate",
        stack(
            (between(12), "12 frames without boom are a plate, less 2 at each end:"),
            (
                between(8),
                "8 frames are none. Too little is left, and it may hold a boom on its way:",
            ),
        ),
    )
