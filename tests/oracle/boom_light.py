"""Coded gain of every frame of a take without its boom, where the boom would be.

    boom_light.py FOLDER WIDTH HEIGHT BLACK FIRST END MARGIN OUT

FOLDER holds clean.mkv and take_boom.mkv, the same take without and with a boom. Luma codes
as FFmpeg decodes them (8 bits), black taken off; NumPy does the rest.

Patch: pixels where the two differ by 3 codes or more in any frame. Area: the patch grown by
a square of MARGIN pixels. Background: pixels of either that never (means of 3 by 3) differ
by 12 codes or more from the median of the plate frames FIRST to END times the middle gain of
the area. One line a frame: the least-squares gain of the clean frame against the mean of its
plate frames, over the background of the area, then of the patch.

OUT receives WIDTH * HEIGHT bytes: 1 in the area, 2 in its background, 4 in that of the patch,
added. The measure of light is asked about the area, whatever is in front of it, and told for
which pixels the gain is wanted.
"""
import subprocess
import sys

import numpy as np


def decoded(clip, width, height):
    decode = ["ffmpeg", "-v", "error", "-i", clip, "-vf", "extractplanes=y"]
    decode += ["-fps_mode", "passthrough", "-f", "rawvideo", "-"]
    raw = subprocess.run(decode, check=True, stdout=subprocess.PIPE).stdout
    return np.frombuffer(raw, np.uint8).reshape(-1, height, width)


def grown(mask, by):
    for axis in (0, 1):
        wide = mask.copy()
        for step in range(1, by + 1):
            ahead, behind = [slice(None)] * 2, [slice(None)] * 2
            ahead[axis], behind[axis] = slice(step, None), slice(None, -step)
            wide[tuple(ahead)] |= mask[tuple(behind)]
            wide[tuple(behind)] |= mask[tuple(ahead)]
        mask = wide
    return mask


def smooth(values):
    padded = np.pad(values, 1, mode="edge")
    height, width = values.shape
    parts = [padded[y : y + height, x : x + width] for y in range(3) for x in range(3)]
    return sum(parts) / 9


def main():
    folder, out = sys.argv[1], sys.argv[8]
    width, height, black, first, end, margin = map(int, sys.argv[2:8])
    clean = decoded(folder + "/clean.mkv", width, height)
    take = decoded(folder + "/take_boom.mkv", width, height)
    patch = np.zeros((height, width), bool)
    for one, other in zip(clean, take):
        patch |= np.abs(one.astype(np.int16) - other) >= 3
    area = grown(patch, margin)
    rows, columns = np.flatnonzero(area.any(axis=1)), np.flatnonzero(area.any(axis=0))
    box = slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
    areas = np.zeros((height, width), np.uint8)
    area, patch, clean = area[box], patch[box], clean[(slice(None), *box)].astype(np.float32) - black
    plate, middle = clean[first:end].mean(axis=0), np.median(clean[first:end], axis=0)
    worst = np.zeros(area.shape, np.float32)
    lit = area & (middle > 10)
    for frame in clean:
        gain = np.median(frame[lit] / middle[lit])
        worst = np.maximum(worst, np.abs(smooth(frame - gain * middle)))
    background = worst < 12
    places = [area & background, patch & background]
    areas[box] = area * np.uint8(1) + places[0] * np.uint8(2) + places[1] * np.uint8(4)
    areas.tofile(out)
    for frame in clean:
        gains = []
        for place in places:
            levels = plate[place].astype(np.float64)
            gains.append((frame[place] * levels).sum() / (levels * levels).sum())
        print("%.6f %.6f" % tuple(gains))


main()
