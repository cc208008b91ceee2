// A strict reader of cut lists: every column as standards of the trade have them (measured on lists in circulation; SMPTE 258M was
// not read). Timecodes are read by smpte-timecode. Usage: edl_columns.js FILE RATE
'use strict';
const Timecode = require('smpte-timecode');
const [file, rateName] = process.argv.slice(2);
const text = require('fs').readFileSync(file, 'latin1');
const nominal = { '23.976': [24000, 1001], 24: 24, 25: 25, '29.97df': [30000, 1001], '29.97ndf': [30000, 1001], 30: 30, 50: 50, '59.94df': [60000, 1001], '59.94ndf': [60000, 1001], 60: 60 };
const rate = nominal[rateName];
const real = Array.isArray(rate) ? rate[0] / rate[1] : rate;
const drop = rateName.endsWith('df') && !rateName.endsWith('ndf');
let wrong = 0;
function check(fine, what) {
  if (!fine && ++wrong <= 20) console.log(`${rateName}: ${what}`);
}
const frames = (label) => Timecode(label, rate, drop).frameCount;
const day = () => Timecode('23:59:59' + (drop ? ';' : ':') + String(Math.round(real) - 1), rate, drop).frameCount + 1;

check(/^[\x20-\x7e\r\n]*$/.test(text), 'a character that is not ASCII');
check(text.endsWith('\r\n'), 'the last line has no end');
const lines = text.split('\r\n').slice(0, -1);
check(/^TITLE: .{1,70}$/.test(lines[0]), `first line: ${lines[0]}`);
check(lines[1] === `FCM: ${drop ? 'DROP FRAME' : 'NON-DROP FRAME'}`, `second line: ${lines[1]}`);

// 1-3 event, 6-13 reel, 15-18 track, 21-24 transition, 26-28 its length, 30 source in, 42 source out, 54 record in, 66 record out
const at = (line, from, to) => line.slice(from - 1, to);
const EXPECTED = [[110, 130], [150, 180], [300, 330], [900, null]]; // seconds of the dive; the last was left open
let record = frames(drop ? '01:00:00;00' : '01:00:00:00');
const zero = frames(drop ? '10:00:00;00' : '10:00:00:00');
const events = lines.slice(2).filter((line) => !line.startsWith('* '));
check(events.length === EXPECTED.length, `${events.length} events`);
events.forEach((line, i) => {
  check(line.length === 76, `event ${i + 1} has ${line.length} columns`);
  check(at(line, 1, 3) === String(i + 1).padStart(3, '0'), `event number ${at(line, 1, 3)}`);
  for (const blank of [[4, 5], [14, 14], [19, 20], [25, 29], [41, 41], [53, 53], [65, 65]])
    check(at(line, ...blank).trim() === '', `event ${i + 1}: column ${blank[0]} is not blank`);
  check(at(line, 6, 13) === 'CAM1    ', `reel '${at(line, 6, 13)}'`);
  check(['V', 'A', 'AA', 'B', 'AA/V'].includes(at(line, 15, 18).trim()), `track '${at(line, 15, 18)}'`);
  check(at(line, 21, 24) === 'C   ', `transition '${at(line, 21, 24)}'`);
  const labels = [30, 42, 54, 66].map((column) => at(line, column, column + 10));
  labels.forEach((label) => check(drop ? label[8] === ';' : label[8] === ':', `separator of ${label}`));
  const [sourceIn, sourceOut, recordIn, recordOut] = labels.map(frames); // throws for a label that does not exist
  check(sourceOut - sourceIn === recordOut - recordIn && sourceOut > sourceIn, `event ${i + 1}: durations differ`);
  check(recordIn === record, `event ${i + 1}: the record side does not run on`);
  record = recordOut % day();
  if (!EXPECTED[i]) return;
  const [from, to] = EXPECTED[i];
  check(sourceIn - zero === Math.floor(from * real + 1e-6), `event ${i + 1} begins at frame ${sourceIn - zero}`);
  // the frame in force at the end is the last one
  if (to !== null) check(sourceOut - zero === Math.floor(to * real + 1e-6) + 1, `event ${i + 1} ends at frame ${sourceOut - zero}`);
});
console.log(`${rateName}: ${events.length} events, ${wrong} differences`);
process.exit(wrong === 0 ? 0 : 1);
