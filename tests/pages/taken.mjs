// Files that the pages give: a report on paper, a list of units, evidence that the command line finds whole.
import assert from 'node:assert/strict';
import { mkdtempSync, readFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { touchmark } from './server.mjs';

export async function takenAway(e) {
  const { page, server, program, site } = e;
  const folder = mkdtempSync(join(tmpdir(), 'touchmark-taken-'));
  const take = async (act, name) => {
    const [file] = await Promise.all([page.waitForEvent('download'), act()]);
    const path = join(folder, name ?? file.suggestedFilename());
    await file.saveAs(path);
    return path;
  };

  await page.goto(`${server.address}/report?reel=A`);
  const pdf = await take(() => page.getByRole('link', { name: 'Download as PDF' }).click());
  assert.equal(readFileSync(pdf).subarray(0, 5).toString(), '%PDF-');

  await page.goto(`${server.address}/impact?reel=A`);
  const csv = await take(() => page.getByRole('link', { name: 'Download all as CSV' }).click());
  const told = JSON.parse(touchmark(program, site, 'impact', '--reel', 'A'));
  assert.equal(readFileSync(csv, 'utf8').trim().split('\n').length, told.count + 1, 'a heading, and a line a unit');
  await page.getByRole('heading', { name: `${told.count} units are affected` }).waitFor();

  await page.goto(`${server.address}/units/TV-000001`);
  const pack = await take(() => page.getByRole('button', { name: 'Download the pack' }).click());
  const key = await take(() => page.getByRole('button', { name: 'The public key' }).click());
  const checked = JSON.parse(touchmark(program, site, 'evidence', 'check', pack, '--key', key));
  assert.deepEqual([checked.verdict, checked.units, checked.proven], ['whole', 1, 1]);
  await page.goto(`${server.address}/log`);
  await page.getByRole('cell', { name: 'evidence.export', exact: true }).first().waitFor();
}
