#!/usr/bin/env bash
# Times rendered plates and temp comps against `ffmpeg` decoding and encoding the same frames
# with the same codec and threads, the two taking turns so that a busy machine slows both.
# Prints least times, their ratio (to reach: 1.10), and the most memory of each (to reach: that
# of ffmpeg and 400 MB); then the memory of ten times the length (to reach: within 5 %), of a small
# source (`memory`) and of UHD ProRes (`memory_uhd`; 2 GB of room), that beside ffmpeg's.
#   benches/picture_speed.sh [RUNS] [THREADS] [NAME...]      names as in the table below
#   PROFILE=dev benches/picture_speed.sh                     without a release build
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
profile=${PROFILE:-release}
cargo build --quiet --profile "$profile" --example picture_speed
folder=$(mktemp -d "${FOLDER:-/var/tmp}/picture_speed.XXXXXX")
trap 'rm -rf "$folder"' EXIT
[ "$profile" = dev ] && built=debug || built=$profile
python3 - "$folder" "${CARGO_TARGET_DIR:-target}/$built/examples/picture_speed" "$@" <<'PYTHON'
import os, resource, shutil, subprocess, sys, time

folder, ours = sys.argv[1], sys.argv[2]
runs = int(sys.argv[3]) if len(sys.argv) > 3 else 3
threads = sys.argv[4] if len(sys.argv) > 4 else "2"
chosen = sys.argv[5:]
HQ = "-c:v prores_ks -profile:v hq -vendor apl0 -pix_fmt yuv422p10le"
HQX = "-c:v dnxhd -profile:v dnxhr_hqx -pix_fmt yuv422p10le"
FFV1 = "-c:v ffv1 -level 3 -g 1 -slices 16 -slicecrc 1"
# Name: size, frames, how the source is coded, its ending, our word and ffmpeg's words for the
# coding of what is made, its ending.
TABLE = {
    "prores_hd": ("1920x1080", 36, HQ, "mov", "prores-hq", HQ, "mov"),
    "prores_uhd": ("3840x2160", 10, HQ, "mov", "prores-hq", HQ, "mov"),
    "dnxhr_hd": ("1920x1080", 48, HQX, "mov", "dnxhr-hqx", HQX, "mov"),
    "ffv1_hd": ("1920x1080", 48, FFV1 + " -pix_fmt yuv422p10le", "mkv", "ffv1", FFV1, "mkv"),
    "h264_hd": ("1920x1080", 36, "-c:v libx264 -preset veryfast -g 24 -bf 2 -pix_fmt yuv420p", "mp4",
                "prores-hq", HQ, "mov"),
}


def run(words):
    """Seconds of a command, its most memory in KiB, and its processor time."""
    if os.path.exists(out):
        os.remove(out)
    start = time.perf_counter()
    child = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    said, wrong = child.stdout.read(), child.stderr.read()
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        sys.exit(wrong.decode())
    return time.perf_counter() - start, used.ru_maxrss, used.ru_utime + used.ru_stime


def clear():
    for name in os.listdir(folder):
        if name.startswith("ours") or name.startswith("theirs"):
            os.remove(os.path.join(folder, name))


