// A newcomer's whole path, in the browser alone: from an empty site to ten passed units.
import assert from 'node:assert/strict';
import { join } from 'node:path';
import { accessible, picture, watch } from './browser.mjs';

export const PASSWORD = 'a tern on a hollow post';

async function send(page, form, button) {
  await Promise.all([page.waitForLoadState('load'), page.locator(form).getByRole('button', { name: button }).click()]);
}

export async function firstAccount(page, link) {
  await page.goto(link);
  await accessible(page, 'first account');
  await page.getByLabel('Your name').fill('Ada');
  await page.getByLabel('Password').fill(PASSWORD);
  await page.getByRole('button', { name: 'Make the account' }).click();
  await page.waitForURL('**/line');
}

export async function signIn(page, address, name, password = PASSWORD) {
  await page.goto(`${address}/sign-in`);
  await page.getByLabel('Name').fill(name);
  await page.getByLabel('Password').fill(password);
  await page.getByRole('button', { name: 'Sign in', exact: true }).click();
  await page.waitForURL((u) => !u.pathname.startsWith('/sign-in'));
}

export async function setUp(page, address, data, pictures) {
  await picture(page, pictures, 'line-empty');
  await accessible(page, 'line, empty');
  for (const part of ['stations', 'reels', 'deliveries', 'units', 'examine', 'products', 'authorities', 'declarations', 'labels', 'evidence', 'people', 'log']) {
    await page.goto(`${address}/${part}`);
    await accessible(page, `${part}, empty`);
  }
  await page.goto(`${address}/authorities`);
  let form = page.locator('form[hx-post="/authorities/adopt"]');
  await form.locator('input[name=file]').setInputFiles(join(data, 'authority/paa-a.pem'));
  await form.getByRole('button', { name: 'Adopt' }).click();
  await page.locator('table').waitFor();
  // Once more, by mistake: it says that nothing was changed.
  await form.locator('input[name=file]').setInputFiles(join(data, 'authority/paa-a.pem'));
  await form.getByRole('button', { name: 'Adopt' }).click();
  await page.getByText('was adopted before, and stays as it is').waitFor();
  await picture(page, pictures, 'adopted-before');
  await accessible(page, 'adopted before');
  await page.goto(`${address}/declarations`);
  form = page.locator('form[hx-post="/declarations/adopt"]');
  await form.locator('input[name=file]').setInputFiles(join(data, 'reel-a/declaration.der'));
  await form.locator('input[name=signer]').setInputFiles(join(data, 'reel-a/declaration-signer.pem'));
  await form.getByRole('button', { name: 'Adopt' }).click();
  await page.locator('table').waitFor();
  await page.goto(`${address}/products`);
  await page.getByLabel('Name', { exact: true }).fill('Tern Vent');
  await page.getByLabel('Vendor ID').fill('FFF2');
  await page.getByLabel('Product ID').fill('8A21');
  await page.getByLabel('Device type').fill('0x0202');
  await page.getByRole('button', { name: 'Add it' }).click();
  await page.getByRole('cell', { name: 'Tern Vent TEST' }).waitFor();
  await page.goto(`${address}/reels`);
  await page.getByLabel('Reel', { exact: true }).fill('A');
  await page.locator('input[name=file]').setInputFiles(join(data, 'reel-a/manifest.csv'));
  await page.getByRole('button', { name: 'Receive it' }).click();
  await page.getByRole('link', { name: 'Reel A' }).waitFor();
  await page.goto(`${address}/deliveries`);
  await page.locator('input[name=file]').setInputFiles(join(data, 'reel-a/delivery.zip'));
  await page.getByRole('button', { name: 'Inspect it' }).click();
  await page.getByRole('link', { name: 'Delivery A-1' }).waitFor();
  await picture(page, pictures, 'delivery-received');
  await accessible(page, 'delivery received');
  await page.goto(`${address}/stations`);
  await page.getByLabel('Folder in the site').fill('chips-a');
  await page.locator('input[name=keys]').setInputFiles(join(data, 'reel-a/simulated-keys.ndjson'));
  await page.getByRole('button', { name: 'Load them' }).click();
  await page.getByRole('option', { name: 'simulated:chips-a' }).waitFor({ state: 'attached' });
}

export async function setStation(page, address, name, more = {}) {
  await page.goto(`${address}/stations`);
  const form = page.locator('form[hx-post="/stations"]');
  await form.locator('input[name=station]').fill(name);
  await form.locator('select[name=reel]').selectOption(more.reel ?? 'A');
  await form.locator('select[name=source]').selectOption(more.source ?? 'simulated:chips-a');
  await form.locator('input[name=serial_start]').fill(more.start ?? '');
  await form.locator('input[name=takt]').fill(more.takt ?? '12');
  await form.locator('input[name=per_hour]').fill(more.perHour ?? '250');
  if (more.checkLabel === false) await form.locator('input[name=check_label]').uncheck();
  await form.getByRole('button', { name: 'Add it' }).click();
  await page.locator('.station-card', { hasText: name }).first().waitFor();
}

export async function scan(page, text) {
  await page.locator('#typed').fill(text);
  await page.keyboard.press('Enter');
}

export async function phase(page, word, unit) {
  const ground = page.locator(`#view .ground[data-phase="${word}"]`);
  await (unit ? ground.filter({ hasText: unit }) : ground).waitFor({ timeout: 30_000 });
}

export async function tenUnits(page, address, labelOf, pictures) {
  watch(page);
  await page.goto(`${address}/stations/S1`);
  await phase(page, 'ready');
  assert.equal(await page.evaluate(() => document.activeElement.id), 'typed', 'the scanner has the focus');
  await picture(page, pictures, 'station-ready', false);
  await accessible(page, 'station, ready');
  for (let n = 1; n <= 10; n += 1) {
    const serial = `TV-${String(n).padStart(6, '0')}`;
    await scan(page, serial);
    await phase(page, 'passed', serial);
    if (n === 1) {
      await page.locator('img.label').waitFor();
      await page.waitForFunction(() => document.querySelector('img.label')?.naturalWidth > 0);
      await picture(page, pictures, 'station-passed', false);
      await accessible(page, 'station, passed');
      // The next unit waits for this one's label; a wrong one is told.
      await scan(page, 'MT:Y.K9042C00KA0648G00');
      await phase(page, 'wrong label', serial);
      await picture(page, pictures, 'station-wrong-label', false);
      await accessible(page, 'station, wrong label');
    }
    await scan(page, labelOf(serial));
    await page.locator('#view .todo', { hasText: 'next unit' }).waitFor();
    assert.equal(await page.locator('#typed').inputValue(), '', 'what was taken is cleared');
  }
}
