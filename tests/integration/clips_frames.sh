#!/bin/sh
# Clips and stills, frame by frame: video in which every frame carries its number in its pixels is made at 25, 29.97 drop-frame and 59.94
# drop-frame, cut by `bellrope clips`, decoded again and read. Exact clips and stills must have just the frames that the dive's timecode
# says; a copy must have what its index says, without a hole.
# Usage: clips_frames.sh BUILD
set -eu
build=$(cd "${1:?say the build folder}" && pwd)
here=$(cd "$(dirname "$0")" && pwd)
for program in ffmpeg ffprobe jq cc; do
    command -v "$program" >/dev/null || { echo "skipped: $program is not installed"; exit 77; }
done
for program in bellrope export_captions; do
    [ -x "$build/$program" ] || { echo "skipped: $build/$program is not built"; exit 77; }
done
rope=$build/bellrope
dir=$(mktemp -d "${TMPDIR:-/tmp}/bellrope-clips.XXXXXX")
trap 'rm -rf "$dir"' EXIT
# a clip's file names come from outside: nothing in them may be taken for anything but a name
odd="$dir/odd %d, 'name'"
mkdir "$odd"
cc -O1 -o "$dir/framecode" "$here/framecode.c"

failures=0
wrong() {
    echo "FAILED: $*"
    failures=$((failures + 1))
}
same() { # WHAT IS SHOULD
    [ "$2" = "$3" ] || wrong "$1 is '$2' and should be '$3'"
}

# The frame in force S (in ms) after the dive's begin, which is frame 0 and has label 10:00:00:00.
frame_at() { echo $(($1 * num / (den * 1000))); }
# As many frames as cover so many ms.
cover() { echo $((($1 * num + den * 1000 - 1) / (den * 1000))); }

h264="-c:v libx264 -preset ultrafast -crf 20 -c:a aac -b:a 64k"
codec=$h264

# FILE FIRST COUNT OPTIONS...: a recording whose frames are numbered from FIRST
record() {
    file=$1 first=$2 count=$3
    shift 3
    label=$("$rope" timecode 10:00:00:00 --rate "$rate" --add "$first" --json | jq -r .timecode)
    # shellcheck disable=SC2086 # several options
    "$dir/framecode" make "$first" "$count" |
        ffmpeg -nostdin -v error -y -f rawvideo -pix_fmt yuv420p -s 160x96 -r "$num/$den" -i - \
            -f lavfi -i "sine=f=300:r=48000" -shortest $codec "$@" -timecode "$label" "file:$file" ||
        wrong "ffmpeg could not make $file"
}

# FILE: the numbers in its frames, "FIRST COUNT" if they are a run.
numbers() {
    ffmpeg -nostdin -v error -i "file:$1" -map 0:v:0 -fps_mode passthrough -f rawvideo -pix_fmt gray - |
        "$dir/framecode" read |
        awk 'NR == 1 { first = $1 } $1 != first + NR - 1 { print "frame", NR - 1, "shows", $1; bad = 1; exit }
             END { if (!bad) print first, NR }'
}

# Every clip of a folder shows what its index says, and carries the timecode of its first frame.
check_clips() {
    jq -r '.clips[] | [.file, .video, .from_frame, .frames, .timecode] | join(" ")' "$1/index.json" >"$dir/list"
    while read -r clip of from frames begins; do
        eval "base=\$base_$of"
        same "$rate $1: $clip" "$(numbers "$1/$clip")" "$((base + from)) $frames"
        same "$rate $1: the timecode of $clip" "$(ffprobe -v error -select_streams v:0 -show_entries stream_tags=timecode,TIMECODE -of csv=p=0 "file:$1/$clip")" "$begins"
    done <"$dir/list"
}