for name, (size, frames, coded, ending, word, words, made) in TABLE.items():
    if chosen and name not in chosen:
        continue
    source = f"{folder}/{name}.{ending}"
    subprocess.run(["ffmpeg", "-v", "error", "-nostdin", "-f", "lavfi", "-i",
                    f"testsrc2=size={size}:rate=24,noise=alls=12:allf=t,format=yuv422p10le",
                    "-frames:v", str(frames)] + coded.split() + ["-timecode", "10:00:00:00", source], check=True)
    out = f"{folder}/theirs.{made}"
    theirs = ["ffmpeg", "-v", "error", "-nostdin", "-y", "-threads", threads, "-i", source,
              "-map", "0:V:0"] + words.split() + ["-threads", threads, out]
    for what in ("plate", "temp"):
        # A plate of its own length, and a temp comp whose plate is run through several times.
        plate = frames if what == "plate" else min(frames, 24 if size == "1920x1080" else 8)
        mine = [ours, source, what, str(frames), str(plate), word, threads, f"{folder}/ours"]
        a, b = [], []
        for turn in range(runs):
            clear()
            a.append(run(mine))
            clear()
            b.append(run(theirs))
        clear()
        mine_s, theirs_s = min(a)[0], min(b)[0]
        ratio = mine_s / theirs_s
        work = min(w for *_, w in a) / min(w for *_, w in b)
        more = (max(m for _, m, _ in a) - max(m for _, m, _ in b)) / 1024
        print(f"{name} {what}: {mine_s:.2f} s, ffmpeg {theirs_s:.2f} s, "
              f"ratio {ratio:.2f} (to reach: 1.10) {'ok' if ratio <= 1.1 else 'MISSED'}; "
              f"processor time {work:.2f}; "
              f"{more:+.0f} MB (to reach: +400) {'ok' if more <= 400 else 'MISSED'}", flush=True)
    os.remove(source)

# Ten times the length, of a small source run through again and again.
if not chosen or "memory" in chosen:
    source = f"{folder}/memory.mkv"
    subprocess.run(["ffmpeg", "-v", "error", "-nostdin", "-f", "lavfi", "-i",
                    "testsrc2=size=960x540:rate=24,noise=alls=12:allf=t,format=yuv422p10le",
                    "-frames:v", "960", "-c:v", "ffv1", "-g", "1", source], check=True)
    for what in ("plate", "temp"):
        most = []
        for length in (96, 960):
            clear()
            out = f"{folder}/ours.mkv"
            most.append(run([ours, source, what, str(length), "48", "ffv1", threads, f"{folder}/ours"])[1])
        more = 100 * (most[1] / most[0] - 1)
        print(f"memory {what}: {most[0] >> 10} MB, ten times the length {most[1] >> 10} MB, "
              f"{more:+.1f} % (to reach: 5) {'ok' if more <= 5 else 'MISSED'}", flush=True)

# UHD ProRes, a second and ten, against ffmpeg doing as much for the second.
if not chosen or "memory_uhd" in chosen:
    short, long = f"{folder}/uhd_24.mov", f"{folder}/uhd_240.mov"
    quiet = ["ffmpeg", "-v", "error", "-nostdin"]
    subprocess.run(quiet + ["-f", "lavfi", "-i", "testsrc2=size=3840x2160:rate=24,format=yuv422p10le",
                            "-frames:v", "24"] + HQ.split() + ["-timecode", "10:00:00:00", short], check=True)
    subprocess.run(quiet + ["-stream_loop", "9", "-i", short, "-map", "0:V:0", "-c", "copy", long], check=True)
    out = f"{folder}/theirs.mov"
    theirs = run(quiet + ["-y", "-threads", threads, "-i", short, "-map", "0:V:0"]
                 + HQ.split() + ["-threads", threads, out])[1]
    for what in ("plate", "temp"):
        most = []
        for source, length in ((short, 24), (long, 240)):
            clear()
            # A plate of half a second, so that both are loops: frames played backward are kept.
            most.append(run([ours, source, what, str(length), "12", "prores-hq", threads, f"{folder}/ours"])[1])
        grown, more = 100 * (most[1] / most[0] - 1), (max(most) - theirs) / 1024
        print(f"memory_uhd {what}: {most[0] >> 10} MB, ten times the length {most[1] >> 10} MB, "
              f"{grown:+.1f} % (to reach: 5) {'ok' if grown <= 5 else 'MISSED'}; "
              f"ffmpeg {theirs >> 10} MB, "
              f"{more:+.0f} MB (to reach: +400) {'ok' if more <= 400 else 'MISSED'}", flush=True)
PYTHON
