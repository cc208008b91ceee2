#!/bin/sh
# `bellrope clips` killed in the middle goes on where it was; videos that cannot be placed are said and left out; what cannot be copied is encoded.
# Usage: clips_resume.sh BUILD
set -eu
build=$(cd "${1:?say the build folder}" && pwd)
for program in ffmpeg ffprobe jq; do
    command -v "$program" >/dev/null || { echo "skipped: $program is not installed"; exit 77; }
done
for program in bellrope export_captions; do
    [ -x "$build/$program" ] || { echo "skipped: $build/$program is not built"; exit 77; }
done
rope=$build/bellrope
dir=$(mktemp -d "${TMPDIR:-/tmp}/bellrope-clips.XXXXXX")
trap 'rm -rf "$dir"' EXIT
cd "$dir"
failures=0
wrong() {
    echo "FAILED: $*"
    failures=$((failures + 1))
}
same() { # WHAT IS SHOULD
    [ "$2" = "$3" ] || wrong "$1 is '$2' and should be '$3'"
}
"$build/export_captions" --make "$dir" 25 >log 2>&1 || { cat log; exit 1; }
export BELLROPE_CONFIG=/nowhere

# ffmpeg as it is, but counted; the run with number KILL_AT kills who started it
real=$(command -v ffmpeg)
mkdir bin
cat >bin/ffmpeg <<END
#!/bin/sh
echo run >>"$dir/runs"
[ "\$(wc -l <"$dir/runs")" -ne "\${KILL_AT:-0}" ] || { kill -9 \$PPID; exit 1; }
exec "$real" "\$@"
END
chmod +x bin/ffmpeg
counted() { # KILL_AT ARGUMENTS...: how often ffmpeg ran
    kill_at=$1
    shift
    rm -f runs
    status=0
    PATH="$dir/bin:$PATH" KILL_AT=$kill_at "$rope" clips --db dive.db --dive D007 "$@" >out 2>err || status=$?
    runs=$(wc -l <runs)
}
picture() { # FILE SECONDS OPTIONS...
    file=$1 seconds=$2
    shift 2
    ffmpeg -nostdin -v error -y -f lavfi -i "testsrc=s=160x96:r=25:d=$seconds" -pix_fmt yuv420p "$@" "$file"
}

# ---- killed, and again ----
picture A.mov 65 -c:v libx264 -preset ultrafast -g 50 -timecode 10:01:45:00
counted 0 A.mov -o whole
same "the exit code" $status 0
all=$runs
same "pieces made" "$all" $(($(jq '(.clips + .stills) | length' whole/index.json)))
[ "$all" -ge 6 ] || wrong "only $all pieces: too few to interrupt"
counted 4 A.mov -o again
[ $status -ne 0 ] || wrong "the run that was killed ended with 0"
[ ! -e again/index.json ] || wrong "a run that was killed left an index"
printf '{"file":"clips/torn' >>again/journal.jsonl
(cd again && find clips stills -type f -exec ls -i {} + | sort) >before
counted 0 A.mov -o again
same "the second run's exit code" $status 0
same "pieces that the second run made" "$runs" $((all - 3))
(cd again && find clips stills -type f -exec ls -i {} + | sort) >after
grep -vxFf after before >lost || true
same "stills of the first run that were made anew" "$(grep -c png lost || true)" 0
[ ! -e again/.part ] || wrong "something is left in .part"
cmp -s whole/index.json again/index.json || wrong "the index differs from that of a run that was not interrupted"
for file in $(jq -r '.clips[].file, .stills[].still, .stills[].small, .clips[].captions, .clips[].chapters, .videos[].captions, .videos[].overlay' again/index.json); do
    cmp -s "whole/$file" "again/$file" || wrong "$file differs from that of a run that was not interrupted"
done
counted 0 A.mov -o again 2>/dev/null || true
same "runs of ffmpeg when all is there" "$(cat runs 2>/dev/null | wc -l)" 0
# another method makes clips anew, stills not; a piece that was spoilt is made again
counted 0 A.mov --exact -o again
same "pieces made for --exact" "$runs" "$(jq '.clips | length' again/index.json)"
still=$(jq -r '.stills[0].still' again/index.json)
echo x >>"again/$still"
counted 0 A.mov --exact -o again
same "pieces made after one was spoilt" "$runs" 1

# ---- where videos lie ----
cp A.mov B.mov
picture label.mkv 5 -r 30000/1001 -c:v libx264 -preset ultrafast -metadata 'timecode=00:01:00;00'
picture dated.mp4 20 -c:v libx264 -preset ultrafast -metadata creation_time=2031-02-27T23:08:25Z
picture nothing.mp4 5 -c:v libx264 -preset ultrafast
picture broadcast.mxf 20 -c:v mpeg2video -b:v 2M -g 12 -bf 2 -timecode 10:01:45:00
echo 'no video' >text.mov
counted 0 label.mkv dated.mp4 nothing.mp4 broadcast.mxf text.mov absent.mov -o mixed
same "the exit code where some are left out" $status 1
same "videos left out" "$(jq -r '[.left_out[].file] | join(" ")' mixed/index.json)" "label.mkv nothing.mp4 text.mov absent.mov"
grep -q '00:01:00;00 does not exist' err || wrong "the label that does not exist is not named"
same "the dated one is placed by" "$(jq -r '.videos[] | select(.name == "dated").placed_by' mixed/index.json)" "creation time"
same "the MXF begins at" "$(jq -r '.videos[] | select(.name == "broadcast").timecode' mixed/index.json)" 10:01:45:00
same "the press of marker 3 in both" "$(jq -r '[.stills[] | select(.marker == "D007-M0003").frame] | unique | join(" ")' mixed/index.json)" 175
grep -q 'nothing.mp4: it has neither a start timecode nor a creation time' err || wrong "nothing was said of what was left out"
# open groups of pictures cannot be copied
picture open.mov 30 -c:v libx264 -preset ultrafast -x264-params keyint=25:open-gop=1:bframes=2:b-adapt=0 -timecode 10:01:45:00
counted 0 open.mov -o open
jq -e '.clips | length > 0' open/index.json >/dev/null || wrong "nothing was cut of the open groups"
for file in $(jq -r '.clips[].file' open/index.json); do
    same "frames of $file" "$(ffprobe -v error -count_frames -select_streams v:0 -show_entries stream=nb_read_frames -of csv=p=0 "open/$file")" \
        "$(jq -r --arg file "$file" '.clips[] | select(.file == $file).frames' open/index.json)"
done
# what is said by hand counts
counted 0 nothing.mp4 --video-start 10:01:50:00 -o said
same "placed by hand" "$(jq -r '.videos[0].timecode' said/index.json)" 10:01:50:00
# two of one name
mkdir two
cp A.mov two/A.mov
counted 0 A.mov two/A.mov -o twins
same "two videos of one name" "$(jq -r '[.videos[].name] | join(" ")' twins/index.json)" "A A-2"
# the struck sighting is in nothing
grep -rqs 'D007-S003\|D007-M0007' whole/index.json whole/index.html whole/videos && wrong "a struck record was handed over"

[ "$failures" -eq 0 ] || { echo "$failures failures"; exit 1; }
echo "interrupted work went on, videos that cannot be placed were left out, all was said"
