#!/bin/sh
# Compares our decoding with `ffmpeg -f null` on the same files in one run, the two taking
# turns so that a busy machine slows both. Prints the best of three of each, and the ratio.
# usage: benches/decode_speed.sh [THREADS] [FILE...]; without files it makes its own.
set -eu
threads=${1:-2}
[ $# -gt 0 ] && shift
cargo build --quiet --example decode_speed # the decoding itself is in the libraries
ours=$(dirname "$0")/../target/debug/examples/decode_speed
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
if [ $# -eq 0 ]; then
    make() {
        name=$1; size=$2; frames=$3; shift 3
        ffmpeg -v error -nostdin -f lavfi -i "testsrc2=size=$size:rate=24,noise=alls=12:allf=t" \
            -frames:v "$frames" "$@" "$folder/$name"
    }
    make prores_hd.mov 1920x1080 96 -c:v prores_ks -profile:v 3 -pix_fmt yuv422p10le
    make prores_uhd.mov 3840x2160 24 -c:v prores_ks -profile:v 3 -pix_fmt yuv422p10le
    make dnxhr_hd.mxf 1920x1080 96 -c:v dnxhd -profile:v dnxhr_hq -pix_fmt yuv422p
    make h264_hd.mp4 1920x1080 120 -c:v libx264 -preset veryfast -g 24 -bf 2 -pix_fmt yuv420p
    make ffv1_hd.mkv 1920x1080 48 -c:v ffv1 -level 3 -g 1 -slicecrc 1 -pix_fmt yuv422p10le
    set -- "$folder"/*
fi
seconds() { python3 -c 'import subprocess,sys,time
t=time.time(); subprocess.run(sys.argv[1:],check=True,stdout=subprocess.DEVNULL); print(time.time()-t)' "$@"; }
for file in "$@"; do
    best_ours=9999; best_ffmpeg=9999
    for turn in 1 2 3; do
        a=$(seconds "$ours" "$file" "$threads")
        b=$(seconds ffmpeg -v error -nostdin -threads "$threads" -i "$file" -map 0:V:0 -f null -)
        best_ours=$(printf '%s\n%s\n' "$a" "$best_ours" | sort -g | head -1)
        best_ffmpeg=$(printf '%s\n%s\n' "$b" "$best_ffmpeg" | sort -g | head -1)
    done
    printf '%-20s %s threads: ours %.2f s, ffmpeg %.2f s, ratio %.2f\n' "$(basename "$file")" \
        "$threads" "$best_ours" "$best_ffmpeg" "$(python3 -c "print($best_ours/$best_ffmpeg)")"
done
