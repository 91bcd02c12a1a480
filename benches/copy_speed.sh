#!/bin/sh
# Times `platesmith loop`, start to end, against `cp` of the plate it makes: both end with the
# bytes on the disk, the source is warm, runs alternate. Usage: benches/copy_speed.sh [RUNS]
# [FOLDER]
set -eu
runs=${1:-7}
folder=$(mktemp -d "${2:-.}/copy_speed.XXXXXX")
trap 'rm -rf "$folder"' EXIT
cargo build --release --quiet --bin platesmith
loop=${CARGO_TARGET_DIR:-target}/release/platesmith
# 1.1 GiB of ProRes 422 HQ: noise, so that every frame is large.
ffmpeg -v error -f lavfi -i "testsrc2=s=1920x1080:r=24,noise=alls=40:allf=t,format=yuv422p10le" \
  -frames:v 72 -c:v prores_ks -profile:v 3 "$folder/short.mov"
ffmpeg -v error -stream_loop 15 -i "$folder/short.mov" -c copy -timecode 01:00:00:00 "$folder/long.mov"
python3 - "$runs" "$folder" "$loop" <<'PYTHON'
import os, statistics, subprocess, sys, time

runs, folder, loop = int(sys.argv[1]), sys.argv[2], sys.argv[3]
plate, copy = folder + "/plate.mov", folder + "/copy.mov"


def fresh():
    for path in (plate, copy):
        if os.path.exists(path):
            os.remove(path)
    os.sync()
    time.sleep(0.3)


def timed(words, path):
    start = time.perf_counter()
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
    handle = os.open(path, os.O_RDWR)
    os.fsync(handle)
    os.close(handle)
    return time.perf_counter() - start


def read(path):
    with open(path, "rb") as file:
        while file.read(1 << 24):
            pass


for source, frames in (("long.mov", 1152), ("long.mov", 288), ("short.mov", 72)):
    read(folder + "/" + source)
    ours, theirs, cpu = [], [], []
    make = [loop, "loop", folder + "/" + source, "--plate", f"#0-#{frames}", "--length", "1152",
            "--turns", "twice", "-o", plate, "--quiet"]
    fresh()
    subprocess.run(make, check=True, stdout=subprocess.DEVNULL)
    os.rename(plate, folder + "/made.mov")
    read(folder + "/made.mov")
    for _ in range(runs):
        fresh()
        before = os.times()
        ours.append(timed(make, plate))
        after = os.times()
        cpu.append(after.children_user + after.children_system
                   - before.children_user - before.children_system)
        fresh()
        theirs.append(timed(["cp", "--reflink=never", folder + "/made.mov", copy], copy))
    ratio = statistics.median(a / b for a, b in zip(ours, theirs))
    print(f"{source}, {frames} frames to 1152: {os.path.getsize(folder + '/made.mov') >> 20} MiB; "
          f"loop {min(ours):.2f} s ({min(cpu):.2f} s of processor time), cp {min(theirs):.2f} s, "
          f"ratio of least {min(ours) / min(theirs):.2f}, of medians "
          f"{statistics.median(ours) / statistics.median(theirs):.2f}, median ratio {ratio:.2f}")
PYTHON
