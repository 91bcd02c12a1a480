"""PNG with a palette of 128 colours: a third of the size where a picture is full of grain."""

import struct
import zlib

import numpy as np

COLOURS = 128


def boxes(colours, counts):
    """Median cut: the box that holds most, times its longest side, is halved until there are
    enough."""
    found = [np.arange(len(colours))]
    while len(found) < COLOURS:
        spans = [np.ptp(colours[box], axis=0).max() * counts[box].sum() for box in found]
        at = int(np.argmax(spans))
        if spans[at] == 0:
            break
        box = found.pop(at)
        axis = int(np.argmax(np.ptp(colours[box], axis=0)))
        box = box[np.argsort(colours[box, axis], kind="stable")]
        half = int(np.searchsorted(np.cumsum(counts[box]), counts[box].sum() / 2))
        half = min(max(half, 1), len(box) - 1)
        found += [box[:half], box[half:]]
    return found


def nearest(colours, palette):
    """The entry nearest to each colour, the first of equals. Floats hold these sums exactly."""
    apart = (palette**2).sum(1)[None, :] - 2.0 * colours.astype(float) @ palette.T.astype(float)
    return np.argmin(apart, axis=1)


def means(colours, counts, index):
    """The mean of the colours of each entry, rounded; whole numbers, so alike everywhere."""
    found = []
    for number in range(index.max() + 1):
        weights = counts[index == number][:, None]
        total = max(int(weights.sum()), 1)
        found.append(((colours[index == number] * weights).sum(0) * 2 + total) // (2 * total))
    return np.array(found)


def indexed(picture):
    """Palette, and the entry of each pixel: median cut, then moved to the nearest thrice."""
    keys = picture.astype(int) @ (65536, 256, 1)
    colours, back, counts = np.unique(keys, return_inverse=True, return_counts=True)
    colours = np.stack([colours >> 16, colours >> 8 & 255, colours & 255], axis=1)
    index = np.zeros(len(colours), int)
    for number, box in enumerate(boxes(colours, counts)):
        index[box] = number
    for _ in range(3):
        palette = means(colours, counts, index)
        index = nearest(colours, palette)
    entries = index[back.reshape(-1)].reshape(picture.shape[:2])
    return palette.astype("uint8"), entries.astype("uint8")


def chunk(name, data):
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def png(picture):
    """The bytes of a PNG (ISO/IEC 15948), colour type 3, no filter."""
    palette, index = indexed(picture)
    height, width = index.shape
    rows = np.hstack([np.zeros((height, 1), "uint8"), index]).tobytes()
    parts = [chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 3, 0, 0, 0))]
    parts += [chunk(b"PLTE", palette.tobytes()), chunk(b"IDAT", zlib.compress(rows, 9))]
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts) + chunk(b"IEND", b"")
