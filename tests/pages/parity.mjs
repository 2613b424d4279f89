// What was done on the pages, done once more by commands on a site of its own: the same answers, word for word, but for
// what no two runs share (times, nonces, passcodes, who did it).
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { newSite, start, touchmark } from './server.mjs';
import { firstAccount } from './newcomer.mjs';

/// Fields that differ between any two runs.
const OWN = new Set(['added', 'received', 'began', 'changed', 'started', 'started_us', 'ended', 'microseconds', 'at', 'by', 'nonce', 'challenge', 'elements', 'signature',
  'discriminator', 'sequence', 'entry', 'entries', 'root', 'log', 'reasons', 'from']);

function plain(value) {
  if (Array.isArray(value)) return value.map(plain);
  if (value === null || typeof value !== 'object') return value;
  return Object.fromEntries(Object.entries(value).filter(([key]) => !OWN.has(key)).map(([key, v]) => [key, plain(v)]));
}

const told = (program, site, ...args) => plain(JSON.parse(touchmark(program, site, ...args)));

/// The site that the pages have set up and worked ten units on, made again by commands.
export function madeByCommands(program, data) {
  const site = newSite(program, 'Tern & Hollow, line 2');
  const run = (...args) => touchmark(program, site, ...args);
  run('authority', 'adopt', join(data, 'authority/paa-a.pem'));
  run('declaration', 'adopt', join(data, 'reel-a/declaration.der'), '--signer', join(data, 'reel-a/declaration-signer.pem'));
  run('product', 'add', 'Tern Vent', '--vendor', 'FFF2', '--product', '8A21', '--device-type', '0x0202', '--reach', 'ble,ip');
  run('reel', 'receive', join(data, 'reel-a/manifest.csv'), '--reel', 'A', '--product', 'Tern Vent');
  run('delivery', 'receive', join(data, 'reel-a/delivery.zip'), '--reel', 'A');
  run('chip', 'simulate', '--out', join(site, 'chips-a'), '--keys', join(data, 'reel-a/simulated-keys.ndjson'));
  run('provision', '--reel', 'A', '--station', 'S1', '--chips', `simulated:${site}/chips-a`, '--units', '10', '--serial-start', 'TV-000001');
  return site;
}

export function same(e) {
  const { program, site, data } = e;
  const other = madeByCommands(program, data);
  for (const ask of [['product', 'list'], ['authority', 'list'], ['declaration', 'list'], ['reel', 'show', 'A'], ['delivery', 'show', 'A-1'], ['reconcile']]) {
    assert.deepEqual(told(program, site, ...ask), told(program, other, ...ask), ask.join(' '));
  }
  for (let n = 1; n <= 10; n += 1) {
    const ask = ['unit', 'show', `TV-${String(n).padStart(6, '0')}`];
    const [page, command] = [told(program, site, ...ask), told(program, other, ...ask)];
    // The pages scan labels; the command left them to `label print`.
    assert.ok(page.labels.length > 0 && command.labels.length === 0);
    assert.deepEqual({ ...page, labels: [] }, { ...command, labels: [] }, ask.join(' '));
  }
}

/// A run of labels as the page gave it is the command's of the same site, octet by octet; what the command says of it.
export function samePdf(program, site, pdf, out, ...args) {
  const said = JSON.parse(touchmark(program, site, 'label', 'print', ...args, '--sheet', 'a4', '--out', out));
  assert.ok(pdf.equals(readFileSync(out)), `the page prints what label print ${args.join(' ')} prints`);
  return said;
}

/// Deliveries with faults: the page shows the rules, places and counts that the command tells.
export async function sameFindings(e) {
  const { program, data, context } = e;
  const ready = () => {
    const site = newSite(program, 'Tern & Hollow, receiving');
    touchmark(program, site, 'authority', 'adopt', join(data, 'authority/paa-a.pem'));
    touchmark(program, site, 'product', 'add', 'Tern Vent', '--vendor', 'FFF2', '--product', '8A21', '--device-type', '0x0202', '--reach', 'ble');
    touchmark(program, site, 'reel', 'receive', join(data, 'reel-a/manifest.csv'), '--reel', 'A', '--product', 'Tern Vent');
    return site;
  };
  const [one, other] = [ready(), ready()];
  const server = await start(program, one);
  const page = await context.newPage();
  try {
    await firstAccount(page, server.first);
    for (const name of ['broken-signature.tar.gz', 'dac-not-on-reel.tar.gz', 'pai-missing.tar.gz']) {
      const file = join(data, 'faulty', name);
      await page.goto(`${server.address}/deliveries`);
      await page.locator('input[name=file]').setInputFiles(file);
      await page.getByRole('button', { name: 'Inspect it' }).click();
      await page.locator('#came-item h3 .state').waitFor({ timeout: 60_000 });
      const shown = await page.locator('#came-item .finding').evaluateAll((all) => all.map((f) => [
        f.querySelector('summary b').textContent,
        f.querySelector('summary .state').textContent,
        [...f.querySelectorAll('tbody tr')].map((row) => [...row.cells].slice(0, 2).map((c) => c.textContent)),
      ]));
      const command = refused(program, other, 'delivery', 'receive', file, '--reel', 'A');
      const wanted = new Map();
      for (const f of command.findings) {
        const key = `${f.rule} ${f.severity}`;
        wanted.set(key, [...(wanted.get(key) ?? []), [f.subject, f.found]]);
      }
      assert.deepEqual(shown.map(([rule, severity]) => `${rule} ${severity}`).sort(), [...wanted.keys()].sort(), name);
      for (const [rule, severity, places] of shown) assert.deepEqual(places, wanted.get(`${rule} ${severity}`).slice(0, 50), `${name}: ${rule}`);
      assert.match(await page.locator('#came-item').innerText(), new RegExp(`${command.certificates.read} certificates read, ${command.certificates.accepted} kept`), name);
    }
  } finally {
    await page.close();
    await server.stop();
  }
}

/// The answer of a command that refuses.
function refused(program, site, ...args) {
  try {
    return JSON.parse(execFileSync(program, ['--site', site, '--json', ...args], { encoding: 'utf8', stdio: ['ignore', 'pipe', 'ignore'] }));
  } catch (e) {
    return JSON.parse(e.stdout);
  }
}
