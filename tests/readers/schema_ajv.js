// schema_ajv.js SCHEMAS LIST SOCKET: see schema_ajv.sh
'use strict';
const Ajv = require('ajv/dist/2020');
const fs = require('fs');
const net = require('net');
const path = require('path');

const [folder, listFile, socketPath] = process.argv.slice(2);
const base = 'https://bellrope.example/schema/';
const ajv = new Ajv({ strict: true, strictRequired: false, strictTypes: false, allErrors: false });
for (const name of fs.readdirSync(folder)) {
  if (name.endsWith('.json')) ajv.addSchema(JSON.parse(fs.readFileSync(path.join(folder, name), 'utf8')));
}

let wrong = 0;
const seen = {};
function complain(what, value, why) {
  if (++wrong <= 10) console.log(`${what}: ${why}\n  ${JSON.stringify(value).slice(0, 600)}`);
}
function validator(ref) {
  const found = ajv.getSchema(base + ref);
  if (!found) throw new Error(`no schema ${ref}`);
  return found;
}
function holds(ref, value) {
  const check = validator(ref);
  seen[ref] = (seen[ref] || 0) + 1;
  if (!check(value)) complain(ref, value, ajv.errorsText(check.errors));
}
function fails(ref, value, why) {
  seen[`not ${ref}`] = (seen[`not ${ref}`] || 0) + 1;
  if (validator(ref)(value)) complain(ref, value, `accepted although ${why}`);
}

// 1. Events and rows of any content; the same with a member missing, added or of another type must not pass.
for (const line of fs.readFileSync(listFile, 'utf8').split('\n').filter(Boolean)) {
  const at = line.indexOf(' ');
  const kind = line.slice(0, at);
  const value = JSON.parse(line.slice(at + 1));
  const ref = kind === 'event' ? 'events.json' : `rows.json#/$defs/${kind}`;
  holds(ref, value);
  fails(ref, { ...value, whale: 1 }, 'it has a member that is not described');
  const required = kind === 'event' ? ['seq', 'type', 'dive'] : kind === 'dive' ? ['id', 'open'] : ['seq', 'id', 'number'];
  for (const name of required) {
    const less = { ...value };
    delete less[name];
    fails(ref, less, `${name} is missing`);
    fails(ref, { ...value, [name]: {} }, `${name} is an object`);
  }
}

// 2. A living daemon.
const M = 'methods.json#/$defs/';
const good = [
  ['status', {}], ['hello', { token: 'x' }], ['dives', {}], ['markers', {}], ['subscribe', { since: 0 }],
  ['dive.begin', { id: 'D007', site: 'north wall' }], ['seat', { seat: 'science', who: 'R. Ode' }],
  ['press', { key: 'A1' }], ['press', { key: 'C1', note: 'two "small" \n ones' }], ['press', { key: 'A2', seat: 'science', ago_s: 1.5 }],
  ['press', { key: 'A3', at_utc: new Date(Date.now() - 60000).toISOString() }],
  ['sample', { container: 'box 1', note: 'a sponge' }], ['remark', { ref: 'last', text: 'well seen', by: 'R. Ode' }],
  ['identify', { ref: 'S1', name: 'Gadus morhua', qualifier: 'cf.', why: 'fin rays' }],
  ['size', { ref: 'S1', pixels: 350, laser_pixels: 200 }],
  ['retime', { ref: 'M2', at_utc: new Date(Date.now() - 2000).toISOString(), why: 'seen on the video', by: 'R. Ode' }],
  ['size', { ref: 'S1', pixels: 351.5, laser_pixels: 199, spacing_m: 0.1, spacing_sigma_m: 0, pixel_sigma: 2, note: 'snout to tail', by: 'R. Ode' }],
  ['press', { key: 'A4', by: 'R. Ode', at_utc: new Date(Date.now() - 3000).toISOString(), dive: 'D007' }],
  ['strike', { ref: 'M1', why: 'slip' }], ['strike', { ref: 'M1', undo: true }], ['seat', { seat: 'science', who: '' }],
  ['markers', { limit: 2 }], ['markers', { dive: 'D007', after: 2, newest: true, limit: 10 }], ['sightings', {}], ['samples', {}],
  ['markers', { dive: '' }], ['unsubscribe', {}], ['unsubscribe', {}], ['subscribe', { since: 0, types: ['marker', 'dive'] }],
  ['dive.end', {}], ['press', { key: 'A1' }], ['dives', { limit: 1 }], ['status', {}],
];
// Calls that the daemon refuses although their shape is right, with the code it must give.
const refused = [
  ['dive.end', {}, -32000], ['press', { key: 'no such key' }, -32002], ['dive.begin', { id: 'D007' }, -32005],
  ['remark', { ref: 'D007-M9999', text: 'x' }, -32002, -32602], ['identify', { ref: 'D007-M1', name: 'Aphia' }, -32602],
  ['clap', {}, -32005], ['markers', { dive: 'D099' }, -32013], ['subscribe', { since: 9007199254740991 }, -32602],
];
// Calls of the wrong shape: schema and daemon must agree that they are wrong.
const bad = [
  ['press', {}], ['press', { key: '' }], ['press', { key: 3 }], ['press', { key: 'A1', ago: 3 }], ['press', { key: 'A1', ago_s: -1 }],
  ['press', { key: 'A1', ago_s: 1, at_utc: '2031-03-04T05:06:07Z' }], ['press', { key: 'x'.repeat(48) }], ['dive.begin', { id: 'D 7' }],
  ['dive.begin', { id: '' }], ['dive.begin', {}], ['remark', { ref: 'M1', text: '' }], ['remark', { ref: 'M1', text: 'x'.repeat(2048) }],
  ['strike', { ref: 'M1', undo: 1 }], ['seat', { seat: 'nav' }], ['subscribe', { types: ['whale'] }], ['subscribe', { types: [] }],
  ['subscribe', { since: -1 }], ['markers', { limit: 0 }], ['markers', { limit: 10001 }], ['markers', { after: 1.5 }], ['status', { a: 1 }],
  ['hello', {}], ['identify', { ref: 'S1' }], ['size', { ref: 'S1', pixels: 0, laser_pixels: 1 }], ['size', { ref: 'S1', pixels: 3 }], ['retime', { ref: 'M1' }], ['sample', {}], ['sample', { container: 'x'.repeat(24) }],
];

