// The station through a fault, a reload, a lost connection and a server that is started anew.
import assert from 'node:assert/strict';
import { accessible, picture } from './browser.mjs';
import { touchmark } from './server.mjs';
import { phase, scan, setStation } from './newcomer.mjs';
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';

export async function faults(e) {
  const { page, program, site, pictures } = e;
  // A feeder of chips with faults, of a reel of their own.
  const chips = join(site, 'chips-f');
  touchmark(program, site, 'chip', 'simulate', '--out', chips, '--count', '40', '--seed', '7', '--faults', 'harsh', '--manifest', join(site, 'f.csv'));
  touchmark(program, site, 'authority', 'raise', 'Desk root', '--role', 'paa', '--passphrase-file', passphrase(site));
  touchmark(program, site, 'authority', 'raise', 'Desk intermediate', '--role', 'pai', '--vendor', 'FFF2', '--issuer', 'Desk root', '--passphrase-file', passphrase(site));
  touchmark(program, site, 'reel', 'receive', join(site, 'f.csv'), '--reel', 'F', '--product', 'Tern Vent');
  await page.goto(`${e.server.address}/reels/F`);
  const issue = page.locator('form[hx-post$="/issue"]');
  await issue.locator('select[name=issuer]').selectOption('Desk intermediate');
  await issue.locator('input[name=passphrase]').fill('only for this test');
  await issue.getByRole('button').click();
  await page.getByText('40 credentials issued').waitFor();
  await setStation(page, e.server.address, 'S2', { reel: 'F', source: 'simulated:chips-f', start: 'TF-000001', checkLabel: false, takt: '3', perHour: '60' });
  await page.goto(`${e.server.address}/stations/S2`);
  await phase(page, 'ready');
  let failed = false;
  for (let n = 0; n < 38 && !(failed && n > 24); n += 1) {
    const before = await page.locator('#view .ground').getAttribute('data-number');
    await page.keyboard.press('Enter');
    await page.waitForFunction((b) => {
      const g = document.querySelector('#view .ground');
      return g && g.dataset.number !== b && !['working', 'ready'].includes(g.dataset.phase);
    }, before, { timeout: 30_000 });
    const word = await page.locator('#view .ground').getAttribute('data-phase');
    if (word === 'failed' && !failed) {
      failed = true;
      await picture(page, pictures, 'station-failed', false);
      await accessible(page, 'station, failed');
    }
  }
  assert.ok(failed, 'a chip with a fault fails a unit');

  // A reload shows the same unit and verdict.
  const shown = () => page.locator('#view .verdict').innerText();
  const before = await shown();
  await page.reload();
  assert.equal(await shown(), before, 'a reload goes on where it stood');

  // The server goes away: the page says so; it comes back: the page goes on, signed in still.
  await e.server.stop();
  await page.locator('#lost').waitFor({ state: 'visible', timeout: 20_000 });
  await picture(page, pictures, 'station-lost', false);
  await accessible(page, 'station, lost');
  await scan(page, 'TF-000001');
  await page.waitForTimeout(500);
  assert.equal(await page.locator('#typed').inputValue(), 'TF-000001', 'what could not be sent is kept');
  await e.restartOnly();
  await page.locator('#lost').waitFor({ state: 'hidden', timeout: 30_000 });
  await page.locator('#typed').fill('');
  const again = (await shown()).split('\n').slice(0, 2);
  assert.deepEqual(again, before.split('\n').slice(0, 2), 'a new server tells the same unit and verdict');
  await page.keyboard.press('Enter');
  await page.waitForFunction((b) => document.querySelector('#view .verdict').innerText !== b && document.querySelector('#view .ground').dataset.phase !== 'working', before, { timeout: 30_000 });
}

// The server is killed in the middle of a unit: nobody is told a verdict, and after its start the same chip and unit go
// on where they stood, once.
export async function killed(e) {
  const { page, program, site, pictures } = e;
  const chips = join(site, 'chips-k');
  touchmark(program, site, 'chip', 'simulate', '--out', chips, '--count', '3', '--seed', '41', '--real-time', '--manifest', join(site, 'k.csv'));
  touchmark(program, site, 'reel', 'receive', join(site, 'k.csv'), '--reel', 'K', '--product', 'Tern Vent');
  touchmark(program, site, 'delivery', 'issue', '--reel', 'K', '--issuer', 'Desk intermediate', '--passphrase-file', passphrase(site));
  await setStation(page, e.server.address, 'S4', { reel: 'K', source: 'simulated:chips-k', start: 'TK-000001', checkLabel: false });
  await page.goto(`${e.server.address}/stations/S4`);
  await phase(page, 'ready');
  await page.keyboard.press('Enter');
  await phase(page, 'working');
  await page.locator('#view .steps .running').first().waitFor();
  await e.server.stop('SIGKILL');
  await page.locator('#lost').waitFor({ state: 'visible', timeout: 20_000 });
  assert.equal(await page.locator('#view .ground').getAttribute('data-phase'), 'working', 'no verdict is made up');
  const left = JSON.parse(touchmark(program, site, 'unit', 'show', 'TK-000001'));
  assert.deepEqual([left.state, left.attempts.length], ['open', 1]);
  await e.restartOnly();
  await phase(page, 'interrupted', 'TK-000001');
  await page.locator('#lost').waitFor({ state: 'hidden', timeout: 30_000 });
  await page.locator('#view .todo', { hasText: 'Leave the unit in' }).waitFor();
  await picture(page, pictures, 'station-interrupted', false);
  await accessible(page, 'station, interrupted');
  await page.keyboard.press('Enter');
  await phase(page, 'passed', 'TK-000001');
  const done = JSON.parse(touchmark(program, site, 'unit', 'show', 'TK-000001'));
  assert.equal(done.state, 'passed');
  assert.equal(done.chip.chip_id, left.chip.chip_id, 'the same chip');
  assert.equal(done.attempts.length, 2, 'it was taken on once more');
  const reel = JSON.parse(touchmark(program, site, 'reel', 'show', 'K'));
  assert.deepEqual([reel.provisioned, reel.held, reel.blank], [1, 0, 2], 'one chip was used');
  const counted = JSON.parse(touchmark(program, site, 'reconcile'));
  assert.deepEqual([counted.double_use, counted.unproven_passes, counted.log.intact], [0, 0, true]);
  // The next unit is another one, with another chip.
  await page.keyboard.press('Enter');
  await phase(page, 'passed', 'TK-000002');
}

function passphrase(site) {
  const file = join(site, 'passphrase.txt');
  writeFileSync(file, 'only for this test\n', { mode: 0o600 });
  return file;
}