# Every still shows the frame of its marker; MARKER:MS is what the dive was made with.
check_stills() {
    for pair in ${2:-3:112000 4:115480 5:152000 6:160000}; do
        for still in "$1/stills/D007-M000${pair%%:*}".*.png; do
            same "$rate $1: ${still##*/}" "$(numbers "$still")" "$(frame_at "${pair#*:}") 1"
        done
    done
}

try_rate() {
    rate=$1 num=$2 den=$3
    out=$dir/$rate
    mkdir "$out"
    "$build/export_captions" --make "$out" "$rate" >"$out/log" 2>&1 || { cat "$out/log"; wrong "no dive at $rate"; }
    base_A=$(frame_at 105000)
    base_B=$(frame_at 170000)
    base_CAM_2=$(frame_at 140000)
    # a recording in two files; long groups of pictures with frames out of order
    record "$odd/A.mov" "$base_A" $((base_B - base_A)) -g 250 -bf 3 -x264-params scenecut=0:b-adapt=0
    record "$odd/B.mov" "$base_B" $(($(frame_at 200000) - base_B)) -g 48 -bf 2
    # another camera, which also saw part of it
    record "$odd/CAM 2.mp4" "$base_CAM_2" $(($(frame_at 165000) - base_CAM_2)) -g 12
    videos=3

    "$rope" clips --db "$out/dive.db" --dive D007 "$odd/A.mov" "$odd/B.mov" "$odd/CAM 2.mp4" -o "$out/copy" >"$out/copy.txt" ||
        wrong "$rate: clips ended with $?"
    "$rope" clips --db "$out/dive.db" --dive D007 "$odd/A.mov" "$odd/B.mov" "$odd/CAM 2.mp4" --exact -o "$out/exact" >"$out/exact.txt" ||
        wrong "$rate: clips --exact ended with $?"
    check_clips "$out/copy"
    check_clips "$out/exact"
    check_stills "$out/copy"
    same "$rate: videos" "$(jq '.videos | length' "$out/copy/index.json")" $videos
    same "$rate: methods of the copy" "$(jq -r '[.clips[].method] | unique | join(" ")' "$out/copy/index.json")" copy
    same "$rate: methods of the exact cut" "$(jq -r '[.clips[].method] | unique | join(" ")' "$out/exact/index.json")" exact
    same "$rate: frames beyond the wanted in the exact cut" "$(jq '[.clips[] | .extra_before + .extra_after] | add' "$out/exact/index.json")" 0
    # the first sighting: pressed at 112 s with 2 s of lead, done at 130 s, 5 s of tail
    first=$(($(frame_at 112000) - $(cover 2000)))
    last=$(($(frame_at 130000) + $(cover 5000)))
    same "$rate: D007-S001" "$(numbers "$out/exact/clips/D007-S001.A.mp4")" "$first $((last - first + 1))"
    # the second lies in both files, without a hole or a frame twice, and in the other camera's
    first=$(($(frame_at 152000) - $(cover 2000)))
    last=$(($(frame_at 180000) + $(cover 5000)))
    same "$rate: D007-S002, first part" "$(numbers "$out/exact/clips/D007-S002.A.mp4")" "$first $((base_B - first))"
    same "$rate: D007-S002, second part" "$(numbers "$out/exact/clips/D007-S002.B.mp4")" "$base_B $((last - base_B + 1))"
    same "$rate: D007-S002, other camera" "$(numbers "$out/exact/clips/D007-S002.CAM_2.mp4")" "$first $(($(frame_at 165000) - first))"
    # the good view at 160 s: no lead of its own, so 5 s
    first=$(($(frame_at 160000) - $(cover 5000)))
    last=$(($(frame_at 160000) + $(cover 5000)))
    same "$rate: D007-M0006" "$(numbers "$out/exact/clips/D007-M0006.A.mp4")" "$first $((base_B < last + 1 ? base_B - first : last - first + 1))"
}

# Other containers find their frames in other ways: MXF with open groups, a transport stream without an index, Matroska with times in whole ms.
try_containers() {
    rate=25 num=25 den=1
    out=$dir/25
    first=$(frame_at 145000)
    label=$("$rope" timecode 10:00:00:00 --rate 25 --add "$first" --json | jq -r .timecode)
    codec="-c:v mpeg2video -b:v 4M -c:a pcm_s16le"
    record "$odd/mxf.mxf" "$first" 600 -g 12 -bf 2
    codec=$h264
    record "$odd/ts.mov" "$first" 600 -g 40 -bf 2
    ffmpeg -nostdin -v error -y -i "file:$odd/ts.mov" -map 0:v -map 0:a -c copy "file:$odd/ts.ts" || wrong "no transport stream"
    ffmpeg -nostdin -v error -y -i "file:$odd/ts.mov" -map 0:v -map 0:a -c copy "file:$odd/mkv.mkv" || wrong "no Matroska"
    base_mxf=$first base_ts=$first base_mkv=$first
    for file in mxf.mxf ts.ts mkv.mkv; do
        name=${file%.*}
        "$rope" clips --db "$out/dive.db" "$odd/$file" --video-start "$label" -o "$out/$name" >"$out/log" ||
            wrong "$file: clips ended with $?"
        same "$file: clips" "$(jq '.clips | length' "$out/$name/index.json")" 2
        check_clips "$out/$name"
        check_stills "$out/$name" "5:152000 6:160000"
    done
    same "methods of MXF with open groups" "$(jq -r '[.clips[].method] | unique | join(" ")' "$out/mxf/index.json")" exact
    same "methods of Matroska" "$(jq -r '[.clips[].method] | unique | join(" ")' "$out/mkv/index.json")" copy
}

# Would it be seen? A cut one frame late, as a careless one would be.
control() {
    ffmpeg -nostdin -v error -y -ss 10.04 -i "file:$odd/A.mov" -map 0:v -frames:v 25 $h264 -bf 0 "$dir/late.mp4"
    [ "$(numbers "$dir/late.mp4")" != "$((base_A + 250)) 25" ] || wrong "a cut that is one frame late is not seen"
    same "the control" "$(numbers "$dir/late.mp4")" "$((base_A + 251)) 25"
}

try_rate 25 25 1
control
try_containers
try_rate 29.97df 30000 1001
try_rate 59.94df 60000 1001

if [ "$failures" -gt 0 ]; then
    echo "$failures failures"
    exit 1
fi
echo "0 frames off: exact clips and stills at 25, 29.97 drop-frame and 59.94 drop-frame; copies are what their index says"
