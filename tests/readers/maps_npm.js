// Reads maps with the libraries of others and compares them with the markers as SQLite gives them. Usage: maps_npm.js FOLDER
'use strict';
const fs = require('fs');
const path = require('path');
const { DOMParser } = require('@xmldom/xmldom');
const { pathToFileURL } = require('url');
const folder = process.argv[2];
const read = (name) => fs.readFileSync(`${folder}/${name}`, 'utf8');
const markers = JSON.parse(read('markers.json'));
const placed = markers.filter((marker) => !marker.struck && marker.lat_deg !== null);
let wrong = 0;
function check(fine, what) {
  if (!fine && ++wrong <= 20) console.log(what);
}
const near = (a, b, by) => Math.abs(a - b) <= by;

// Signed area by the shoelace rule: outer rings of polygons run counter-clockwise (RFC 7946, 3.1.6).
function area(ring) {
  return ring.reduce((sum, [x, y], i) => sum + (i ? ring[i - 1][0] * y - x * ring[i - 1][1] : 0), 0) / 2;
}

function checkLines(lines, what) {
  for (const line of lines) {
    check(line.length >= 2, `${what}: a line of ${line.length} points`);
    for (let i = 1; i < line.length; i++) check(Math.abs(line[i][0] - line[i - 1][0]) < 180, `${what}: a line jumps over the antimeridian`);
    for (const [lon, lat] of line) check(lon >= -180 && lon <= 180 && lat >= -90 && lat <= 90, `${what}: ${lon} ${lat}`);
  }
}

function checkGeojson(checker) {
  const map = checker.check(read('dive.geojson')); // throws where anything is wrong
  check(!('crs' in map), 'geojson: it has a crs');
  const ids = new Set();
  let lines = 0;
  for (const feature of map.features) {
    check(!ids.has(feature.id), `geojson: two features ${feature.id}`);
    ids.add(feature.id);
    const geometry = feature.geometry;
    if (geometry && geometry.type === 'MultiLineString') {
      checkLines(geometry.coordinates, `geojson ${feature.id}`);
      lines += geometry.coordinates.length;
    }
    if (geometry && geometry.type === 'Polygon') check(area(geometry.coordinates[0]) > 0, `geojson ${feature.id}: winding`);
  }
  for (const marker of markers) {
    const feature = map.features.find((each) => each.id === marker.ref);
    check(feature && feature.properties.struck === Boolean(marker.struck), `geojson: ${marker.ref}`);
    if (!feature || !placed.includes(marker)) {
      check(feature && feature.geometry === null, `geojson: ${marker.ref} is on the map`);
      continue;
    }
    const [lon, lat] = feature.geometry.coordinates;
    check(near(lon, marker.lon_deg, 1e-7) && near(lat, marker.lat_deg, 1e-7), `geojson: ${marker.ref} at ${lon} ${lat}`);
  }
  return `${map.features.length} features, ${lines} lines`;
}

const xml = (name) => new DOMParser({ onError: (level, text) => check(level === 'warning' && text.startsWith('Unicode replacement character'), `${name}: ${level} ${text}`) }).parseFromString(read(name), 'text/xml');
const points = (map) => map.features.filter((feature) => feature.geometry && feature.geometry.type === 'Point');

function checkPoints(found, name) {
  check(found.length === placed.length, `${name}: ${found.length} points of ${placed.length} markers`);
  placed.forEach((marker, i) => {
    if (!found[i]) return;
    const [lon, lat, up] = found[i].geometry.coordinates;
    check(near(lon, marker.lon_deg, 1e-6) && near(lat, marker.lat_deg, 1e-6), `${name}: ${marker.ref} at ${lon} ${lat}`);
    check(near(up, -marker.depth_m, 0.01), `${name}: ${marker.ref} is ${up} m up`);
    const time = found[i].properties.time || found[i].properties.timestamp;
    if (marker.ms !== null) check(Date.parse(time) === marker.ms, `${name}: ${marker.ref} at ${time}`);
  });
}

function checkGpx(togeojson) {
  const map = togeojson.gpx(xml('dive.gpx'));
  checkPoints(points(map), 'gpx');
  const nasty = points(map).find((feature) => feature.properties.name === 'D007-M0003');
  check(nasty.properties.cmt === 'a <b> & "c" ]]>  {d} =;#\\  \ufffd line --> two', `gpx: ${JSON.stringify(nasty.properties.cmt)}`);
  const tracks = map.features.filter((feature) => feature.properties._gpxType === 'trk');
  const lengths = tracks.map((track) => track.geometry.coordinates.flat(track.geometry.type === 'MultiLineString' ? 1 : 0).length);
  check(lengths.join() === '500,1200', `gpx: tracks of ${lengths} points`);
  const times = tracks[0].properties.coordinateProperties.times.flat();
  check(times.length === 500 && times.every((time, i) => i === 0 || time > times[i - 1]), 'gpx: times of the track');
  return `${points(map).length} waypoints, tracks of ${lengths.join(' and ')} points`;
}

function checkKml(togeojson) {
  const map = togeojson.kml(xml('dive.kml'));
  const samples = new Set(['D007-A001', 'D007-A002']);
  checkPoints(points(map).filter((feature) => !samples.has(feature.properties.id)), 'kml');
  check(points(map).length === placed.length + 2, `kml: ${points(map).length} points`);
  const tracks = map.features.filter((feature) => feature.properties.name === 'Track');
  const count = tracks.reduce((sum, track) => sum + track.geometry.coordinates.length, 0);
  check(tracks.length === 2 && count === 500, `kml: ${tracks.length} tracks of ${count} points`);
  tracks.forEach((track) => check(track.properties.coordinateProperties.times.length === track.geometry.coordinates.length, 'kml: times'));
  const ways = map.features.filter((feature) => feature.properties.name === 'Way');
  ways.forEach((way) => checkLines(way.geometry.geometries.map((line) => line.coordinates), 'kml'));
  return `${points(map).length} points, tracks of ${count} points`;
}

function checkAgain(name, waypoints, trackPoints) {
  const count = (element) => read(name).split(`<${element} `).length - 1;
  check(count('wpt') === waypoints, `${name}: gpsbabel found ${count('wpt')} waypoints of ${waypoints}`);
  check(count('trkpt') === trackPoints, `${name}: gpsbabel found ${count('trkpt')} track points of ${trackPoints}`);
}

async function main() {
  const module = (name, file) => import(pathToFileURL(path.join(process.env.NODE_PATH, name, file)));
  const entry = (name) => {
    const about = JSON.parse(fs.readFileSync(path.join(process.env.NODE_PATH, name, 'package.json'), 'utf8'));
    return about.module || about.main;
  };
  const checker = await module('@placemarkio/check-geojson', entry('@placemarkio/check-geojson'));
  const togeojson = await module('@tmcw/togeojson', entry('@tmcw/togeojson'));
  console.log(`geojson: ${checkGeojson(checker)}`);
  console.log(`gpx: ${checkGpx(togeojson)}`);
  console.log(`kml: ${checkKml(togeojson)}`);
  checkAgain('gpx-again.gpx', placed.length, 1700);
  const vertices = read('dive.kml').split('<coordinates>').slice(1).map((text) => text.split('</')[0].trim().split(/\s+/)).filter((list) => list.length > 1);
  checkAgain('kml-again.gpx', placed.length + 2, 500 + vertices.flat().length);
  console.log(`${markers.length} markers, ${wrong} differences`);
  process.exit(wrong === 0 ? 0 : 1);
}
main();
