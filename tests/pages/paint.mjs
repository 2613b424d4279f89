// node paint.mjs PROGRAM [--into FILE]: how soon each page is seen on the machine that serves it. PROGRAM should be a
// release build. A figure for people to read, never a test that fails.
//
// Server: the browser's own resource timing, from request to the answer's last octet. First paint: what Chromium tells as
// first-contentful-paint (W3C Paint Timing), counted from the start of the navigation. Both are medians. The first row is
// the browser's own floor in the same run: one word, from a server that does nothing.
import { readFileSync, writeFileSync } from 'node:fs';
import { createServer } from 'node:http';
import { cpus, release, totalmem } from 'node:os';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { open } from './browser.mjs';
import { start, touchmark } from './server.mjs';
import { firstAccount, setStation } from './newcomer.mjs';
import { madeByCommands } from './parity.mjs';

const program = process.argv[2];
const into = process.argv.indexOf('--into') > 0 ? process.argv[process.argv.indexOf('--into') + 1] : undefined;
const ROUNDS = 11;
const PAGES = [
  ['Sign in', '/sign-in'], ['Line', '/line'], ['Stations', '/stations'], ['A station', '/stations/S1'], ['Report, asked', '/report?reel=A&worst_hour=on'],
  ['Reels', '/reels'], ['A reel, 400 chips', '/reels/A'], ['Deliveries', '/deliveries'], ['A delivery', '/deliveries/A-1'], ['Authorities', '/authorities'],
  ['Declarations', '/declarations'], ['Fit', '/fit'], ['Plan, asked', '/plan?good=5000&yield=0.985&takt=20'], ['Products', '/products'], ['Examine', '/examine'],
  ['Labels', '/labels'], ['Units', '/units'], ['A unit', '/units/TV-000001'], ['Impact, asked', '/impact?reel=A'], ['Evidence', '/evidence'], ['Revocation', '/revocation'], ['Log', '/log'], ['People', '/people'],
];

const data = join(dirname(fileURLToPath(import.meta.url)), '../data');
const median = (numbers) => [...numbers].sort((a, b) => a - b)[Math.floor(numbers.length / 2)];
const site = madeByCommands(program, data);
const server = await start(program, site);
const floor = createServer((_, answer) => answer.setHeader('content-type', 'text/html').end('<!doctype html><title>floor</title><p>floor'));
await new Promise((resolve) => { floor.listen(0, '127.0.0.1', resolve); });
const context = await open();
try {
  const page = await context.newPage();
  await firstAccount(page, server.first);
  await setStation(page, server.address, 'S1');
  const browser = await context.newCDPSession(page);
  const seen = async (path) => {
    await page.goto(path.startsWith('/') ? server.address + path : path, { waitUntil: 'load' });
    return page.evaluate(() => new Promise((resolve) => {
      const told = () => {
        const paint = performance.getEntriesByName('first-contentful-paint')[0];
        if (!paint) { setTimeout(told, 10); return; }
        const at = performance.getEntriesByType('navigation')[0];
        resolve({ server: at.responseEnd - at.requestStart, paint: paint.startTime });
      };
      told();
    }));
  };
  const rows = [];
  for (const [name, path] of [['*one word, from a server that does nothing*', `http://127.0.0.1:${floor.address().port}/`], ...PAGES]) {
    const [kept, empty] = [[], []];
    await seen(path);
    for (let n = 0; n < ROUNDS; n += 1) kept.push(await seen(path));
    for (let n = 0; n < 5; n += 1) {
      await browser.send('Network.clearBrowserCache');
      empty.push(await seen(path));
    }
    rows.push([name, median(kept.map((s) => s.server)), median(kept.map((s) => s.paint)), median(empty.map((s) => s.paint))]);
  }
  const version = (await browser.send('Browser.getVersion')).product;
  const ms = (n) => n.toFixed(n < 10 ? 1 : 0);
  const slowest = rows.slice(1).reduce((a, b) => (b[2] > a[2] ? b : a));
  const table = [
    '| page | server, ms | first paint, ms | with an empty cache, ms |', '| --- | ---: | ---: | ---: |',
    ...rows.map(([name, ...numbers]) => `| ${name} | ${numbers.map(ms).join(' | ')} |`), '',
    `Medians of ${ROUNDS} visits (5 with an empty cache) to a site with 400 chips and ten units, over loopback, by \`node tests/pages/paint.mjs PROGRAM --into docs/pages.md\` on`,
    `${cpus().length} cores of ${cpus()[0].model.trim()}, ${Math.round(totalmem() / 2 ** 30)} GiB, Linux ${release().split('-')[0]}, ${version.replace('/', ' ')}, load ${readFileSync('/proc/loadavg', 'utf8').split(' ')[0]}. The slowest first paint is that of “${slowest[0]}”: ${ms(slowest[2])} ms. The first row is the browser's own floor in the same run: what stands above it is ours. A load well above the number of cores makes every row slower, that one too.`,
  ].join('\n');
  console.log(table);
  if (into) {
    const text = readFileSync(into, 'utf8');
    const [begin, end] = ['<!-- first paint -->', '<!-- /first paint -->'];
    const [from, to] = [text.indexOf(begin), text.indexOf(end)];
    if (from < 0 || to < from) throw new Error(`${into} has no place marked ${begin}`);
    writeFileSync(into, `${text.slice(0, from)}${begin}\n${table}\n${text.slice(to)}`);
  }
} finally {
  await context.close();
  floor.close();
  await server.stop();
}
