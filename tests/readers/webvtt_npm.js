// webvtt_npm.js CAPTIONS MARKERS DIVES: see webvtt_npm.sh
'use strict';
const { WebVTTParser } = require('webvtt-parser');
const fs = require('fs');

const [captions, markersFile, divesFile] = process.argv.slice(2);
const lines = (file) => fs.readFileSync(file, 'utf8').split('\n').filter(Boolean).map((line) => JSON.parse(line));
const markers = lines(markersFile);
const begun = Date.parse(lines(divesFile)[0].begun);
let wrong = 0;
function expect(holds, why) {
  if (!holds && ++wrong <= 20) console.log(why);
}

const entities = { '&amp;': '&', '&lt;': '<', '&gt;': '>' };
const { cues, errors } = new WebVTTParser(entities).parse(fs.readFileSync(captions, 'utf8'));
expect(errors.length === 0, `errors: ${JSON.stringify(errors)}`);

// The text of a cue as a viewer sees it. A tag that the parser finds would be one that somebody typed into a note.
function shown(node) {
  if (node.type === 'text') return node.value;
  expect(!node.name, `a tag <${node.name}> came through`);
  return (node.children || []).map(shown).join('');
}

const standing = markers.filter((marker) => !marker.struck && Date.parse(marker.utc) + 4000 > begun);
expect(standing.length >= 20, `only ${standing.length} markers`);
expect(markers.some((marker) => marker.struck), 'no struck marker to leave out');
expect(cues.length === standing.length, `${cues.length} cues for ${standing.length} markers`);
let last = 0;
for (const cue of cues) {
  const marker = standing.find((one) => one.id === cue.id);
  if (!marker) {
    expect(false, `cue ${cue.id} has no marker that stands`);
    continue;
  }
  // the cue is rounded down from nanoseconds, the UTC texts too: within two milliseconds
  const start = Math.max(0, (Date.parse(marker.utc) - begun) / 1000);
  expect(Math.abs(cue.startTime - start) < 0.0021, `${cue.id} starts at ${cue.startTime}, not ${start}`);
  expect(cue.endTime > cue.startTime, `${cue.id} ends before it starts`);
  expect(cue.startTime >= last, `${cue.id} starts before the cue above it`);
  last = cue.startTime;
  const text = shown(cue.tree);
  expect(text.startsWith(marker.label), `${cue.id} does not begin with ${marker.label}: ${text}`);
  if (marker.note) expect(text.includes(marker.note.replace(/\n/g, ' ')), `${cue.id} lacks its note: ${text}`);
}
console.log(wrong === 0 ? `${cues.length} cues read as they were made` : `${wrong} wrong`);
process.exit(wrong === 0 ? 0 : 1);
