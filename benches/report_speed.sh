#!/bin/sh
# Weighs the report of 500 shots and times how long a browser needs to open it from disk.
#
# usage: benches/report_speed.sh [TURNOVER MEDIA [SHOTS]]
#
# Without arguments a turnover of three shots of the sample show is made and repeated
# (examples/big_report.rs: pictures are real, of another frame each time). RUNS (default 5) visits;
# `load` is what the page's own clock says when all of it has loaded, `painted` the wall time of the
# whole browser until it has written a picture of the window, without that of an empty page, the two
# taking turns.
set -eu
cd "$(dirname "$0")/.."
RUNS=${RUNS:-5}
browser=$(command -v chromium || command -v chromium-browser)
cargo build --release --quiet --bin platesmith --example big_report
built=${CARGO_TARGET_DIR:-target}/release
folder=$(mktemp -d)
trap 'rm -r "$folder"' EXIT
show=samples/quillhaven
if [ $# -lt 2 ]; then
    "$built/platesmith" turnover $show/three_shots.otio --log $show/log.csv --media $show/media \
        -o "$folder/out" --no-review --quiet || [ $? -eq 1 ]
    set -- "$folder/out" $show/media
fi
"$built/examples/big_report" "$1" "$2" "$folder/report.html" "${3:-500}"
python3 - "$RUNS" "$browser" "$folder" <<'END'
import os, re, statistics, subprocess, sys, time

runs, browser, folder = int(sys.argv[1]), *sys.argv[2:]
probe = """<script>addEventListener("load", () => {
  console.log(`loaded ${Math.round(performance.now())} ms`);
});</script></body>"""
pages = {"empty": "<!doctype html><title>empty</title><body></body>",
         "report": open(f"{folder}/report.html", encoding="utf-8").read()}
for name, page in pages.items():
    with open(f"{folder}/{name}_timed.html", "w", encoding="utf-8") as out:
        out.write(page.replace("</body>", probe))
walls, loads = {name: [] for name in pages}, []
for _ in range(runs):
    for name in pages:
        start = time.perf_counter()
        ran = subprocess.run(
            [browser, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
             f"--user-data-dir={folder}/profile", f"--screenshot={folder}/{name}.png",
             "--window-size=1280,900", "--enable-logging=stderr",
             f"file://{folder}/{name}_timed.html"], capture_output=True, text=True)
        walls[name].append(time.perf_counter() - start)
        if name == "report":
            loads.append(int(re.search(r"loaded (\d+) ms", ran.stderr)[1]) / 1e3)
size = os.path.getsize(f"{folder}/report.html") / 1e6
both = lambda times: f"{min(times):.2f} s least, {statistics.median(times):.2f} median"
over = [report - empty for report, empty in zip(walls["report"], walls["empty"])]
print(f"page {size:.1f} MB; load {os.getloadavg()[0]:.1f}")
print(f"  load: {both(loads)}")
print(f"  painted: {both(over)} over an empty page ({both(walls['empty'])})")
END
