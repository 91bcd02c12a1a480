#!/usr/bin/env bash
# Opens a turnover's timelines with programs that read OpenTimelineIO, and finds out which frame
# of which file each shows. By hand only: it installs nothing, and leaves out what is missing.
# Needs: the rendered sample show, ffmpeg, and
#   a Python environment named by HOSTS_VENV with
#     pip install opentimelineio==0.18.1 otio-mlt-adapter otio-xges-adapter opentimelineio-raven setuptools==66.1.1
#   apt-get install melt ges1.0-tools gstreamer1.0-plugins-good gstreamer1.0-libav xvfb imagemagick
#   HOSTS_VENV=FOLDER benches/hosts.sh [OUT]
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
venv=$(realpath "${HOSTS_VENV:?names a Python environment, see the head of this file}")
program=$(realpath "${PLATESMITH:-target/debug/platesmith}")
show=$(realpath samples/quillhaven)
[ -e "$show/media/A002C001.mov" ] || { echo "hosts: render the sample show first: scripts/demo" >&2; exit 2; }
out=$(realpath -m "${1:-$(mktemp -d)}")
mkdir -p "$out"
ln -sfn "$show/media" "$out/media"
cd "$out"
has() { command -v "$1" >/dev/null || { echo "SKIPPED: no program $1"; return 1; }; }

# Two uses, one without boom and one with a plate, both ProRes 640x360 at 24 frames a second.
"$venv/bin/python" - "$show/cut.otio" cut.otio <<'PY'
import sys
import opentimelineio as otio
whole = otio.adapters.read_from_file(sys.argv[1])
cut = otio.schema.Timeline(name="hosts")
cut.tracks.append(otio.schema.Track(name="V1", kind=otio.schema.TrackKind.Video))
cut.tracks[0].extend(clip.deepcopy() for clip in whole.find_clips() if clip.name in ("12-31-1", "15-35-1"))
otio.adapters.write_to_file(cut, sys.argv[2])
PY
"$program" turnover cut.otio --log "$show/log.csv" --media media -o . --with-temp --zero-based \
  --no-review || [ $? -eq 1 ]
timelines=(annotated annotated_zero temp_cut temp_cut_zero)

# The cut of 78 + 60 frames: cut frame 40 is frame 112 of the first take, cut frame 100 is frame
# 30 of a plate or temp comp with 8 frames of handle. Right is the highest figure at 0.
held() { # RENDER CUT_FRAME SOURCE SOURCE_FRAME
  local step
  for step in -2 -1 0 1 2; do
    printf '  %+d: %s dB' $step "$(ffmpeg -nostdin -i "$1" -i "$3" -lavfi \
      "[0:v]select=eq(n\,$2),format=yuv420p,setpts=0[a];[1:v]select=eq(n\,$(($4 + step))),format=yuv420p,setpts=0[b];[a][b]psnr" \
      -frames:v 1 -f null - 2>&1 | sed -n 's/.*PSNR y:\([^ ]*\) .*/\1/p')"
  done
  printf '   %s\n' "$(basename "$3")"
}
held_both() { # RENDER TIMELINE
  [ -s "$1" ] || { echo "  nothing was rendered"; return; }
  held "$1" 40 media/A001C001.mov 112
  case $2 in
    temp_cut*) held "$1" 100 temp/*_TEMP01_v001.mov 30 ;;
    *) held "$1" 100 plates/*_CP01_v001.mov 30 ;;
  esac
}

for name in "${timelines[@]}"; do
  echo "== $name: the library's own inspectors"
  "$venv/bin/otiostat" "$name.otio" | grep -E 'parsed|clips|duration'
  "$venv/bin/otiocat" "$name.otio" >"$name.cat" && echo "otiocat: read and written"
  "$venv/bin/otiotool" -i "$name.otio" --verify-media --list-markers
done

printf '%s\n' description=hosts frame_rate_num=24 frame_rate_den=1 width=640 height=360 progressive=1 \
  sample_aspect_num=1 sample_aspect_den=1 display_aspect_num=16 display_aspect_den=9 colorspace=709 >profile
if has melt; then
  for name in "${timelines[@]}"; do
    echo "== $name: MLT"
    "$venv/bin/otioconvert" -i "$name.otio" -o "$name.mlt"
    QT_QPA_PLATFORM=offscreen timeout 120 melt -profile profile "$name.mlt" \
      -consumer "avformat:$name.melt.mkv" vcodec=ffv1 an=1 pix_fmt=yuv420p >melt.log 2>&1 || tail -n 3 melt.log
    held_both "$name.melt.mkv" "$name"
  done
fi

# The adapter hands addresses on as they are, and this engine takes absolute ones alone.
if has ges-launch-1.0; then
  for name in "${timelines[@]}"; do
    echo "== $name: GStreamer Editing Services"
    "$venv/bin/python" - "$name" <<'PY'
import pathlib
import sys
import opentimelineio as otio
timeline = otio.adapters.read_from_file(sys.argv[1] + ".otio")
for clip in timeline.find_clips():
    clip.media_reference.target_url = pathlib.Path(clip.media_reference.target_url).resolve().as_uri()
otio.adapters.write_to_file(timeline, sys.argv[1] + ".xges")
PY
    timeout 120 ges-launch-1.0 --load "$name.xges" --track-types video \
      --video-caps 'video/x-raw,width=640,height=360,framerate=24/1' \
      -o "$name.ges.mkv" -f 'video/x-matroska:image/jpeg' >ges.log 2>&1 || tail -n 3 ges.log
    held_both "$name.ges.mkv" "$name"
  done
fi

if has Xvfb && has import && has "$venv/bin/raven"; then
  Xvfb :97 -screen 0 1400x900x24 >/dev/null 2>&1 &
  screen=$!
  trap 'kill $screen' EXIT
  sleep 2
  for name in "${timelines[@]}"; do
    echo "== $name: viewer, look at $out/$name.png"
    DISPLAY=:97 LIBGL_ALWAYS_SOFTWARE=1 timeout 9 "$venv/bin/raven" "$name.otio" &
    viewer=$!
    sleep 6
    DISPLAY=:97 import -window root "$name.png"
    wait $viewer || true
  done
fi
echo "files are in $out"
