// Names and texts that would break out of a page that does not escape them.
import assert from 'node:assert/strict';
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { touchmark } from './server.mjs';

const NAMES = ['<script>window.hit=1</script>', '"><img src=x onerror=hit=1>', "'-window.hit=1-'", '{{7*7}}${7*7}<%=7*7%>', 'a/b?c#d&e=%2F', 'Ω≈ç√ 𝕿𝖊𝖗𝖓'];

export async function hostile(e) {
  const { page, program, site, server } = e;
  const manifest = join(site, 'h.csv');
  for (const [n, name] of NAMES.entries()) {
    touchmark(program, site, 'product', 'add', name, '--vendor', 'FFF1', '--product', (0x8000 + n).toString(16).toUpperCase(), '--device-type', '1', '--reach', 'ble');
    touchmark(program, site, 'chip', 'simulate', '--out', join(site, `chips-h${n}`), '--count', '2', '--seed', String(100 + n), '--manifest', `${manifest}-${n}`);
    touchmark(program, site, 'reel', 'receive', `${manifest}-${n}`, '--reel', name, '--product', name);
    touchmark(program, site, 'authority', 'raise', name, '--role', 'paa', '--passphrase-file', join(site, 'passphrase.txt'));
  }
  assert.throws(() => touchmark(program, site, 'product', 'add', '\u202Eevil', '--vendor', 'FFF1', '--product', '80FF', '--device-type', '1', '--reach', 'ble'), (e) => e.stdout.includes('direction of writing'));
  const seen = async (path, text) => {
    await page.goto(server.address + path);
    const body = await page.locator('body').innerText();
    assert.ok(body.includes(text), `${path} shows ${JSON.stringify(text)} as text`);
    assert.equal(await page.evaluate(() => window.hit), undefined, `${path}: nothing ran`);
  };
  for (const name of NAMES) {
    await seen('/reels', name);
    await seen('/products', name);
    await seen('/authorities', name);
    await seen(`/reels/${encodeURIComponent(name)}`, name);
    await seen(`/report?reel=${encodeURIComponent(name)}`, name);
    await page.goto(`${server.address}/units?find=${encodeURIComponent(name)}`);
    assert.equal(await page.evaluate(() => window.hit), undefined);
    await page.goto(`${server.address}/units/${encodeURIComponent(name)}`);
    assert.equal(await page.evaluate(() => window.hit), undefined);
  }
  // A station's scan and an uploaded file's name and content.
  await page.goto(`${server.address}/stations/S1`);
  await page.locator('#typed').fill(NAMES[0]);
  await page.keyboard.press('Enter');
  await page.locator('#told .told').waitFor();
  assert.ok((await page.locator('#told').innerText()).includes('<script>'));
  assert.equal(await page.evaluate(() => window.hit), undefined);
  const odd = join(site, '<img src=x onerror=window.hit=1>.pem');
  writeFileSync(odd, '-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n<script>window.hit=1</script>');
  await page.goto(`${server.address}/examine`);
  await page.locator('input[name=file]').setInputFiles(odd);
  await page.getByRole('button', { name: 'Examine', exact: true }).click();
  await page.locator('#came .told, #came table').first().waitFor();
  assert.equal(await page.evaluate(() => window.hit), undefined);
}
