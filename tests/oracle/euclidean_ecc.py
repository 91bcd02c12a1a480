"""Registers raw 8-bit frames to the first with OpenCV's findTransformECC (Evangelidis and
Psarakis, PAMI 30(10), 2008), Euclidean motion, and prints shift x and y at the middle of the
frame and rotation for each.

usage: euclidean_ecc.py FRAMES WIDTH HEIGHT
"""

import sys

import cv2
import numpy as np

name, width, height = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
frames = np.fromfile(name, np.float32).reshape(-1, height, width)
middle = np.array([(width - 1) / 2, (height - 1) / 2])
stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-9)
for frame in frames[1:]:
    warp = np.eye(2, 3, dtype=np.float32)
    _, warp = cv2.findTransformECC(frames[0], frame, warp, cv2.MOTION_EUCLIDEAN, stop, None, 5)
    shift = warp[:, :2] @ middle + warp[:, 2] - middle
    print(shift[0], shift[1], warp[1, 0])
