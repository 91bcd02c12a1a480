#!/bin/sh
# Times checks of large cuts as whole processes against what the format's own library needs
# only to read the same file, the two taking turns.
#
# usage: benches/cut_speed.sh [CLIPS...]          (default: 2500 25000)
#
# PYTHON names a Python with opentimelineio (default .venv/bin/python). The start-up of the
# interpreter with its import is measured on its own and taken off; ours is not. RUNS
# (default 5) rounds; of each figure the least and the median are shown.
set -eu
cd "$(dirname "$0")/.."
PYTHON=${PYTHON:-.venv/bin/python}
RUNS=${RUNS:-5}
cargo build --release --quiet --bin platesmith
ours=${CARGO_TARGET_DIR:-target}/release/platesmith
folder=$(mktemp -d)
trap 'rm -r "$folder"' EXIT
mkdir "$folder/media"
[ $# -gt 0 ] || set -- 2500 25000
for clips in "$@"; do
    python3 benches/big_cut.py "$clips" "$folder/$clips"
done
"$PYTHON" - "$RUNS" "$PYTHON" "$ours" "$folder" "$@" <<'END'
import os, shutil, statistics, subprocess, sys, time

runs, python, ours, folder = int(sys.argv[1]), *sys.argv[2:5]
sizes = sys.argv[5:]


def once(command):
    """Wall time, processor time and largest memory of one run."""
    start = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    # 1: a shot needs a person, which is no fault.
    assert os.waitstatus_to_exitcode(status) in (0, 1), command
    wall = time.perf_counter() - start
    return wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def commands(clips):
    cut, log = f"{folder}/{clips}/cut.otio", f"{folder}/{clips}/log.csv"
    load = "import opentimelineio as o"
    check = [ours, "check", cut, "--log", log]
    return {
        "start-up": [python, "-c", load],
        "library read": [python, "-c", f"{load}; o.adapters.read_from_file({cut!r})"],
        "check --no-picture": [*check, "--no-picture"],
        "check --no-picture --json": [*check, "--no-picture", "--json"],
        "check --media EMPTY": [*check, "--media", f"{folder}/media"],
        "turnover --no-picture": [ours, "turnover", cut, "--log", log, "--no-picture",
                                  "-o", f"{folder}/out"],
    }


least = {}
for clips in sizes:
    taken = {name: [] for name in commands(clips)}
    for _ in range(runs):
        for name, command in commands(clips).items():
            shutil.rmtree(f"{folder}/out", ignore_errors=True)
            taken[name].append(once(command))
    size = os.path.getsize(f"{folder}/{clips}/cut.otio") / 1e6
    print(f"{clips} clips, {size:.1f} MB, {2 * int(clips)} records; load {os.getloadavg()[0]:.1f}")
    for at, kind in enumerate(["wall", "processor"]):
        of = lambda name, pick: pick(run[at] for run in taken[name])
        start = {pick: of("start-up", pick) for pick in (min, statistics.median)}
        theirs = {pick: of("library read", pick) - start[pick] for pick in start}
        print(f"  {kind}: library read {theirs[min] * 1e3:.0f} ms least, "
              f"{theirs[statistics.median] * 1e3:.0f} median (start-up {start[min] * 1e3:.0f} ms "
              "taken off)")
        for name in list(taken)[2:]:
            figures = {pick: of(name, pick) for pick in start}
            said = [f"{figures[pick] * 1e3:.0f} ms {word}, ratio {figures[pick] / theirs[pick]:.2f}"
                    for pick, word in ((min, "least"), (statistics.median, "median"))]
            least[clips, kind, name] = figures[min]
            grown = least.get((sizes[0], kind, name))
            more = f"; {figures[min] / grown:.1f} times {sizes[0]}" if clips != sizes[0] else ""
            print(f"    {name}: {'; '.join(said)}{more}")
    memory = {name: max(run[2] for run in taken[name]) for name in list(taken)[1:]}
    print("  memory: " + ", ".join(f"{name} {size:.0f} MB" for name, size in memory.items()))
END
