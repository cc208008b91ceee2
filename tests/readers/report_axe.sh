#!/bin/sh
# The report of a dive opened in headless Chromium and judged by axe-core (npm), an accessibility checker that is not ours: no violation at
# desktop and phone width, light and dark; nothing is fetched, nothing scrolls sideways. The dive is played by the rig as a tape.
# Usage: report_axe.sh BUILD      SHOTS=DIR leaves pictures and PDFs there
set -eu
build=$(cd "${1:?say the build folder}" && pwd)
here=$(cd "$(dirname "$0")" && pwd)
chromium=$(command -v chromium || command -v chromium-browser || true)
if [ -z "$chromium" ]; then
    echo "skipped: chromium is not installed"
    exit 77
fi
for program in bellrope bellrope-rig; do
    [ -x "$build/$program" ] || { echo "skipped: $build/$program is not built"; exit 77; }
done
. "$here/npm.inc"
npm_packages report puppeteer-core@24.8.2 axe-core@4.14.1
dir=$(mktemp -d "${TMPDIR:-/tmp}/bellrope-axe.XXXXXX")
trap 'rm -rf "$dir"' EXIT
cp "$here"/../../docs/plans/*.plan "$dir"
cp "$here/../data/dives/long.ini" "$dir"
sed 's/^ctd$/ctd extra 5/' "$here/../data/dives/try.rig" >"$dir/try.rig" # as many columns as the configuration names
cd "$dir"
"$build/bellrope-rig" --script try.rig --config long.ini --tape "$dir/dive.tape" --quiet >"$dir/log" 2>&1 || { cat "$dir/log"; exit 1; }
"$build/bellrope" replay "$dir/dive.tape" -o "$dir/dive.db" >"$dir/log" 2>&1 || { cat "$dir/log"; exit 1; }
"$build/bellrope" report --db "$dir/dive.db" --view-width-m 2.5 -o "$dir/report.html"
"$build/bellrope" report --db "$dir/dive.db" --for-shore -o "$dir/shore.html"
grep -q 'id="s1"' "$dir/report.html" || { echo "the dive has no sighting"; exit 1; }
grep -q 'id="salinity-svg-t"' "$dir/report.html" || { echo "no salinity is drawn"; exit 1; }
grep -q 'class="asked"' "$dir/shore.html" || { echo "nothing is asked of shore"; exit 1; }
node "$here/report_axe.js" "$chromium" "$dir/profile" "$dir/report.html" "$dir/shore.html"
