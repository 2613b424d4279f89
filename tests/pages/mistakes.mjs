// A form with a wrong value comes again: values kept, secrets not, the message at the field, the focus there; with
// scripts and without.
import assert from 'node:assert/strict';
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { accessible, open, picture } from './browser.mjs';
import { signIn } from './newcomer.mjs';

// Page, form, what is typed, the field that is at fault (none: the form as a whole), the status.
const FORMS = [
  ['/products', 'add', { name: 'Tern Lamp', vendor: 'FFQ2', product: '8A22', device_type: '0x0101', vendor_name: 'Tern & "Hollow"' }, 'vendor', 400],
  ['/products', 'add', { name: 'Tern Lamp', vendor: 'FFF2', product: '8A22', device_type: 'lamp' }, 'device_type', 400],
  ['/products', 'add', { name: 'Tern Vent', vendor: 'FFF2', product: '8A22', device_type: '1' }, 'name', 422],
  ['/authorities', 'raise', { name: 'Kept root', role: 'paa', vendor: 'FFQ2', years: '2', passphrase: 'only for this test' }, 'vendor', 400],
  ['/authorities', 'raise', { name: 'Kept PAI', role: 'pai', vendor: 'FFF2', passphrase: 'only for this test' }, 'issuer', 400],
  ['/authorities', 'adopt', { name: 'Kept', file: 'x.pem' }, 'file', 400],
  ['/declarations', 'make', { name: 'Kept', vendor: 'FFF2', products: '8A21 ZZZZ', device_type: '1', passphrase: 'only for this test' }, 'products', 400],
  ['/declarations', 'adopt', { name: 'Kept', file: 'x.der', signer: 'x.pem' }, 'file', 400],
  ['/people', 'add', { name: 'Kim', role: 'engineer', password: 'too short' }, 'password', 400],
  ['/people', 'add', { name: 'Kim', role: 'engineer', password: 'long enough to be one', badge: 'BADGE-1234-5678' }, 'badge', 400],
  ['/people/Ada', 'change', { role: 'engineer', password: 'too short' }, 'password', 400],
  ['/people/Ada', 'change', { role: 'auditor' }, 'sure', 400],
  ['/stations/S1/about', 'change', { takt: 'quick', per_hour: '90' }, 'takt', 400],
  ['/people', 'token', { name: 'mes', role: 'auditor', days: '9999' }, 'days', 400],
  ['/stations', 'station', { station: 'S9', serial_start: 'NO-DIGIT', takt: '12', per_hour: '90' }, 'serial_start', 400],
  ['/stations', 'station', { station: 'S9', serial_start: 'S9-0001', takt: 'quick', per_hour: '90' }, 'takt', 400],
  ['/stations', 'simulate', { folder: '../out', keys: 'x.ndjson' }, 'folder', 400],
  ['/account', 'own', { old: 'not the one', new: 'a new one that is long' }, 'old', 422],
  ['/plan', 'plan', { good: '5000', yield: '98.5', takt: '20' }, 'yield', 400],
  ['/plan', 'plan', { good: 'many', yield: '0.9' }, 'good', 400],
  ['/report', 'report', { reel: 'A', product: 'Tern Vent', worst_hour: true }, 'product', 400],
  ['/impact', 'impact', { authority: 'nobody', station: 'S1' }, 'authority', 400],
  ['/impact', 'impact', { reel: 'A', from: 'yesterday' }, 'from', 400],
  ['/examine', 'examine', { file: 'x.pem', vendor: 'FF' }, 'vendor', 400],
  ['/fit', 'fit', { 'shipped-QL-S1': true, vendor: 'FFF2', further: 'anchor=900' }, 'pid', 400],
  ['/fit', 'fit', { 'shipped-QL-S1': true, further: 'no size' }, 'further', 400],
  ['/revocation', 'ask', { unit: 'TV-999999', note: 'lost' }, 'unit', 400],
  ['/revocation', 'renew', { days: '0' }, 'days', 400],
  ['/units/TV-000001', 'acts', { reason: ' ' }, 'reason', 400],
];
const looked = new Set();
const SECRETS = ['password', 'passphrase', 'badge', 'old', 'new'];

