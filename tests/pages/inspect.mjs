// A finished unit is met from its label, as the person at the last bench does it.
import assert from 'node:assert/strict';
import { spawn } from 'node:child_process';
import { accessible, picture } from './browser.mjs';

async function standIn(program, site, ...more) {
  const child = spawn(program, ['--site', site, '--json', 'stand-in', '--unit', 'TV-000002', '--chips', `simulated:${site}/chips-a`, ...more]);
  const line = await new Promise((resolve, reject) => {
    let out = '';
    child.stdout.on('data', (d) => { out += d; if (out.includes('\n')) resolve(out.split('\n')[0]); });
    child.stderr.on('data', (d) => { out += d; });
    child.on('exit', (code) => reject(new Error(`the stand-in ended with ${code}: ${out}`)));
  });
  child.removeAllListeners('exit');
  return { ...JSON.parse(line), stop: () => child.kill() };
}

export async function inspect({ program, site, page, pictures, server }) {
  await page.goto(`${server.address}/inspect`);
  assert.equal(await page.evaluate(() => document.activeElement.name), 'code', 'the scanner has the focus');
  await picture(page, pictures, 'inspect');
  await accessible(page, 'final inspection');
  for (const [fault, word, todo] of [[[], 'accepted', 'Pack it'], [['--fault', 'label'], 'rejected', 'Put it aside']]) {
    const unit = await standIn(program, site, ...fault);
    await page.goto(`${server.address}/inspect`);
    await page.locator('input[name=at]').fill(unit.at);
    await page.locator('input[name=code]').fill(unit.qr);
    await page.keyboard.press('Enter');
    const card = page.locator('.met section', { hasText: 'TV-000002' });
    await card.locator('.state', { hasText: word }).first().waitFor({ timeout: 30_000 });
    assert.match(await card.locator('.do').innerText(), new RegExp(todo));
    assert.ok(await card.locator('.passed-by li').count() >= 6, 'its steps are there');
    assert.equal(await page.locator('body', { hasText: unit.qr }).count(), 0, 'the code is not shown again');
    assert.equal(await page.locator('input[name=code]').inputValue(), '', 'the field is free for the next label');
    assert.equal(await page.evaluate(() => document.activeElement.name), 'code', 'the scanner has the focus again');
    await picture(page, pictures, `inspect-${word}`);
    await accessible(page, `final inspection, ${word}`);
    unit.stop();
  }
  await page.goto(`${server.address}/units/TV-000002`);
  const met = page.locator('section', { hasText: 'Met as a finished unit' }).last();
  assert.equal(await met.locator('.state', { hasText: 'rejected' }).count() > 0, true);
  await picture(page, pictures, 'unit-met');
}
