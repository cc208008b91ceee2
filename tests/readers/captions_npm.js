// Reads captions with parsers of others and compares them with the markers as SQLite gives them. Usage: captions_npm.js FOLDER RATE
'use strict';
const fs = require('fs');
const { WebVTTParser } = require('webvtt-parser');
const SrtParser = require('srt-parser-2').default;
const [folder, rate] = process.argv.slice(2);
const markers = JSON.parse(fs.readFileSync(`${folder}/markers.json`, 'utf8'));
const T0 = 1930000000000; // the dive's begin, ms
const fps = { 25: [25, 1], '29.97df': [30000, 1001], '59.94df': [60000, 1001] }[rate];
const hour10 = { 25: 900000, '29.97df': 1078920, '59.94df': 2157840 }[rate]; // frames to 10:00:00:00
const packets = Object.fromEntries(fs.readFileSync(`${folder}/packets`, 'utf8').trim().split('\n').map((line) => line.split(' ')));
let wrong = 0;
function check(fine, what) {
  if (!fine && ++wrong <= 20) console.log(`${rate}: ${what}`);
}

// the parser's own table knows these without their semicolon alone
const ENTITIES = { '&amp;': '&', '&lt;': '<', '&gt;': '>' };
function readVtt(name) {
  const tree = new WebVTTParser(ENTITIES).parse(fs.readFileSync(`${folder}/${name}`, 'utf8'), 'subtitles');
  check(tree.errors.length === 0, `${name}: ${JSON.stringify(tree.errors[0])}`);
  const text = (node) => (node.type === 'text' ? node.value : (node.children || []).map(text).join(''));
  return tree.cues.map((cue) => ({ start: cue.startTime, end: cue.endTime, text: cue.tree ? text(cue.tree) : cue.text }));
}

function readSrt(name) {
  const cues = new SrtParser().fromSrt(fs.readFileSync(`${folder}/${name}`, 'utf8'));
  cues.forEach((cue, i) => check(Number(cue.id) === i + 1, `${name}: cue ${cue.id} is number ${i + 1}`));
  return cues.map((cue) => ({ start: cue.startSeconds, end: cue.endSeconds, text: cue.text }));
}

// Where a marker lies in the video, in whole ms, rounded down as captions are.
function startOf(marker, how) {
  if (how === 'utc') return marker.ms - T0;
  return Math.floor(((marker.frame - hour10) * fps[1] * 1000) / fps[0] + 1e-9);
}

const NOTE = { vtt: 'a <b> & "c" ]]>  {d} =;#\\  \ufffd line --> two', srt: 'a ‹b› & "c" ]]›  (d} =;#\\  \ufffd line --› two' };
for (const how of ['utc', 'timecode']) {
  const expected = markers.filter((marker) => how === 'utc' || marker.frame !== null);
  for (const kind of ['vtt', 'srt']) {
    const name = `${how}.${kind}`;
    const cues = kind === 'vtt' ? readVtt(name) : readSrt(name);
    check(cues.length === expected.length, `${name}: ${cues.length} cues of ${expected.length} markers`);
    check(Number(packets[name]) === cues.length, `${name}: ffprobe finds ${packets[name]}`);
    expected.forEach((marker, i) => {
      const cue = cues[i];
      if (!cue) return;
      const ms = Math.round(cue.start * 1000);
      check(ms === startOf(marker, how), `${name} ${marker.ref}: at ${ms} ms, not ${startOf(marker, how)}`);
      check(cue.text.startsWith(marker.label), `${name} ${marker.ref}: '${cue.text}' does not begin with ${marker.label}`);
      if (marker.note) check(cue.text.endsWith(NOTE[kind]), `${name} ${marker.ref}: ${JSON.stringify(cue.text)}`);
    });
  }
  for (const kind of ['vtt', 'srt']) {
    const name = `overlay-${how}.${kind}`;
    const cues = kind === 'vtt' ? readVtt(name) : readSrt(name);
    check(cues.length === 1201 || (how === 'timecode' && cues.length === 1200), `${name}: ${cues.length} cues of 1201 seconds`);
    check(Number(packets[name]) === cues.length, `${name}: ffprobe finds ${packets[name]}`);
    cues.forEach((cue, i) => {
      check(cue.start === i && cue.end === i + 1, `${name}: cue ${i} from ${cue.start} to ${cue.end}`);
      const stamp = Date.parse(`${cue.text.slice(0, 10)}T${cue.text.slice(11, 19)}Z`);
      // whole seconds are shown; by timecode a second may begin a nanosecond before that of UTC
      check(stamp === T0 + i * 1000 || (how === 'timecode' && stamp === T0 + (i - 1) * 1000), `${name}: cue ${i} says ${cue.text}`);
    });
  }
}
console.log(`${rate}: ${markers.length} markers, by UTC and by timecode, ${wrong} differences`);
process.exit(wrong === 0 ? 0 : 1);
