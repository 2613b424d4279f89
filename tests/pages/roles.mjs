// Operators, engineers and auditors see their parts, and are refused the others.
import assert from 'node:assert/strict';
import { accessible, open, picture, watch } from './browser.mjs';
import { PASSWORD, signIn } from './newcomer.mjs';

export async function roles(e) {
  const { page, server, pictures } = e;
  const add = async (name, role, fields) => {
    await page.goto(`${server.address}/people`);
    const form = page.locator('form[hx-post="/people"]');
    await form.locator('input[name=name]').fill(name);
    await form.locator('select[name=role]').selectOption(role);
    for (const [field, text] of Object.entries(fields)) await form.locator(`input[name=${field}]`).fill(text);
    await form.getByRole('button', { name: 'Add' }).click();
    await page.getByRole('cell', { name, exact: true }).waitFor();
  };
  await add('Olga', 'operator', { badge: 'BADGE-4711-OLGA' });
  await add('Otto', 'auditor', { password: PASSWORD });
  await picture(page, pictures, 'people');
  await accessible(page, 'people');

  const context = await open();
  try {
    const other = watch(await context.newPage());
    const status = async (path) => (await other.goto(server.address + path)).status();
    await other.goto(`${server.address}/sign-in?next=/stations/S1`);
    await picture(other, pictures, 'sign-in');
    await accessible(other, 'sign in');
    await other.getByLabel('Badge').fill('BADGE-0000-NONE');
    await other.keyboard.press('Enter');
    await other.getByText('no account has this badge').waitFor();
    await accessible(other, 'sign in, refused');
    await other.goto(`${server.address}/sign-in?next=/stations/S1`);
    await other.getByLabel('Badge').fill('BADGE-4711-OLGA');
    await other.keyboard.press('Enter');
    await other.waitForURL((u) => u.pathname === '/stations/S1');
    for (const path of ['/reels', '/deliveries', '/units', '/units/TV-000001', '/people', '/log', '/products', '/examine', '/line/watch', '/report', '/report.pdf', '/impact?reel=A', '/impact.csv?reel=A', '/plan', '/labels', '/evidence']) {
      assert.equal(await status(path), 403, `an operator at ${path}`);
    }
    await accessible(other, 'forbidden');
    assert.equal(await status('/stations/S1'), 200);
    assert.equal(await status('/line'), 200);
    const cookies = await context.cookies();
    const cookie = cookies.find((c) => c.name.includes('touchmark'));
    assert.ok(cookie.httpOnly && cookie.sameSite === 'Strict', 'the cookie is out of scripts’ reach');
    // A form without its word is refused, wherever it comes from.
    const bare = await other.evaluate(async () => (await fetch('/stations/S1/clear', { method: 'POST' })).status);
    assert.equal(bare, 403, 'no word, no act');
    await context.clearCookies();

    await signIn(other, server.address, 'Otto');
    for (const path of ['/reels', '/units/TV-000001', '/log', '/people', '/line/watch', '/report?reel=A', '/impact?reel=A', '/plan?good=10&yield=0.9', '/evidence']) assert.equal(await status(path), 200, `an auditor at ${path}`);
    assert.equal(await status('/stations/S1'), 403);
    assert.equal(await status('/units/TV-000001/label.svg'), 403, 'an auditor sees no passcode');
    assert.equal(await status('/labels'), 403, 'nor many of them');
    await other.goto(`${server.address}/log`);
    await other.getByRole('button', { name: 'Verify the whole book' }).click();
    await other.getByText('The book is whole.').waitFor();
    await accessible(other, 'log, verified');

    // Guessing is slowed down.
    await context.clearCookies();
    let slowed = false;
    for (let n = 0; n < 12 && !slowed; n += 1) {
      await other.goto(`${server.address}/sign-in`);
      await other.getByLabel('Name').fill('Otto');
      await other.getByLabel('Password').fill(`wrong wrong wrong ${n}`);
      await other.getByRole('button', { name: 'Sign in', exact: true }).click();
      await other.locator('.told').waitFor();
      slowed = (await other.locator('.told').innerText()).includes('oo many attempts to sign in');
    }
    assert.ok(slowed, 'after a few wrong passwords one has to wait');
  } finally {
    await context.close();
  }
}
