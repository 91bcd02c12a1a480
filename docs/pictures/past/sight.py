"""What sight tells from grain: steps, patches, and what moves.

The wall of these pictures is drawn: an even grey and white grain. Contrast is raised, grain and
step alike, so that the ratio of the two, which is what counts, stays as it is.
"""

import numpy as np

from .sheet import WIDTH, at_limit, column, pair, past_it, row, words, written
from .seam import ticked
from .show import frame, larger, moved

SIGHT = 8
GREY = 118


def grain(seed, shape, sigma):
    return np.random.Generator(np.random.PCG64(seed)).normal(0, sigma, shape)


def grey(codes):
    return np.repeat(np.asarray(codes)[:, :, None], 3, axis=2) / 255.0


def step(visibility, sigma, size, seed=1):
    """A wall whose right half is brighter: so many times what grain leaves in a patch of sight."""
    height, width = size
    wall = GREY + grain(seed, size, sigma)
    wall[:, width // 2 :] += visibility * sigma / SIGHT
    return wall


def stepped(visibility, sigma, size, times):
    return ticked(larger(grey(step(visibility, sigma, size)), times), size[1] * times // 2)


def draw():
    ladder()
    sight()
    floor()
    spared()
    motion()


def ladder():
    """One pixel of the page is a delivered pixel."""

    def both(values, texts):
        walls = [stepped(value, 20, (150, 161), 1) for value in values]
        return row([column([words(text, 161), wall]) for text, wall in zip(texts, walls)])

    near = both((1, 2), ("1: go", "2: attention"))
    far = both((4, 8), ("4: stops", "8: stops"))
    written(
        "error",
        pair(
            (near, "the right half is brighter, and hardly anybody sees it."),
            (far, "the line between the halves stands out."),
        ),
    )


def averaged(codes, side):
    height, width = (length // side * side for length in codes.shape)
    blocks = codes[:height, :width].reshape(height // side, side, width // side, side)
    return np.kron(blocks.mean((1, 3)), np.ones((side, side)))


def sight():
    """One step, seen three ways; contrast is raised so that grain is alike in all."""
    wall = step(4, 20, (152, 224)) - GREY

    def seen(side):
        return ticked(grey(GREY + averaged(wall, side) * side)[:, 3:222], 109)

    written(
        "sight",
        row(
            [
                column([words("Single pixels: the right half is brighter.", 219), seen(1)]),
                column(
                    [at_limit("means over 8 px. Grain falls, the step does not.", 219), seen(8)]
                ),
                column([past_it("means over 2 px do not tell what is seen.", 219), seen(2)]),
            ],
            5,
        ),
    )


def floor():
    """Steps on a wall without any grain, in whole codes of eight bits, contrast raised 16 times."""
    levels = np.tile(np.linspace(-3, 3, 110), (72, 1))
    part = np.arange(110) >= 55

    def shown(codes):
        whole = np.floor(levels + codes * part + 0.5)
        return ticked(larger(grey(GREY + whole * 16), 3), 165)

    written(
        "floor",
        pair(
            (
                shown(0.5),
                "no grain, contrast raised 16 times: bands are single codes. Half a code brighter is "
                "one band among others.",
            ),
            (
                shown(3),
                "3 codes brighter. With no grain to hide it, the step at the line is larger than any "
                "band.",
            ),
        ),
    )


def spared():
    """A line along the wall with flecks of sun that only the plate has; below it lies the take.

    The band is 24 px high and 222 long: 5,328 pixels."""
    take, plate = frame("A003C003.mov", 40), frame("A003C003.mov", 52)

    def shown(flecks):
        part = plate[12:36, 1:223].copy()
        below = take[36:48, 1:223]
        draws = np.random.Generator(np.random.PCG64(7))
        for _ in range(flecks):
            y, x = draws.integers(1, 22), draws.integers(2, 218)
            part[y, x : x + 3] += 0.22
            part[y + 1, x : x + 2] += 0.22
        return larger(np.vstack([part, below]), 3)

    written(
        "spared",
        column(
            [
                at_limit("5 of the 5,328 pixels above the line differ, one fleck of light:", WIDTH),
                shown(1),
                past_it("100 of them differ, 20 flecks:", WIDTH),
                shown(20),
            ]
        ),
    )


def motion():
    """One row of pixels, 48 frames of it below one another: what rests is a straight line."""
    take, plate = frame("A003C003.mov", 40), frame("A003C003.mov", 52)
    line = (slice(58, 59), slice(197, 307))

    def over_time(offsets):
        rows = []
        for off in offsets:
            far = moved(plate, off, 0)[line]
            rows.append(np.hstack([take[line][:, :20], far[:, 20:]]))
        return ticked(larger(np.vstack(rows), 3), 60)

    still = over_time([1.0] * 48)
    sway = over_time(np.sin(np.arange(48) * 2 * np.pi / 16))
    written(
        "motion",
        pair(
            (
                still,
                "one row of pixels, 48 frames below one another. Right of the ticks the plate lies "
                "1 px off and rests.",
            ),
            (
                sway,
                "it sways by 1 px. Each edge wavers, and draws the eye; such errors count twice.",
            ),
        ),
    )