async function fill(form, fields, folder) {
  for (const hidden of await form.locator('details').all()) await hidden.evaluate((d) => { d.open = true; });
  for (const [name, value] of Object.entries(fields)) {
    const at = form.locator(`[name=${name}]`);
    const kind = await at.evaluate((e) => `${e.tagName} ${e.type}`);
    if (kind.startsWith('SELECT')) await at.selectOption(value);
    else if (kind.endsWith('file')) await at.setInputFiles(join(folder, value));
    else if (kind.endsWith('checkbox')) await at.setChecked(value);
    else await at.fill(value);
  }
}

async function wrong(page, address, pictures, [path, id, fields, field, status], folder, scripts) {
  const what = `${path} ${id} ${field ?? ''} ${scripts ? 'with' : 'without'} scripts`;
  await page.goto(address + path);
  const form = page.locator(`#form-${id}`);
  await fill(form, fields, folder);
  // What the browser itself would hold back is sent all the same.
  await form.evaluate((f) => { f.noValidate = true; });
  page.once('dialog', (d) => d.accept());
  const answered = page.waitForResponse((r) => r.status() >= 400, { timeout: 8000 }).catch(() => { throw new Error(`${what}: nothing was refused`); });
  await form.locator('button').first().click();
  assert.equal((await answered).status(), status, what);
  const at = page.locator(`#form-${id} [name=${field}]`);
  await page.locator(`#form-${id} [name=${field}][aria-invalid=true]`).waitFor({ state: 'attached' });
  assert.equal(await page.locator('[aria-invalid=true]').count(), 1, `${what}: one field is at fault`);
  const by = await at.getAttribute('aria-describedby');
  const said = await page.locator(`[id="${by}"]`).innerText();
  assert.ok(said.trim().length > 10, `${what}: ${said}`);
  await page.waitForFunction((f) => document.activeElement?.getAttribute('name') === f, field, { timeout: 3000 }).catch(() => {
    throw new Error(`${what}: the focus is not at the field`);
  });
  assert.ok(await at.isVisible(), `${what}: the field is in sight`);
  for (const [name, value] of Object.entries(fields)) {
    const now = page.locator(`#form-${id} [name=${name}]`);
    const kind = await now.evaluate((e) => e.type);
    if (kind === 'file') assert.match(await page.locator(`#form-${id}`).innerText(), /Choose the files again/, what);
    else if (kind === 'checkbox') assert.equal(await now.isChecked(), value, `${what}: ${name}`);
    else assert.equal(await now.inputValue(), SECRETS.includes(name) ? '' : value, `${what}: ${name}`);
  }
  // Every form of a page says what is wrong in the same way.
  if (scripts && !looked.has(path)) await accessible(page, what);
  looked.add(path);
  if (path === '/products' && field === 'vendor' && scripts) await picture(page, pictures, 'form-again');
}

export async function mistakes(e) {
  const { page, program, site, server, pictures } = e;
  for (const name of ['x.pem', 'x.der', 'x.ndjson']) writeFileSync(join(site, name), 'nothing of the kind\n');
  for (const form of FORMS) await wrong(page, server.address, pictures, form, site, true);
  // Nothing of it was stored.
  for (const path of ['/products', '/authorities', '/people', '/stations']) {
    await page.goto(server.address + path);
    for (const name of ['Tern Lamp', 'Kept root', 'Kim', 'S9']) assert.equal(await page.getByText(name, { exact: true }).count(), 0, `${name} at ${path}`);
  }
  const context = await open({ javaScriptEnabled: false });
  try {
    const plain = await context.newPage();
    // The door itself: the name is kept, the password is not, and no address ever carries one.
    await plain.goto(`${server.address}/sign-in?next=/reels`);
    await plain.getByLabel('Name').fill('Ada');
    await plain.getByLabel('Password').fill('not the right one');
    await plain.getByRole('button', { name: 'Sign in', exact: true }).click();
    await plain.locator('#form-password .told').waitFor();
    assert.equal(await plain.getByLabel('Name').inputValue(), 'Ada');
    assert.equal(await plain.getByLabel('Password').inputValue(), '');
    await signIn(plain, server.address, 'Ada');
    for (const form of FORMS) await wrong(plain, server.address, undefined, form, site, false);
  } finally {
    await context.close();
  }
}
