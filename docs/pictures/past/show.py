"""Frames of the sample show, and what is done to them."""

import functools
import subprocess

import cv2
import numpy as np

from .sheet import HERE

MEDIA = HERE.parent.parent / "samples/quillhaven/media"
SIZE = (640, 360)


@functools.cache
def frames(name, first, count=1):
    """Frames of a take one behind the other, as RGB from 0 to 1."""
    pick = f"select=between(n\\,{first}\\,{first + count - 1})"
    command = ["ffmpeg", "-v", "error", "-i", str(MEDIA / name), "-vf", pick, "-fps_mode"]
    command += ["passthrough", "-f", "rawvideo", "-pix_fmt", "rgb48le", "-"]
    raw = subprocess.run(command, check=True, capture_output=True).stdout
    return np.frombuffer(raw, "<u2").reshape(count, SIZE[1], SIZE[0], 3) / 65535.0


def frame(name, number):
    return frames(name, number)[0]


def moved(picture, x, y):
    """The picture moved right and down by parts of a pixel."""
    move = np.float32([[1, 0, x], [0, 1, y]])
    size = (picture.shape[1], picture.shape[0])
    return cv2.warpAffine(
        picture, move, size, flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT
    )


def larger(picture, times):
    return cv2.resize(picture, None, fx=times, fy=times, interpolation=cv2.INTER_NEAREST)


def smaller(picture, size):
    return cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
