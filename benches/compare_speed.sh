#!/bin/sh
# Times `compare` of a large cut and its recut as a whole process against what the format's own
# library needs only to read both files, the two taking turns.
#
# usage: benches/compare_speed.sh [CLIPS...]          (default: 2500)
#
# PYTHON names a Python with opentimelineio (default .venv/bin/python). The start-up of the
# interpreter with its import is measured on its own and taken off; ours is not. RUNS
# (default 7) rounds; of each figure the least and the median are shown.
set -eu
cd "$(dirname "$0")/.."
PYTHON=${PYTHON:-.venv/bin/python}
RUNS=${RUNS:-7}
cargo build --release --quiet --bin platesmith
ours=${CARGO_TARGET_DIR:-target}/release/platesmith
folder=$(mktemp -d)
trap 'rm -r "$folder"' EXIT
[ $# -gt 0 ] || set -- 2500
for clips in "$@"; do
    python3 benches/big_cut.py "$clips" "$folder/$clips"
    "$ours" compare "$folder/$clips/cut.otio" "$folder/$clips/recut.otio" | head -1 || true
done
"$PYTHON" - "$RUNS" "$PYTHON" "$ours" "$folder" "$@" <<'END'
import os, statistics, subprocess, sys, time

runs, python, ours, folder = int(sys.argv[1]), *sys.argv[2:5]


def once(command):
    """Wall and processor time of one run."""
    start = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    # 1: something changed, which is no fault.
    assert os.waitstatus_to_exitcode(status) in (0, 1), command
    return time.perf_counter() - start, usage.ru_utime + usage.ru_stime


for clips in sys.argv[5:]:
    cuts = [f"{folder}/{clips}/{name}.otio" for name in ("cut", "recut")]
    load = "import opentimelineio as o"
    read = "; ".join(f"o.adapters.read_from_file({cut!r})" for cut in cuts)
    commands = {
        "start-up": [python, "-c", load],
        "library reads both": [python, "-c", f"{load}; {read}"],
        "compare": [ours, "compare", *cuts],
        "compare --json": [ours, "compare", *cuts, "--json"],
    }
    taken = {name: [] for name in commands}
    for _ in range(runs):
        for name, command in commands.items():
            taken[name].append(once(command))
    size = sum(map(os.path.getsize, cuts)) / 1e6
    print(f"{clips} clips, {size:.1f} MB in both; load {os.getloadavg()[0]:.1f}")
    for at, kind in enumerate(["wall", "processor"]):
        of = lambda name, pick: pick(run[at] for run in taken[name])
        picks = {"least": min, "median": statistics.median}
        theirs = {word: of("library reads both", pick) - of("start-up", pick)
                  for word, pick in picks.items()}
        print(f"  {kind}: library reads both in "
              + ", ".join(f"{theirs[word] * 1e3:.0f} ms {word}" for word in picks))
        for name in list(taken)[2:]:
            said = [f"{of(name, pick) * 1e3:.0f} ms {word}, ratio {of(name, pick) / theirs[word]:.2f}"
                    for word, pick in picks.items()]
            print(f"    {name}: {'; '.join(said)}")
END
