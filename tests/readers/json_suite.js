// json_suite.js SUITE SOCKET: see json_suite.sh
'use strict';
const net = require('net');

const PARSE = -32700;

async function main() {
  const [suite, path] = process.argv.slice(2);
  const { parsing } = await import(suite);
  const socket = net.createConnection(path);
  let rest = '';
  const waiting = [];
  socket.setEncoding('utf8');
  socket.on('data', text => {
    rest += text;
    for (let at; (at = rest.indexOf('\n')) >= 0; rest = rest.slice(at + 1)) waiting.shift()(JSON.parse(rest.slice(0, at)));
  });
  socket.on('close', () => { if (waiting.length) { console.log('the daemon closed the connection'); process.exit(1); } });
  const ask = text => new Promise(done => { waiting.push(done); socket.write(text + '\n'); });
  const marker = '{"jsonrpc":"2.0","id":"alive","method":"status"}';
  const count = { y: 0, n: 0, i: 0, skipped: 0 };
  let wrong = 0;
  for (const { name, input } of parsing) {
    // The socket frames by lines: a text with a line end in it is several, an empty one none. Both are tried elsewhere.
    if (/[\r\n]/.test(input) || input === '') { count.skipped++; continue; }
    const answer = await ask(input);
    const error = Array.isArray(answer) ? undefined : answer.error;
    // Numbers that do not fit and lines that are too long have a code of their own.
    const refused = error && (error.code === PARSE || /^(not one JSON text|the line is longer)/.test(error.message));
    const kind = name[0];
    count[kind]++;
    if ((kind === 'y' && error && error.code === PARSE) || (kind === 'n' && !refused)) {
      wrong++;
      console.log(`${name}: ${refused ? 'refused' : 'taken'}: ${input.slice(0, 80)} -> ${JSON.stringify(answer).slice(0, 160)}`);
    }
    const alive = await ask(marker);
    if (alive.id !== 'alive' || !alive.result) { console.log(`${name}: the connection did not go on`); process.exit(1); }
  }
  socket.destroy();
  console.log(`${count.y} must be taken, ${count.n} must be refused, ${count.i} left open by RFC 8259, ` +
              `${count.skipped} not one line: ${wrong} wrong`);
  process.exit(wrong === 0 && count.y > 50 && count.n > 100 ? 0 : 1);
}
main();
