// Runs of labels and packs of evidence: the page's files are the command's, octet by octet where nothing in them tells the
// time; what is refused is told at its field; each showing of passcodes stands in the log with its person.
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { mkdtempSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { accessible, open, picture } from './browser.mjs';
import { phase, scan, signIn } from './newcomer.mjs';
import { samePdf } from './parity.mjs';
import { touchmark } from './server.mjs';

/// What the link of a finished work leads to.
export async function taken(at, address) {
  const link = at.locator('#came-item a[download]');
  await link.waitFor({ timeout: 60_000 });
  const got = await at.request.get(address + await link.getAttribute('href'));
  assert.equal(got.status(), 200);
  return got;
}

/// Prints and records by the person who did it, in a unit's own entries.
function printed(program, site, unit, by) {
  return JSON.parse(touchmark(program, site, 'unit', 'show', unit)).labels.filter((l) => l.event === 'printed' && l.by === by).length;
}

async function labels(e, folder) {
  const { page, server, program, site, pictures } = e;
  await page.goto(`${server.address}/labels`);
  await picture(page, pictures, 'labels-empty');
  await accessible(page, 'labels, empty');
  const form = page.locator('#form-labels');
  const run = form.getByRole('button', { name: 'Print them' });
  await run.click();
  await form.locator('[name=units][aria-invalid=true]').waitFor();
  await picture(page, pictures, 'labels-again');
  await accessible(page, 'labels, given again');
  await form.locator('[name=units]').fill('TV-000001, NOBODY');
  await run.click();
  await page.getByText('there is no unit NOBODY').waitFor();
  assert.equal(await form.locator('[name=units]').inputValue(), 'TV-000001, NOBODY', 'what was typed is kept');
  await form.locator('[name=units]').fill('TV-000001');
  await form.locator('[name=sheet]').fill('napkin');
  await run.click();
  await form.locator('[name=sheet][aria-invalid=true]').waitFor();
  assert.equal(printed(program, site, 'TV-000002', 'Ada'), 0, 'what is refused is not printed');

  // A whole reel, from the reel's own page.
  await page.goto(`${server.address}/reels/A`);
  await page.getByRole('link', { name: 'Print its labels' }).click();
  await page.waitForURL('**/labels?reel=A');
  assert.equal(await form.locator('[name=reel]').inputValue(), 'A');
  await run.click();
  const pdf = await taken(page, server.address);
  assert.match(await page.locator('#came-item').innerText(), /10 labels on 1 page[\s\S]*TEST 10 of them/);
  await picture(page, pictures, 'labels');
  await accessible(page, 'labels');
  assert.match(pdf.headers()['content-disposition'], /labels-reel-A\.pdf/);
  assert.equal(samePdf(program, site, await pdf.body(), join(folder, 'reel.pdf'), '--reel', 'A').labels, 10);
  assert.equal(printed(program, site, 'TV-000002', 'Ada'), 1, 'one entry for the run');
  await page.goto(`${server.address}/log`);
  await page.getByRole('row', { name: /label\.hand-over/ }).first().waitFor();

  // Some units by name, on a sheet that is begun; a refused one as the command says it.
  await page.goto(`${server.address}/labels`);
  await form.locator('[name=units]').fill('TV-000003\nTV-000001');
  await form.locator('[name=template]').selectOption('carton');
  await form.locator('summary').click();
  await form.locator('[name=skip]').fill('1');
  await run.click();
  const two = await taken(page, server.address);
  samePdf(program, site, await two.body(), join(folder, 'two.pdf'), 'TV-000001', 'TV-000003', '--template', 'carton', '--skip', '1');
  await page.goto(`${server.address}/labels`);
  await form.locator('[name=from]').fill('2001-01-01T00:00');
  await form.locator('[name=to]').fill('2001-01-02T00:00');
  await run.click();
  let said;
  try {
    execFileSync(program, ['--site', site, '--json', 'label', 'print', '--from', '2001-01-01', '--to', '2001-01-02', '--out', join(folder, 'none.pdf')], { encoding: 'utf8', stdio: ['ignore', 'pipe', 'ignore'] });
  } catch (refused) { said = JSON.parse(refused.stdout).error; }
  await page.locator('#came-item .told', { hasText: said.message }).waitFor();
  // The page names the page where the command line names the command.
  await page.locator('#came-item .told', { hasText: said.advice.replace('`touchmark unit list`', 'Units') }).waitFor();
}

async function evidence(e, folder) {
  const { page, server, program, pictures } = e;
  await page.goto(`${server.address}/evidence`);
  await picture(page, pictures, 'evidence-empty');
  await accessible(page, 'evidence, empty');
  await page.goto(`${server.address}/report?reel=A`);
  await page.getByRole('link', { name: 'Evidence of these units' }).click();
  await page.waitForURL('**/evidence?reel=A');
  const form = page.locator('#form-evidence');
  await form.locator('[name=units]').fill('TV-000001');
  await form.getByRole('button', { name: 'Make the pack' }).click();
  await page.getByText('units are chosen in more than one way').waitFor();
  await accessible(page, 'evidence, given again');
  await form.locator('[name=units]').fill('');
  await form.getByRole('button', { name: 'Make the pack' }).click();
  const pack = await taken(page, server.address);
  await picture(page, pictures, 'evidence');
  await accessible(page, 'evidence');
  assert.equal(Number(pack.headers()['content-length']), (await pack.body()).length);
  writeFileSync(join(folder, 'pack.zip'), await pack.body());
  const key = page.waitForEvent('download');
  await page.locator('#came-item').getByRole('button', { name: 'Download the public key' }).click();
  await (await key).saveAs(join(folder, 'key.pem'));
  const checked = JSON.parse(execFileSync(program, ['--json', 'evidence', 'check', join(folder, 'pack.zip'), '--key', join(folder, 'key.pem')], { encoding: 'utf8' }));
  assert.deepEqual([checked.verdict, checked.units, checked.proven, checked.what], ['whole', 10, 10, 'reel A']);
}

async function withoutScripts(e) {
  const { server } = e;
  const plain = await open({ javaScriptEnabled: false });
  try {
    const door = await plain.newPage();
    await signIn(door, server.address, 'Ada');
    await door.goto(`${server.address}/labels?reel=A`);
    await door.getByRole('button', { name: 'Print them' }).click();
    await door.waitForURL('**/incoming/*');
    assert.equal((await (await taken(door, server.address)).body()).subarray(0, 5).toString(), '%PDF-');
    await door.goto(`${server.address}/evidence?reel=A`);
    await door.getByRole('button', { name: 'Make the pack' }).click();
    await door.waitForURL('**/incoming/*');
    assert.equal((await (await taken(door, server.address)).body()).subarray(0, 2).toString(), 'PK');
  } finally {
    await plain.close();
  }
}

export async function handed(e) {
  const folder = mkdtempSync(join(tmpdir(), 'touchmark-handed-'));
  await labels(e, folder);
  // The station that has the last of these units on its screen asks for the scan of the label that was printed anew.
  await e.page.goto(`${e.server.address}/stations/S1`);
  await phase(e.page, 'passed', 'TV-000010');
  await scan(e.page, JSON.parse(touchmark(e.program, e.site, 'unit', 'show', 'TV-000010', '--reveal')).onboarding.qr);
  await e.page.locator('#view .todo', { hasText: 'next unit' }).waitFor();
  await evidence(e, folder);
  await withoutScripts(e);
}
