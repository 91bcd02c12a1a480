#!/usr/bin/env bash
# Compares measuring with `ffmpeg -f null` on the same frames in one run, the two taking turns
# so that a busy machine slows both. Prints the best of each and the ratio, once with the plate
# known and once looked for, each with all frames held against the plate and with every second.
# usage: benches/measure_speed.sh [TURNS]
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
turns=${1:-3}
cargo build --quiet --release --example measure_speed
export PLATESMITH_CACHE=off # what was kept would be read, not measured
ours=target/release/examples/measure_speed
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT

# A still set with grain, a dark bar that comes in from above after the plate and leaves again.
make() {
  local name=$1 size=$2; shift 2
  ffmpeg -v error -nostdin -f lavfi -i "testsrc2=size=$size:rate=24:duration=0.04,loop=loop=95:size=1" \
    -f lavfi -i "color=c=0x303030:size=$(( ${size%x*} / 24 ))x${size#*x}:rate=24" \
    -filter_complex "[0:v]noise=alls=8:allf=t[set];[set][1:v]overlay=x=main_w/3:y='if(between(n,24,71),-h*0.6,if(between(n,20,23),-h*(0.6+0.1*(24-n)),if(between(n,72,75),-h*(0.6+0.1*(n-71)),-h)))':shortest=0" \
    -frames:v 96 "$@" "$folder/$name"
}
make prores_uhd.mov 3840x2160 -c:v prores_ks -profile:v 3 -pix_fmt yuv422p10le
make dnxhr_uhd.mov 3840x2160 -c:v dnxhd -profile:v dnxhr_hqx -pix_fmt yuv422p10le
make prores_hd.mov 1920x1080 -c:v prores_ks -profile:v 3 -pix_fmt yuv422p10le

seconds() { python3 -c 'import subprocess,sys,time
t=time.time(); subprocess.run(sys.argv[1:],check=True,stdout=subprocess.DEVNULL); print(time.time()-t)' "$@"; }
least() { printf '%s\n%s\n' "$1" "$2" | sort -g | head -1; }
# Where all frames are held against the plate, and where every second one is.
for file in "$folder"/*.mov; do
  plain=9999
  declare -A best=()
  for _ in $(seq "$turns"); do
    plain=$(least "$plain" "$(seconds ffmpeg -v error -nostdin -threads 2 -i "$file" -map 0:V:0 -f null -)")
    for every in 1 2; do
      best[known$every]=$(least "${best[known$every]:-9999}" "$(seconds "$ours" "every=$every" "$file" 2 0 18)")
      best[unknown$every]=$(least "${best[unknown$every]:-9999}" "$(seconds "$ours" "every=$every" "$file" 2)")
    done
  done
  for every in 1 2; do
    python3 - "$(basename "$file")" "$every" "${best[known$every]}" "${best[unknown$every]}" "$plain" <<'P'
import sys
name, every, known, unknown, plain = sys.argv[1], sys.argv[2], *map(float, sys.argv[3:])
print(f"{name:18} every {every}: ffmpeg {plain:.2f} s; plates known {known/plain:.2f} (to reach 1.15), looked for {unknown/plain:.2f} (to reach 1.6)")
P
  done
done
