// Twenty station pages open at once, all working: nobody is forgotten, nothing is done twice.
import assert from 'node:assert/strict';
import { touchmark } from './server.mjs';
import { join } from 'node:path';

const STATIONS = 20;
const EACH = 3;

export async function load(e) {
  const { page, program, site, server } = e;
  touchmark(program, site, 'chip', 'simulate', '--out', join(site, 'chips-l'), '--count', String(STATIONS * EACH), '--seed', '99', '--manifest', join(site, 'l.csv'));
  touchmark(program, site, 'reel', 'receive', join(site, 'l.csv'), '--reel', 'L', '--product', 'Tern Vent');
  touchmark(program, site, 'delivery', 'issue', '--reel', 'L', '--issuer', 'Desk intermediate', '--passphrase-file', join(site, 'passphrase.txt'));
  await page.goto(`${server.address}/stations`);
  // The page's own word and cookie, over plain HTTP: twenty event streams as twenty pages hold them.
  const word = await page.evaluate(() => JSON.parse(document.body.getAttribute('hx-headers'))['x-form']);
  const cookie = (await page.context().cookies()).map((c) => `${c.name}=${c.value}`).join('; ');
  const headers = { cookie, 'x-form': word, 'sec-fetch-site': 'same-origin', 'content-type': 'application/x-www-form-urlencoded' };
  const post = (path, fields) => fetch(server.address + path, { method: 'POST', headers, body: new URLSearchParams(fields), redirect: 'manual' });
  const names = Array.from({ length: STATIONS }, (_, n) => `L${n + 1}`);
  for (const station of names) {
    const set = await post('/stations', { station, reel: 'L', source: 'simulated:chips-l', serial_start: 'TL-000001', takt: '', per_hour: '' });
    assert.ok(set.status < 400, `${station}: ${set.status} ${await set.text()}`);
  }
  const streams = names.map((station) => follow(`${server.address}/stations/${station}/events`, headers));
  await Promise.all(streams.map((s) => s.until(/data-phase="ready"/)));
  const done = await Promise.all(names.map(async (station, n) => {
    let passed = 0;
    for (let round = 0; round < EACH; round += 1) {
      const mark = streams[n].mark();
      const sent = await post(`/stations/${station}/scan`, { typed: '' });
      assert.equal(sent.status, 204, `${station}: ${await sent.text()}`);
      const word = await streams[n].until(/data-phase="(passed|failed|stopped)"/, mark);
      if (word === 'passed') passed += 1;
    }
    return passed;
  }));
  streams.forEach((s) => s.end());
  const counted = JSON.parse(touchmark(program, site, 'reconcile'));
  assert.equal(counted.double_use, 0);
  assert.equal(counted.unproven_passes, 0);
  assert.ok(counted.log.intact, 'the log is whole');
  const reel = JSON.parse(touchmark(program, site, 'reel', 'show', 'L'));
  assert.equal(done.reduce((a, b) => a + b, 0), reel.provisioned, 'each pass that was told is in the book');
  assert.equal(reel.provisioned, STATIONS * EACH, 'every station got a chip of its own each time');
}

function follow(url, headers) {
  const stop = new AbortController();
  let text = '';
  let wake = () => {};
  (async () => {
    const response = await fetch(url, { headers: { cookie: headers.cookie }, signal: stop.signal });
    for await (const chunk of response.body) { text += Buffer.from(chunk).toString('utf8'); wake(); }
  })().catch(() => {});
  return {
    mark: () => text.length,
    end: () => stop.abort(),
    async until(pattern, from = 0) {
      const end = Date.now() + 60_000;
      for (;;) {
        const found = text.slice(from).match(pattern);
        if (found) return found[1];
        if (Date.now() > end) throw new Error(`${url}: ${pattern} did not come`);
        await new Promise((resolve) => { wake = resolve; setTimeout(resolve, 500); });
      }
    },
  };
}
