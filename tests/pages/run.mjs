// node run.mjs PROGRAM [--pictures DIR]: tries the pages end to end. Exit 0 where all holds.
import assert from 'node:assert/strict';
import { fileURLToPath } from 'node:url';
import { dirname, join } from 'node:path';
import { accessible, complaints, open, picture, watch } from './browser.mjs';
import { newSite, start, touchmark } from './server.mjs';
import { firstAccount, setStation, setUp, tenUnits } from './newcomer.mjs';
import { answering } from './answering.mjs';
import { arrivals } from './arrivals.mjs';
import { company } from './company.mjs';
import { faults, killed } from './faults.mjs';
import { handed } from './handed.mjs';
import { hostile } from './hostile.mjs';
import { narrow } from './narrow.mjs';
import { same, sameFindings } from './parity.mjs';
import { roles } from './roles.mjs';
import { inspect } from './inspect.mjs';
import { load } from './load.mjs';
import { long, longOnUnits } from './long.mjs';
import { mistakes } from './mistakes.mjs';
import { takenAway } from './taken.mjs';

const program = process.argv[2];
const at = process.argv.indexOf('--pictures');
const pictures = at > 0 ? process.argv[at + 1] : undefined;
const data = join(dirname(fileURLToPath(import.meta.url)), '../data');

const labelOf = (site) => (unit) => JSON.parse(touchmark(program, site, 'unit', 'show', unit, '--reveal')).onboarding.qr;

async function step(name, act) {
  const since = Date.now();
  await act();
  console.log(`ok  ${name}  ${((Date.now() - since) / 1000).toFixed(1)} s`);
}

const site = newSite(program, 'Tern & Hollow, line 2');
let server = await start(program, site);
const context = await open();
const page = watch(await context.newPage());
const everything = { program, site, data, context, page, pictures, get server() { return server; }, async restartOnly() {
  server = await start(program, site, server.listen);
} };

try {
  await step('first account', () => firstAccount(page, server.first));
  await step('set up in the browser alone', () => setUp(page, server.address, data, pictures));
  await step('ten units at a station', async () => {
    await setStation(page, server.address, 'S1');
    await tenUnits(page, server.address, labelOf(site), pictures);
  });
  await step('page and command give the same', async () => {
    await sameFindings(everything);
    const counted = JSON.parse(touchmark(program, site, 'reconcile'));
    assert.deepEqual([counted.units.passed, counted.credentials.installed, counted.unproven_passes, counted.log.intact], [10, 10, 0, true]);
    same(everything);
  });
  await step('faults, reload, restart', () => faults(everything));
  await step('a server killed in the middle of a unit', () => killed(everything));
  await step('every page, full', async () => {
    await page.goto(`${server.address}/line`);
    await page.locator('#now table').first().waitFor();
    await page.locator('#watched .state').first().waitFor();
    await picture(page, pictures, 'line');
    await accessible(page, 'line');
    for (const [path, name] of [
      ['/stations', 'stations'], ['/reels', 'reels'], ['/reels/A', 'reel'], ['/reels/F', 'reel-faults'], ['/deliveries', 'deliveries'], ['/deliveries/A-1', 'delivery'],
      ['/units', 'units'], ['/units?find=TV-00', 'units-found'], ['/units/TV-000001', 'unit'], ['/products', 'products'], ['/fit', 'fit-empty'], ['/revocation', 'revocation'],
      ['/authorities', 'authorities'], ['/report', 'report-empty'], ['/report?last_week=on&worst_hour=on', 'report'], ['/report?reel=F', 'report-reel'],
      ['/labels', 'labels-new'], ['/inspect', 'inspect-new'], ['/cartons', 'cartons'], ['/evidence', 'evidence-new'], ['/impact', 'impact-empty'], ['/impact?reel=A', 'impact'], ['/plan', 'plan-empty'], ['/plan?good=5000&yield=0.985&takt=20', 'plan'], ['/declarations', 'declarations'], ['/people', 'people'], ['/people/Ada', 'person'], ['/stations/S1/about', 'station-about'], ['/products/Tern Vent', 'product'], ['/find?q=key-usage', 'find'], ['/find?q=zebra', 'find-nothing'], ['/rules/dac.key-usage', 'rule'], ['/trust-sets', 'trust-sets'], ['/log', 'log'], ['/account', 'account'], ['/nowhere', 'missing'],
    ]) {
      await page.goto(server.address + path);
      for (const d of await page.locator('details.cert').all()) await d.evaluate((e) => { e.open = true; });
      await picture(page, pictures, name);
      await accessible(page, name);
    }
  });
  await step('final inspection', () => inspect(everything));
  await step('a scan anywhere', async () => {
    const { onboarding } = JSON.parse(touchmark(program, site, 'unit', 'show', 'TV-000001', '--reveal'));
    for (const [at, scanned] of [['/log', onboarding.qr], ['/reels', onboarding.manual], ['/line', 'tv-000001']]) {
      await page.goto(server.address + at);
      await page.keyboard.type(scanned, { delay: 5 });
      await page.keyboard.press('Enter');
      await page.waitForURL(`${server.address}/units/TV-000001`);
    }
    await page.keyboard.press('/');
    await page.keyboard.type('S2');
    await page.keyboard.press('Enter');
    await page.waitForURL(`${server.address}/stations/S2`);
    // The station's own scan stays its own.
    await page.keyboard.type('/TV');
    assert.equal(await page.locator('[data-find]').inputValue(), '');
    assert.equal(await page.locator('#typed').inputValue(), '/TV');
    await page.locator('#typed').fill('');
  });
  await step('the company signs in', () => company(everything));
  await step('labels and evidence', () => handed(everything));
  await step('forms with wrong values', () => mistakes(everything));
  await step('what is taken away', () => takenAway(everything));
  await step('reels and deliveries with faults', () => arrivals(everything));
  await step('examining files', async () => {
    await page.goto(`${server.address}/examine`);
    await page.locator('input[name=file]').setInputFiles([join(data, 'reel-a/declaration.der'), join(data, 'authority/paa-b.pem'), join(data, 'reel-a/declaration-signer.pem')]);
    await page.getByRole('button', { name: 'Examine', exact: true }).click();
    await page.locator('#came-item table').first().waitFor();
    await picture(page, pictures, 'examine');
    await accessible(page, 'examine');
  });
  await step('planning and answering for it', () => answering(everything));
  await step('long work', () => long(everything));
  await step('long work on many units', () => longOnUnits(everything));
  await step('small screens', () => narrow(everything));
  await step('hostile names', () => hostile(everything));
  await step('roles', () => roles(everything));
  await step('twenty station pages', () => load(everything));
  assert.deepEqual(complaints(), [], 'the browser complains of nothing');
} finally {
  await context.close();
  await server.stop();
}
