// Long work: how far it is in words, cancelled before it stores anything, with scripts and without; the book verified,
// and what was altered behind the program told where it is.
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { generateKeyPairSync } from 'node:crypto';
import { mkdtempSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { accessible, open, picture, watch } from './browser.mjs';
import { taken } from './handed.mjs';
import { newSite, start, touchmark } from './server.mjs';
import { firstAccount, signIn } from './newcomer.mjs';

const CHIPS = 60_000;

/// A manifest with keys on P-256, from OpenSSL through Node.
function manifest(path, chips) {
  const point = () => generateKeyPairSync('ec', { namedCurve: 'P-256' }).publicKey.export({ type: 'spki', format: 'der' }).subarray(-65).toString('hex');
  const lines = Array.from({ length: chips }, (_, n) => `514C${n.toString(16).toUpperCase().padStart(14, '0')},${point()}`);
  writeFileSync(path, `chip_id,public_key\n${lines.join('\n')}\n`);
}

const ALTER = `import sqlite3, sys
c = sqlite3.connect(sys.argv[1])
for (n,) in c.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger' AND tbl_name = 'reel'").fetchall(): c.execute(f'DROP TRIGGER {n}')
c.execute("UPDATE reel SET source_name = 'another.csv'"); c.commit()`;

export async function long(e) {
  const { program, context, pictures } = e;
  const site = newSite(program, 'Tern & Hollow, long work');
  touchmark(program, site, 'product', 'add', 'Tern Vent', '--vendor', 'FFF2', '--product', '8A21', '--device-type', '0x0202', '--reach', 'ble');
  const passphrase = join(site, 'passphrase.txt');
  writeFileSync(passphrase, 'only for this test\n', { mode: 0o600 });
  touchmark(program, site, 'authority', 'raise', 'Desk root', '--role', 'paa', '--passphrase-file', passphrase);
  touchmark(program, site, 'authority', 'raise', 'Desk intermediate', '--role', 'pai', '--vendor', 'FFF2', '--issuer', 'Desk root', '--passphrase-file', passphrase);
  const large = join(site, 'large.csv');
  manifest(large, CHIPS);
  const server = await start(program, site);
  const page = watch(await context.newPage());
  const plain = await open({ javaScriptEnabled: false });
  const reels = () => JSON.parse(touchmark(program, site, 'reel', 'list')).reels ?? JSON.parse(touchmark(program, site, 'reel', 'list'));
  const received = () => JSON.parse(touchmark(program, site, 'reconcile')).chips.received;
  try {
    await firstAccount(page, server.first);
    const receive = async (at) => {
      await at.goto(`${server.address}/reels`);
      await at.locator('#form-receive [name=reel]').fill('L');
      await at.locator('#form-receive [name=file]').setInputFiles(large);
      await at.getByRole('button', { name: 'Receive it' }).click();
    };
    const far = page.locator('#came-item .far');

    // Cancelled in the middle: nothing is stored. The button keeps the focus while the numbers change.
    let quick = server.slow();
    await receive(page);
    await far.filter({ hasText: /of 60.?00\d chips/ }).waitFor({ timeout: 60_000 });
    await page.locator('#stop-it').focus();
    await page.waitForTimeout(500);
    assert.equal(await page.evaluate(() => document.activeElement.id), 'stop-it', 'the focus stays while it is drawn anew');
    await page.keyboard.press('Enter');
    await page.getByText('cancelled; nothing was stored').waitFor({ timeout: 30_000 });
    quick();
    assert.equal(received(), 0, 'nothing of a cancelled reel is stored');
    assert.ok(!JSON.stringify(reels()).includes('"L"'));

    // The same without scripts, by a form; then to its end.
    const door = await plain.newPage();
    await signIn(door, server.address, 'Ada');
    await receive(door);
    await door.waitForURL('**/incoming/*');
    quick = server.slow();
    await door.getByRole('button', { name: 'Cancel' }).click();
    await door.getByText('cancelled; nothing was stored').waitFor({ timeout: 30_000 });
    quick();
    await receive(door);
    await door.getByRole('link', { name: 'Reel L' }).waitFor({ timeout: 240_000 });
    assert.equal(received(), CHIPS);

    // Issuing tells its phase, its rate and the time left.
    await page.goto(`${server.address}/reels/L`);
    await page.locator('#form-issue [name=issuer]').selectOption('Desk intermediate');
    await page.locator('#form-issue [name=passphrase]').fill('not this one');
    await page.locator('#form-issue').getByRole('button').click();
    await page.locator('#form-issue [name=passphrase][aria-invalid=true], #came .told').first().waitFor();
    await page.locator('#form-issue [name=passphrase]').fill('only for this test');
    quick = server.slow();
    await page.locator('#form-issue').getByRole('button').click();
    await far.filter({ hasText: /issuing [\d\s]+ of 60.?000 certificates [\d\s.]+ a second · .* left/ }).waitFor({ timeout: 60_000 });
    await picture(page, pictures, 'progress');
    await accessible(page, 'progress');
    quick();
    await page.getByText(/60.?000 credentials issued/).waitFor({ timeout: 240_000 });

    // The book is verified; then something is altered behind the program, and found where it is, as the command does.
    const verify = async (at) => {
      await at.goto(`${server.address}/log`);
      await at.getByRole('button', { name: 'Verify the whole book' }).click();
    };
    await verify(page);
    await page.getByText('The book is whole.').waitFor({ timeout: 120_000 });
    await accessible(page, 'book, whole');
    execFileSync('python3', ['-c', ALTER, join(site, 'book.sqlite')]);
    await verify(page);
    await page.getByRole('row', { name: /^reel L / }).first().waitFor({ timeout: 120_000 });
    await picture(page, pictures, 'book-damaged');
    await accessible(page, 'book, damaged');
    let told;
    try { touchmark(program, site, 'book', 'verify'); } catch (refused) { told = JSON.parse(refused.stdout); }
    const rows = await page.locator('#verified tbody tr').allInnerTexts();
    assert.equal(rows.length, told.damages.length);
    for (const d of told.damages) assert.ok(rows.some((r) => r.includes(d.key) && r.includes(d.found)), `${d.table} ${d.key}`);
    await verify(door);
    await door.getByText('not as the log says').waitFor({ timeout: 120_000 });
  } finally {
    await plain.close();
    await page.close();
    await server.stop();
  }
}

const UNITS = 200;

/// Steps that were never worked, so that a report has much to count; the book is not verified after that.
const STEPS = `import sqlite3, sys
c = sqlite3.connect(sys.argv[1])
for (n,) in c.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger' AND tbl_name = 'step'").fetchall(): c.execute(f'DROP TRIGGER {n}')
c.execute("""WITH RECURSIVE n(n) AS (SELECT 1001 UNION ALL SELECT n + 1 FROM n WHERE n < 3000)
  INSERT INTO step (unit, attempt, number, name, started, duration, result) SELECT unit, number, n, 'made up', 1, n, 'done' FROM attempt, n""")
c.commit()`;

/// Packs, runs of labels and reports of many units: watched, cancelled, and made to their end, with scripts and without.
export async function longOnUnits(e) {
  const { program, context, pictures } = e;
  const site = join(mkdtempSync(join(tmpdir(), 'touchmark-many-')), 'site');
  execFileSync(program, ['rehearse', '--units', String(UNITS), '--faults', 'none', '--out', site], { stdio: 'ignore' });
  execFileSync('python3', ['-c', STEPS, join(site, 'book.sqlite')]);
  const server = await start(program, site);
  const page = watch(await context.newPage());
  const plain = await open({ javaScriptEnabled: false });
  const door = await plain.newPage();
  const acts = async () => {
    await page.goto(`${server.address}/log`);
    return page.locator('main table tbody tr').allInnerTexts();
  };
  try {
    await firstAccount(page, server.first);
    await signIn(door, server.address, 'Ada');
    const far = (at) => at.locator('#came-item .far');

    // A pack: cancelled, of which the log tells; then made.
    const pack = async (at) => {
      await at.goto(`${server.address}/evidence`);
      await at.locator('[name=all]').check();
      await at.getByRole('button', { name: 'Make the pack' }).click();
    };
    let quick = server.slow();
    await pack(page);
    await far(page).filter({ hasText: /packing \d+ of 200 units [\d.]+ a second · .* left/ }).waitFor({ timeout: 60_000 });
    await picture(page, pictures, 'evidence-progress');
    await accessible(page, 'evidence, progress');
    await page.locator('#stop-it').click();
    await page.getByText('cancelled; no pack was written').waitFor({ timeout: 30_000 });
    quick();
    assert.ok((await acts()).some((row) => row.includes('evidence.abandon')), 'that it was cancelled stands in the log');
    quick = server.slow();
    await pack(door);
    await door.waitForURL('**/incoming/*');
    await door.getByRole('button', { name: 'Cancel' }).click();
    await door.getByText('cancelled; no pack was written').waitFor({ timeout: 30_000 });
    quick();

    // Labels: cancelled, nothing was printed; then printed.
    const labels = async (at) => {
      await at.goto(`${server.address}/labels`);
      await at.locator('[name=all]').check();
      await at.getByRole('button', { name: 'Print them' }).click();
    };
    const printed = async () => (await acts()).filter((row) => row.includes('label.print') && row.includes('Ada')).length;
    quick = server.slow();
    await labels(page);
    await far(page).filter({ hasText: /drawing and reading back \d+ of 200 labels/ }).waitFor({ timeout: 60_000 });
    await picture(page, pictures, 'labels-progress');
    await page.locator('#stop-it').click();
    await page.getByText('cancelled; nothing was stored').waitFor({ timeout: 30_000 });
    await labels(door);
    await door.waitForURL('**/incoming/*');
    await door.getByRole('button', { name: 'Cancel' }).click();
    await door.getByText('cancelled; nothing was stored').waitFor({ timeout: 30_000 });
    quick();
    assert.equal(await printed(), 0, 'nothing of a cancelled run was printed');
    await labels(door);
    await door.waitForURL('**/incoming/*');
    assert.ok((await (await taken(door, server.address)).body()).length > 100_000);
    assert.ok(await printed() > 0);

    // A report: one that takes its time leads to where it is watched, cancelled, and shown in the end.
    quick = server.slow();
    await page.goto(`${server.address}/report?every=hour`);
    assert.match(page.url(), /\/incoming\//);
    await far(page).filter({ hasText: /counting [\d\s]+ of 40[\d\s]+ attempts and steps [\d\s.]+ a second · .* left/ }).waitFor({ timeout: 60_000 });
    await picture(page, pictures, 'report-progress');
    await accessible(page, 'report, progress');
    // Asked for again, the same one is shown and no other is begun.
    const watched = page.url();
    await page.goto(`${server.address}/report?every=hour`);
    assert.equal(page.url(), watched);
    await page.locator('#stop-it').click();
    await page.getByText('cancelled; nothing was stored').waitFor({ timeout: 30_000 });
    await door.goto(`${server.address}/report?every=day`);
    await door.getByRole('button', { name: 'Cancel' }).click();
    await door.getByText('cancelled; nothing was stored').waitFor({ timeout: 30_000 });
    await door.goto(`${server.address}/report?every=day&worst_hour=on`);
    quick();
    await door.getByRole('link', { name: 'Download as PDF' }).waitFor({ timeout: 120_000 });
    assert.equal((await (await taken(door, server.address)).body()).subarray(0, 5).toString(), '%PDF-');
    const own = JSON.parse(touchmark(program, site, 'report', '--every', 'day', '--worst-hour'));
    assert.ok((await door.locator('.paper').innerText()).includes(`${own.yields.units[0]}`));
  } finally {
    await plain.close();
    await page.close();
    await server.stop();
  }
}
