#!/usr/bin/env bash
# Says how long `inspect` takes for an HD proxy against the take's own length: to be answered
# before the next set-up, it has to be less than half. Two threads decode; run it on two cores
# with `taskset -c 0,1`. Twice: a take that leaves nothing to be wished, and one whose light
# changes, so that every plate is tried.
# usage: benches/inspect_speed.sh [SECONDS]
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
length=${1:-120}
cargo build --quiet --release
export PLATESMITH_CACHE=off # what was kept would be read, not measured
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT

# A still set with grain, somebody who walks to and fro, a pole that comes in and goes out.
make() {
  local name=$1 light=$2 last=$((length * 24 - 120))
  ffmpeg -v error -nostdin -f lavfi -i "testsrc2=size=1920x1080:rate=24:duration=0.04,loop=loop=-1:size=1" \
    -f lavfi -i "color=c=0x303030:size=70x900:rate=24" -f lavfi -i "color=c=0x6a4a3a:size=260x520:rate=24" \
    -filter_complex "[0:v]boxblur=2,eq=contrast=0.5:eval=frame:brightness='$light',noise=alls=6:allf=t[set];
      [set][2:v]overlay=x='1300+150*sin(n/40)':y=560[people];
      [people][1:v]overlay=x='main_w/3+20*sin(n/25)':y='-h+h*0.4*clip(min(n-120\,$last-n)/8\,0\,1)',format=yuv420p" \
    -t "$length" -c:v libx264 -preset veryfast -crf 24 -timecode 10:00:00:00 "$folder/$name"
}
make steady_proxy.mov 0
make sunny_proxy.mov '0.02*sin(n/200)'
for file in "$folder"/*.mov; do
  python3 - "$length" target/release/platesmith inspect "$file" <<'P'
import subprocess, sys, time
length, command = float(sys.argv[1]), sys.argv[2:]
begin = time.time()
said = subprocess.run(command, stdout=subprocess.PIPE, text=True).stdout
took = time.time() - begin
print(f"{command[-1].rsplit('/', 1)[1]}: {took / length:.2f} of the take's length (to reach .50); {said.splitlines()[0]}")
P
done
