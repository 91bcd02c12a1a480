"""Strips of frames: what shows only as time goes on."""

import numpy as np

from .sheet import INK, LIMIT, PAST, WIDTH, column, put, row, stack, text_width, written
from .show import frames, smaller

TAKE, PLATE = "A003C003.mov", 40
BOOM_IN = 108
# Where the boom hangs in this take, and how large a frame of a strip is drawn.
REGION = (slice(0, 90), slice(140, 300))


def note(text, width, colour=INK, size=13, weight=400):
    """A line of text under a frame, in its middle."""
    band = np.ones((size + 7, width, 3))
    left = max((width - text_width(text, size, weight)) // 2, 0)
    put(band, text, (left, size + 1), size, colour, weight)
    return band


def strip(pictures, notes, bad=()):
    """Frames side by side with a note under each; those past a limit in orange and framed."""
    width = (WIDTH - 4 * (len(pictures) - 1)) // len(pictures)
    cells = []
    for number, (picture, text) in enumerate(zip(pictures, notes)):
        height = round(width * picture.shape[0] / picture.shape[1])
        cell = smaller(picture, (width, height))
        wrong = number in bad
        if wrong:
            cell[:3], cell[-3:], cell[:, :3], cell[:, -3:] = PAST, PAST, PAST, PAST
        colour = PAST if wrong else INK
        cells.append(column([cell, note(text, width, colour, weight=700 if wrong else 400)]))
    return row(cells, 4)


def takes(first, count):
    """The take as shot, around the boom."""
    return [one[REGION] for one in frames(TAKE, first, count)]


def plates(count, gain=1.0):
    """Frames of its plate, same region."""
    return [one[REGION] * gain for one in frames(TAKE, PLATE, count)]


def draw():
    handles()
    fade()
    loop()
    claim()
    mark()


def handles():
    def lengthened(by):
        raw, patched = takes(150 + by - 6, 6), plates(6)
        added = range(by - 5, by + 1)
        shown = [raw[n] if k > 8 else patched[n] for n, k in enumerate(added)]
        bad = [n for n, k in enumerate(added) if k > 8]
        return strip(shown, [f"cut +{k}" for k in added], bad)

    written(
        "handles",
        stack(
            (lengthened(8), "the cut is lengthened by 8 frames, all of its handle. Its last six:"),
            (lengthened(10), "lengthened by 10. The plate ends after 8, and the boom is back:"),
        ),
    )


def fade():
    """The plate is 12 % brighter than the take, much more than would pass, so that it shows here."""
    down, across = np.mgrid[:90, :160]
    off = np.hypot((across - 62) / 46, (down - 20) / 34)
    patch = np.clip((1.15 - off) / 0.3, 0, 1)[:, :, None]

    def entering(weights):
        raw, patched = takes(BOOM_IN - 7, 8), plates(8, 1.12)
        shown = [a * (1 - w * patch) + b * w * patch for a, b, w in zip(raw, patched, weights)]
        bad = [n for n in range(1, 8) if weights[n] - weights[n - 1] == 1]
        return strip(shown, [f"{round(w * 100)} %" for w in weights], bad)

    soft = entering([n / 7 for n in range(8)])
    hard = entering([0, 0, 0, 0, 0, 0, 0, 1])
    written(
        "fade",
        stack(
            (soft, "the patch comes in over 6 frames. Its plate is 12 % brighter, 1.7 % a frame:"),
            (hard, "no fade. All of the 12 % come in one frame, and the patch blinks:"),
        ),
    )


def turning(length):
    """One second at 24 of a loop over so many frames, the last of which is brighter."""
    wall = plates(1)[0][20:70, 10:34]
    period = 2 * (length - 1)
    cells = []
    for number in range(24):
        shown = min(number % period, period - number % period)
        lit = shown == length - 1
        cell = smaller(wall * (1.3 if lit else 1.0), (24, 60))
        ink = PAST if lit else INK
        cells.append(column([cell, note(str(shown), 24, ink, weight=700 if lit else 400)]))
    return row(cells, 4)


def loop():
    three, six = turning(5), turning(3)
    written(
        "loop",
        stack(
            (three, "one second at 24 of a plate of 5 frames, 0 to 4. One is brighter: 3 flashes."),
            (
                six,
                "a plate of 3 frames, 0 to 2. The same frame comes round twice as often: 6 flashes.",
            ),
        ),
    )


def claim():
    near = (slice(0, 56), slice(152, 252))

    def last_frames(out):
        numbers = range(out - 6, out)
        bad = [n for n, number in enumerate(numbers) if number >= BOOM_IN]
        shown = [one[near] for one in frames(TAKE, out - 6, 6)]
        return strip(shown, [f"#{number}" for number in numbers], bad)

    written(
        "claim",
        stack(
            (
                last_frames(BOOM_IN),
                "the log's out point is right. The last six frames of the plate:",
            ),
            (
                last_frames(BOOM_IN + 4),
                "4 frames late. The plate holds the boom's shadow, then the boom it should hide:",
            ),
        ),
    )


def mark():
    """Frames a second apart; the bar spans what is looked at for the moment the boom left."""
    left_at, rate, count = 34, 24, 7

    def around(pressed):
        first = left_at - rate
        raw = [frames(TAKE, first + rate * n)[0][REGION] for n in range(count)]
        names = ["button" if n == pressed else f"{n - pressed:+d} s" for n in range(count)]
        step = (WIDTH + 4) // count
        bar = np.ones((16, WIDTH, 3))
        begin, end = ((pressed + s) * step + step // 2 for s in (-2, 2))
        bar[2:8, begin:end] = LIMIT
        return column([strip(raw, names), bar])

    written(
        "mark",
        stack(
            (
                around(3),
                "the button was pressed 2 s after the boom had left. The bar, which is looked at, "
                "holds that moment:",
            ),
            (around(4), "3 s after. The boom had left before the bar begins:"),
        ),
    )
