// Reads what core_timecode --list prints and compares every line with smpte-timecode, both ways.
'use strict';
const Timecode = require('smpte-timecode');
const lines = require('fs').readFileSync(0, 'utf8').split('\n');

let rate = null;
let drop = false;
let wrong = 0;
let total = 0;
const counts = [];

function complain(line, why) {
  if (++wrong <= 10) console.log(`differs at ${rate.join('/')}${drop ? ' drop' : ''}: ${line}: ${why}`);
}

function rejects(label) {
  try {
    Timecode(label, rate, drop);
    return false;
  } catch (e) {
    return true;
  }
}

for (const line of lines) {
  const [kind, a, b, c] = line.split(' ');
  if (kind === 'r') {
    rate = [Number(a), Number(b)];
    drop = c === '1';
    counts.push({ rate: `${a}/${b}${drop ? ' drop' : ''}`, values: 0, refused: 0 });
    continue;
  }
  const count = counts[counts.length - 1];
  if (kind === 'f') {
    const label = Timecode(Number(a), rate, drop).toString();
    const frame = Timecode(b, rate, drop).frameCount;
    if (label !== b) complain(line, `it says ${label}`);
    if (frame !== Number(a)) complain(line, `it counts ${frame}`);
    count.values++;
    total++;
  } else if (kind === 'x') {
    if (!rejects(b)) complain(line, 'it accepts this label');
    count.refused++;
  }
}

for (const count of counts) {
  console.log(`${count.rate}: ${count.values} values compared both ways, ${count.refused} labels that must not exist`);
  if (count.values < 100000) {
    console.log('too few values');
    wrong++;
  }
}
console.log(`${total} values, ${wrong} differences`);
process.exit(wrong === 0 && counts.length === 10 ? 0 : 1);