const socket = net.connect(socketPath);
const waiting = new Map();
let number = 0;
let rest = '';
let events = 0;
let lastSeq = 0;
const types = new Set();

function message(line) {
  const value = JSON.parse(line);
  if (value.method === 'event') {
    holds('messages.json#/$defs/event', value);
    events++;
    types.add(value.params.type);
    if (value.params.seq <= lastSeq) complain('event', value, `seq after ${lastSeq}`);
    lastSeq = value.params.seq;
    return;
  }
  holds(`messages.json#/$defs/${value.error ? 'error' : 'result'}`, value);
  const done = waiting.get(value.id);
  waiting.delete(value.id);
  if (done) done(value);
  else complain('response', value, 'nobody asked');
}
socket.on('data', (bytes) => {
  rest += bytes.toString('utf8');
  const lines = rest.split('\n');
  rest = lines.pop();
  lines.forEach(message);
});
socket.on('error', (error) => {
  console.log(`socket: ${error.message}`);
  process.exit(1);
});

function call(method, params) {
  const request = { jsonrpc: '2.0', id: ++number, method, params };
  holds('messages.json#/$defs/request', request);
  if (method === 'subscribe' && params.since === 0) lastSeq = 0;
  return new Promise((resolve) => {
    waiting.set(number, resolve);
    socket.write(JSON.stringify(request) + '\n');
  });
}

async function talk() {
  for (const [method, params] of good) {
    holds(`${M}${method}.params`, params);
    const answer = await call(method, params);
    if (answer.error) complain(method, params, `refused: ${answer.error.message}`);
    else holds(`${M}${method}.result`, answer.result);
  }
  for (const [method, params, ...codes] of refused) {
    holds(`${M}${method}.params`, params);
    const answer = await call(method, params);
    if (!answer.error || !codes.includes(answer.error.code)) complain(method, answer, `expected ${codes} for ${JSON.stringify(params)}`);
  }
  for (const [method, params] of bad) {
    fails(`${M}${method}.params`, params, 'it is wrong');
    const answer = await call(method, params);
    if (!answer.error || answer.error.code !== -32602) complain(method, answer, `expected -32602 for ${JSON.stringify(params)}`);
  }
  for (const method of Object.keys(ajv.getSchema(base + 'methods.json').schema.$defs)) {
    const name = method.replace(/\.(params|result)$/, '');
    if (![...good, ...refused].some(([called]) => called === name)) complain(name, name, 'described but never called');
  }
  socket.end();
}

talk().then(() => {
  const count = (test) => Object.entries(seen).reduce((sum, [name, n]) => sum + (test(name) ? n : 0), 0);
  console.log(`${count((n) => !n.startsWith('not '))} texts hold, ${count((n) => n.startsWith('not '))} spoilt ones do not; ` +
    `${events} live events of types ${[...types].sort().join(' ')}`);
  console.log(wrong === 0 ? 'all as described' : `${wrong} wrong`);
  process.exit(wrong === 0 ? 0 : 1);
});
