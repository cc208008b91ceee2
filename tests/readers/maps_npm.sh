#!/bin/sh
# GeoJSON against check-geojson, GPX and KML against togeojson (npm, ISC and BSD), gpsbabel and xmllint. Usage: maps_npm.sh BUILD
set -eu
build=${1:?say the build folder}
here=$(cd "$(dirname "$0")" && pwd)
. "$here/npm.inc"
needs sqlite3 sqlite3
needs gpsbabel gpsbabel
needs xmllint libxml2-utils
npm_packages maps @placemarkio/check-geojson@0.1.14 @tmcw/togeojson@7.1.3 @xmldom/xmldom@0.9.12
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
export_dive 25
sqlite3 -readonly -json "$work/dive.db" \
    "SELECT ref, label, note, struck, utc_ns / 1000000 AS ms, lat_deg, lon_deg, json_extract(channels, '\$.\"vehicle.depth_m\".v') AS depth_m
     FROM marker_now ORDER BY number" >"$work/markers.json"
for format in geojson gpx kml; do
    dive_export "$format" "$work/dive.$format"
done
xmllint --noout "$work/dive.gpx" "$work/dive.kml"
# what gpsbabel makes of both: as many points as there are, in its own GPX
gpsbabel -t -w -i gpx -f "$work/dive.gpx" -o gpx -F "$work/gpx-again.gpx"
gpsbabel -t -w -i kml -f "$work/dive.kml" -o gpx -F "$work/kml-again.gpx"
node "$here/maps_npm.js" "$work"
