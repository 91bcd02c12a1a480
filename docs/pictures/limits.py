"""Draws the pictures of limits.md: what is seen at each limit, and past it.

usage: .venv/bin/python docs/pictures/limits.py

Needs numpy, OpenCV 5, `ffmpeg`, and the sample show (scripts/demo).
"""

from past import boom, clocks, enlarged, outline, seam, sight, strips

for part in (seam, strips, clocks, sight, outline, enlarged, boom):
    part.draw()
