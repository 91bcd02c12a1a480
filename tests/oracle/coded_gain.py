"""Least-squares coded gain of every frame of a clip against the mean of some of its frames.

    coded_gain.py CLIP WIDTH HEIGHT BLACK FIRST END [LEFT TOP RIGHT BOTTOM]

Luma codes as FFmpeg decodes them (8 bits), black taken off; NumPy does the rest. One gain a
line. An oracle for the measure of light: it knows nothing of occlusion and needs none of
the project's code.
"""
import subprocess
import sys

import numpy as np


def main():
    clip = sys.argv[1]
    width, height, black, first, end = map(int, sys.argv[2:7])
    box = tuple(map(int, sys.argv[7:11])) or (0, 0, width, height)
    decode = ["ffmpeg", "-v", "error", "-i", clip, "-vf", "extractplanes=y"]
    decode += ["-fps_mode", "passthrough", "-f", "rawvideo", "-"]
    raw = subprocess.run(decode, check=True, stdout=subprocess.PIPE).stdout
    codes = np.frombuffer(raw, np.uint8).reshape(-1, height, width)
    left, top, right, bottom = box
    codes = codes[:, top:bottom, left:right]
    plate = codes[first:end].mean(axis=0) - black
    for frame in codes:
        print(f"{((frame - float(black)) * plate).sum() / (plate * plate).sum():.6f}")


main()
