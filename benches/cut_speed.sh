#!/bin/sh
# Times the reading of large cuts, ours beside the format's own library, in one run.
#
# usage: benches/cut_speed.sh [CLIPS...]          (default: 2500 25000)
#
# PYTHON names a Python with opentimelineio (default .venv/bin/python). The start-up of the
# interpreter with its import is measured on its own and taken off. Each figure is the best
# of RUNS (default 5): on a shared machine the least disturbed run tells most.
set -eu
cd "$(dirname "$0")/.."
PYTHON=${PYTHON:-.venv/bin/python}
RUNS=${RUNS:-5}
cargo build --release --quiet --example walk_cut
ours=target/release/examples/walk_cut
folder=$(mktemp -d)
trap 'rm -r "$folder"' EXIT
[ $# -gt 0 ] || set -- 2500 25000
for clips in "$@"; do
    python3 benches/big_cut.py "$clips" "$folder/$clips"
    "$PYTHON" - "$RUNS" "$PYTHON" "$ours" "$folder/$clips/cut.otio" "$clips" <<'END'
import os, subprocess, sys, time

runs, python, ours, cut, clips = int(sys.argv[1]), *sys.argv[2:6]

def best(*command):
    """Wall and processor time of the quickest run, each its own minimum."""
    walls, cpus = [], []
    for _ in range(runs):
        start = time.perf_counter()
        child = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        _, status, usage = os.wait4(child.pid, 0)
        assert status == 0, command
        walls.append(time.perf_counter() - start)
        cpus.append(usage.ru_utime + usage.ru_stime)
    return min(walls), min(cpus)

load = "import opentimelineio as o"
start = best(python, "-c", load)
library = best(python, "-c", f"{load}; o.adapters.read_from_file({cut!r})")
walk = best(ours, cut)
print(f"{clips} clips, {os.path.getsize(cut) / 1e6:.1f} MB")
for at, kind in enumerate(["wall", "processor"]):
    theirs = library[at] - start[at]
    print(f"  {kind}: library read {theirs * 1e3:.0f} ms (start-up {start[at] * 1e3:.0f} ms taken "
          f"off), our read and walk {walk[at] * 1e3:.0f} ms, ratio {walk[at] / theirs:.2f}")
END
done
