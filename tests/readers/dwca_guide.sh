#!/bin/sh
# Darwin Core Archives by the rules of the text guide and the terms of tests/data/dwc, read by Info-ZIP's unzip and Python's own XML; the
# timecodes in them by smpte-timecode (npm, MIT). Usage: dwca_guide.sh BUILD
set -eu
build=${1:?say the build folder}
here=$(cd "$(dirname "$0")" && pwd)
. "$here/npm.inc"
needs unzip unzip
needs xmllint libxml2-utils
needs sqlite3 sqlite3
npm_packages timecode smpte-timecode@1.3.6
python=/usr/bin/python3
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cat >"$work/cruise.ini" <<'END'
[dataset]
title = Dives on Hollin Bank
institution_code = EXAMPLE
license = http://creativecommons.org/publicdomain/zero/1.0/
creator = Example
email = nobody@example.org
id_prefix = urn:example:hollin:
media_base = https://media.example.org/
END
echo '{"clips": [{"sighting": "D007-S001", "clip": "clips/a.mov", "stills": ["stills/a b.png"]}]}' >"$work/index.json"
for rate in 25 29.97df; do
    export_dive "$rate"
    for how in bare full; do
        rm -rf "$work/$how" "$work/$how.zip"
        if [ "$how" = full ]; then
            dive_export dwca "$work/full.zip" --dataset "$work/cruise.ini" --media "$work/index.json"
        else
            dive_export dwca "$work/bare.zip"
        fi
        unzip -tq "$work/$how.zip" >/dev/null
        unzip -q "$work/$how.zip" -d "$work/$how"
        xmllint --noout "$work/$how/meta.xml" "$work/$how/eml.xml"
        sqlite3 -readonly -json "$work/dive.db" \
            "SELECT ref, state, individuals, (SELECT timecode FROM marker_now m WHERE m.dive = g.dive AND m.number =
             (SELECT first_marker FROM sighting s WHERE s.dive = g.dive AND s.number = g.number)) AS timecode FROM sighting_now g" >"$work/sightings.json"
        $python "$here/dwca_guide.py" "$work/$how" "$here/../data/dwc" "$work/sightings.json" "$how" >"$work/timecodes"
        grep -v '^timecode ' "$work/timecodes"
    done
    node -e '
        const Timecode = require("smpte-timecode");
        const rates = { 25: [25, false], "29.97df": [[30000, 1001], true] };
        const lines = require("fs").readFileSync(0, "utf8").trim().split("\n").filter((line) => line.startsWith("timecode "));
        for (const line of lines) {
            const [, label, rate] = line.split(" ");
            if (Timecode(label, ...rates[rate]).toString() !== label) throw new Error(line);
        }
        if (lines.length < 6) throw new Error(`only ${lines.length} timecodes`);
        console.log(`${lines.length} timecodes of events are labels that exist`);
    ' <"$work/timecodes"
done
# what the check asks for is what the archive lacks
"$build/bellrope" check --db "$work/dive.db" --dataset "$work/cruise.ini" --json >"$work/missing" || true
for ref in $($python -c '
import csv, sys
for row in csv.DictReader(open(sys.argv[1], encoding="utf-8", newline="\n"), delimiter="\t", quoting=csv.QUOTE_NONE):
    if row["scientificName"] == "incertae sedis":
        print(row["recordNumber"])' "$work/full/occurrence.txt"); do
    grep -q "\"required\":true,\"id\":\"$ref\",\"term\":\"scientificName\"" "$work/missing" || { echo "the check does not ask for a name of $ref"; exit 1; }
done
echo "the check asks for each name that is missing"
