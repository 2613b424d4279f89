// Faulty reels and deliveries in the browser: refused as a whole, accepted in part by a person's word.
import assert from 'node:assert/strict';
import { readdirSync } from 'node:fs';
import { join } from 'node:path';
import { accessible, picture } from './browser.mjs';
import { newSite, start, touchmark } from './server.mjs';
import { firstAccount } from './newcomer.mjs';

export async function arrivals(e) {
  const { program, data, context, pictures } = e;
  const site = newSite(program, 'Tern & Hollow, receiving');
  touchmark(program, site, 'authority', 'adopt', join(data, 'authority/paa-a.pem'));
  touchmark(program, site, 'product', 'add', 'Tern Vent', '--vendor', 'FFF2', '--product', '8A21', '--device-type', '0x0202', '--reach', 'ble');
  const server = await start(program, site);
  const page = await context.newPage();
  const entries = () => JSON.parse(touchmark(program, site, 'reconcile'));
  try {
    await firstAccount(page, server.first);
    const send = async (path, file, button, fields = {}) => {
      await page.goto(server.address + path);
      for (const [name, text] of Object.entries(fields)) await page.locator(`input[name=${name}]`).fill(text);
      await page.locator('input[name=file]').setInputFiles(file);
      await page.getByRole('button', { name: button }).click();
      // What can't be read at all is told at the field; what was judged, below the form.
      await page.locator('#came-item h3 .state, #came-item .told, #form-receive .told').first().waitFor({ timeout: 60_000 });
      return (await page.locator('#came-item, #form-receive .told').allInnerTexts()).join('\n');
    };
    // Manifests that must be refused, each by name of what is wrong; then the good one.
    for (const name of readdirSync(join(data, 'faulty')).filter((n) => n.startsWith('manifest-') && n !== 'manifest-spreadsheet.csv')) {
      const said = await send('/reels', join(data, 'faulty', name), 'Receive it', { reel: 'A' });
      assert.match(said, /refused/, `${name}: ${said}`);
      assert.match(said, /reel\./, `${name} names a rule`);
    }
    assert.equal(entries().chips.received, 0, 'nothing of a refused reel is stored');
    await picture(page, pictures, 'reel-refused');
    await accessible(page, 'reel refused');
    assert.match(await send('/reels', join(data, 'faulty/manifest-spreadsheet.csv'), 'Receive it', { reel: 'A' }), /accepted/);

    for (const name of ['truncated.zip', 'bomb.zip', 'path-traversal.zip', 'dac-not-on-reel.tar.gz', 'pai-missing.tar.gz']) {
      const said = await send('/deliveries', join(data, 'faulty', name), 'Inspect it');
      assert.doesNotMatch(said, /\baccepted\b(?! part)/, `${name}: ${said}`);
      assert.equal(entries().credentials.received, 0, `${name}: nothing is stored`);
    }
    let said = await send('/deliveries', join(data, 'faulty/broken-signature.tar.gz'), 'Inspect it');
    assert.match(said, /refused/);
    assert.match(said, /chain\.signature/);
    await picture(page, pictures, 'delivery-refused');
    await accessible(page, 'delivery refused');
    await page.getByRole('button', { name: 'Refuse it' }).click();
    await page.getByText('refused; nothing was stored').waitFor();
    assert.equal(entries().credentials.received, 0);
    await send('/deliveries', join(data, 'faulty/broken-signature.tar.gz'), 'Inspect it');
    await page.getByRole('button', { name: 'Accept the good part' }).click();
    await page.locator('#came-item h3', { hasText: 'accepted-in-part' }).waitFor({ timeout: 60_000 });
    assert.equal(entries().credentials.received, 399, 'the good part and nothing else');
    await page.goto(`${server.address}/reels/A`);
    await page.getByText('1 without credential').waitFor();
    await picture(page, pictures, 'reel-in-part');
    await accessible(page, 'reel in part');
    // The same again adds nothing, and says so.
    said = await send('/deliveries', join(data, 'faulty/broken-signature.tar.gz'), 'Inspect it');
    assert.match(said, /already-received/);
    assert.equal(entries().credentials.received, 399);
    // The whole one brings what was missing, and tells how many were here.
    said = await send('/deliveries', join(data, 'reel-a/delivery.zip'), 'Inspect it');
    assert.match(said, /400 certificates read, 1 kept, 399 here already, 0 refused \(400 good, 0 faulty, 0 missing\); 400 of 400 chips matched/);
    assert.equal(entries().credentials.received, 400);
  } finally {
    await page.close();
    await server.stop();
  }
}
