"""Panels with a caption, put side by side or below one another, and written as PNG.

Pictures are RGB from 0 to 1. Captions at a limit are blue, past it orange, and say so in words as
well: the two hues differ for every kind of colour blindness.
"""

import pathlib

import cv2
import numpy as np

from .palette import png

HERE = pathlib.Path(__file__).parent.parent
WIDTH, GAP = 668, 8
MOST_BYTES = 60_000
HALF = (WIDTH - GAP) // 2
INK, LIMIT, PAST = (0.13, 0.13, 0.13), (0.0, 0.36, 0.62), (0.76, 0.3, 0.0)
FONT, PLAIN, BOLD = cv2.FontFace("sans"), 400, 700


def text_width(text, size, weight=PLAIN):
    return cv2.getTextSize((0, 0), text, (0, 0), FONT, size, weight)[2]


def put(picture, text, at, size=13, colour=INK, weight=PLAIN):
    """Writes text onto a picture; `at` is the left end of its base line."""
    eight = eight_bit(picture)
    ink = tuple(int(part * 255) for part in colour)
    cv2.putText(eight, text, at, ink, FONT, size, weight)
    picture[:] = eight / 255.0


def lines_of(text, width, size, weight):
    lines = [""]
    for word in text.split():
        longer = (lines[-1] + " " + word).strip()
        if lines[-1] and text_width(longer, size, weight) > width:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def words(text, width, colour=INK, size=14, weight=PLAIN):
    """A band of text as wide as told, as many lines as it takes."""
    lines = lines_of(text, width - 14, size, weight)
    band = np.ones(((size + 5) * len(lines) + 7, width, 3))
    for number, line in enumerate(lines):
        put(band, line, (12, size + 2 + number * (size + 5)), size, colour, weight)
    return band


def barred(band, colour):
    band[2:-4, :5] = colour
    return band


def at_limit(text, width=HALF):
    return barred(words("At the limit: " + text, width, LIMIT), LIMIT)


def past_it(text, width=HALF):
    return barred(words("Past it: " + text, width, PAST), PAST)


def column(parts, gap=0):
    """Parts below one another, filled up with white to the widest."""
    width = max(part.shape[1] for part in parts)
    rows = []
    for part in parts:
        if rows and gap:
            rows.append(np.ones((gap, width, 3)))
        fill = np.ones((part.shape[0], width - part.shape[1], 3))
        rows.append(np.hstack([part, fill]))
    return np.vstack(rows)


def row(parts, gap=GAP):
    """Parts side by side, their lower edges in line."""
    height = max(part.shape[0] for part in parts)
    columns = []
    for part in parts:
        if columns and gap:
            columns.append(np.ones((height, gap, 3)))
        fill = np.ones((height - part.shape[0], part.shape[1], 3))
        columns.append(np.vstack([fill, part]))
    return np.hstack(columns)


def pair(limit, past):
    """Two panels side by side, each a picture and its caption."""
    (near, near_text), (far, far_text) = limit, past
    left = column([at_limit(near_text, near.shape[1]), near])
    right = column([past_it(far_text, far.shape[1]), far])
    return row([left, right])


def stack(limit, past):
    """Two strips below one another, each a picture and its caption."""
    (near, near_text), (far, far_text) = limit, past
    return column([at_limit(near_text, WIDTH), near, past_it(far_text, WIDTH), far])


def eight_bit(picture):
    return np.ascontiguousarray((np.clip(picture, 0, 1) * 255 + 0.5).astype("uint8"))


def written(name, picture):
    """In all its colours, or with a palette where that would take much space."""
    eight = eight_bit(picture)
    full = cv2.imencode(".png", eight[:, :, ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 9])[1].tobytes()
    small = full if len(full) < MOST_BYTES else png(eight)
    (HERE / f"past_{name}.png").write_bytes(small)
