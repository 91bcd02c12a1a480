"""Draws the pictures of limits.md: a patch at its limit, and one past it.

usage: .venv/bin/python docs/pictures/limits.py

Two frames of one plate of the sample show, alike but for their grain: the left half of each crop is
the take, the right half the plate with one thing wrong, joined by a feather of 8 px in the middle.
Every crop is drawn three times as large. Needs numpy and OpenCV, and the show (scripts/demo).
"""

import pathlib
import subprocess

import cv2
import numpy as np

HERE = pathlib.Path(__file__).parent
MEDIA = HERE.parent.parent / "samples/quillhaven/media"
WIDTH, HEIGHT = 110, 72


def frame(name, number, size=(640, 360)):
    """One frame as RGB from 0 to 1."""
    words = ["ffmpeg", "-v", "error", "-i", str(MEDIA / name), "-vf", f"select=eq(n\\,{number})"]
    words += ["-frames:v", "1", "-f", "rawvideo", "-pix_fmt", "rgb48le", "-"]
    raw = subprocess.run(words, check=True, capture_output=True).stdout
    return np.frombuffer(raw, "<u2").reshape(size[1], size[0], 3) / 65535.0


def sunk(picture, y):
    """The picture lower by a part of a pixel."""
    move = np.float32([[1, 0, 0], [0, 1, y]])
    size = (picture.shape[1], picture.shape[0])
    return cv2.warpAffine(picture, move, size, flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT)


def joined(take, plate, at):
    """The take left of a feathered line through the middle of a crop, the plate right of it."""
    x, y = at
    part = (slice(y, y + HEIGHT), slice(x, x + WIDTH))
    ramp = np.clip((np.arange(WIDTH) - WIDTH / 2 + 4) / 8, 0, 1)[None, :, None]
    crop = take[part] * (1 - ramp) + plate[part] * ramp
    crop = cv2.resize(crop, None, fx=3, fy=3, interpolation=cv2.INTER_NEAREST)
    # A short tick above and below says where the line is.
    crop[:6, crop.shape[1] // 2 - 1 : crop.shape[1] // 2 + 1] = (1, 0.8, 0)
    crop[-6:, crop.shape[1] // 2 - 1 : crop.shape[1] // 2 + 1] = (1, 0.8, 0)
    return crop


def written(name, crops):
    gap = np.ones((crops[0].shape[0], 8, 3))
    row = crops[0]
    for crop in crops[1:]:
        row = np.hstack([row, gap, crop])
    eight = (np.clip(row, 0, 1) * 255 + 0.5).astype("uint8")
    cv2.imwrite(str(HERE / f"past_{name}.png"), eight[:, :, ::-1], [cv2.IMWRITE_PNG_COMPRESSION, 9])


take, plate = frame("A003C003.mov", 40), frame("A003C003.mov", 52)
map_on_wall, bare_wall = (235, 40), (120, 20)
written("camera", [joined(take, sunk(plate, move), map_on_wall) for move in (0.1, 3)])
written("light", [joined(take, plate * gain, bare_wall) for gain in (1.002, 1.06)])
blurred = [cv2.GaussianBlur(plate, (0, 0), sigma) for sigma in (0.3, 1.5)]
written("focus", [joined(take, one, map_on_wall) for one in blurred])

# Somebody walks through the line: right of it the plate shows the set without him.
plate, clear, crossed = (frame("A003C001.mov", number) for number in (20, 70, 110))
apart = np.abs(crossed - plate).sum(2)[60:]
column = int((apart.sum(0) * np.arange(apart.shape[1])).sum() / apart.sum())
row = 60 + int(np.argmax(apart.sum(1) > apart.sum(1).max() * 0.3))
at = (column - WIDTH // 2, min(row, 360 - HEIGHT))
written("divider", [joined(clear, plate, at), joined(crossed, plate, at)])
