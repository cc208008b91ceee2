#!/bin/sh
# Matroska chapters: valid by mkvtoolnix' own DTD, and through mkvmerge and mkvextract and back. Usage: matroska_mkvmerge.sh BUILD
set -eu
build=${1:?say the build folder}
here=$(cd "$(dirname "$0")" && pwd)
. "$here/npm.inc"
needs mkvmerge mkvtoolnix
needs mkvextract mkvtoolnix
needs xmllint libxml2-utils
needs ffmpeg ffmpeg
dtd=/usr/share/doc/mkvtoolnix/examples/matroskachapters.dtd
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
export_dive 25
dive_export matroska-chapters "$work/dive.xml"
if [ -f "$dtd" ]; then
    xmllint --noout --dtdvalid "$dtd" "$work/dive.xml"
elif [ -f "$dtd.gz" ]; then
    gunzip -c "$dtd.gz" >"$work/chapters.dtd"
    xmllint --noout --dtdvalid "$work/chapters.dtd" "$work/dive.xml"
else
    echo "mkvtoolnix' DTD is not on this machine; only the round trip is checked"
fi
ffmpeg -v error -f lavfi -i color=size=32x32:rate=1:duration=2 -pix_fmt yuv420p "$work/blank.mp4"
mkvmerge -q -o "$work/dive.mkv" --chapters "$work/dive.xml" "$work/blank.mp4"
mkvextract -q "$work/dive.mkv" chapters "$work/back.xml"
# the values that matter, one a line; mkvextract begins with a BOM and orders elements its own way
values() {
    xmllint --nonet --xpath '//ChapterAtom/*[self::ChapterTimeStart or self::ChapterTimeEnd or self::ChapterUID]/text()' "$1" | sort
    xmllint --nonet --xpath '//ChapterString/text()' "$1"
    xmllint --nonet --xpath '//EditionUID/text()' "$1"
    echo
}
values "$work/dive.xml" >"$work/written"
values "$work/back.xml" >"$work/read"
diff "$work/written" "$work/read"
count=$(xmllint --xpath 'count(//ChapterAtom)' "$work/dive.xml")
[ "$count" -eq 6 ] || { echo "$count chapters instead of 6"; exit 1; }
uids=$(xmllint --xpath '//ChapterUID/text()' "$work/dive.xml" | sort -u | wc -l)
[ "$uids" -eq 6 ] || { echo "$uids different UIDs of 6 chapters"; exit 1; }
echo "$count chapters valid by the DTD, the same through mkvmerge and mkvextract"
