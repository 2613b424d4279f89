// Signing in with the company's account, as a browser does it: to a provider on another site, and back.
import assert from 'node:assert/strict';
import { spawn } from 'node:child_process';
import { appendFileSync, writeFileSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { accessible, open, picture, watch } from './browser.mjs';
import { firstAccount, signIn } from './newcomer.mjs';
import { newSite, start } from './server.mjs';

const script = join(dirname(fileURLToPath(import.meta.url)), '../outside/openid.py');

async function provider(back) {
  const python = process.env.TOUCHMARK_PYTHON ?? join(dirname(script), '../../.venv/bin/python');
  // To a browser, localhost and 127.0.0.1 are two sites.
  const child = spawn(python, ['-B', script, '--client', 'touchmark', '--secret', 'a secret', '--host', 'localhost', '--back', back], { stdio: ['ignore', 'pipe', 'inherit'] });
  const issuer = await new Promise((resolve) => child.stdout.once('data', (d) => resolve(String(d).trim())));
  return { issuer, stop: () => child.kill(), nextIs: (query) => fetch(`${issuer}/as?${new URLSearchParams(query)}`) };
}

export async function company({ program, pictures }) {
  const site = newSite(program, 'Tern & Hollow, line 3');
  let server = await start(program, site);
  const context = await open();
  const page = watch(await context.newPage());
  let house;
  try {
    await firstAccount(page, server.first);
    await context.clearCookies();
    await server.stop();
    house = await provider(`${server.address}/sign-in/company/back`);
    writeFileSync(join(site, 'keys/openid.secret'), 'a secret\n', { mode: 0o600 });
    appendFileSync(join(site, 'touchmark.toml'), `
[pages.openid]
issuer = "${house.issuer}"
name = "Tern & Hollow"
client_id = "touchmark"
client_secret_file = "keys/openid.secret"
address = "${server.address}"
[pages.openid.roles]
engineers = "engineer"
quality = "auditor"
`);
    server = await start(program, site, server.listen);

    await page.goto(`${server.address}/reels`);
    await page.waitForURL('**/sign-in?next=**');
    await picture(page, pictures, 'sign-in-company');
    await accessible(page, 'sign in with the company');
    const button = page.getByRole('link', { name: 'Sign in with Tern & Hollow' });
    const box = await button.boundingBox();
    assert.ok(box.height >= 44 && box.width >= 44, `${box.width} by ${box.height} px`);

    // One press: to the other site, back, and on to what was asked for, signed in.
    await house.nextIs({ sub: '17', preferred_username: 'grace', groups: 'engineers' });
    await button.click();
    await page.waitForURL(`${server.address}/reels`);
    await page.getByText('grace', { exact: true }).waitFor();
    await page.goto(`${server.address}/people`);
    await page.getByRole('cell', { name: 'company account' }).waitFor();
    await accessible(page, 'people of the company');
    await page.getByRole('button', { name: 'Sign out' }).click();
    await page.waitForURL('**/sign-in');

    // Without a group, and without the provider: both say so where one signs in.
    await house.nextIs({ sub: '18', preferred_username: 'mallory', groups: 'canteen' });
    await button.click();
    await page.getByText('none of your groups has a role here').waitFor();
    await page.getByText('engineers (engineer), quality (auditor)').waitFor();
    await picture(page, pictures, 'sign-in-company-no-group');
    await accessible(page, 'no group');
    house.stop();
    await button.click();
    await page.getByText("can't be reached").waitFor();
    await picture(page, pictures, 'sign-in-company-down');
    await signIn(page, server.address, 'Ada');
    await page.getByText('Ada', { exact: true }).waitFor();
  } finally {
    house?.stop();
    await context.close();
    await server.stop();
  }
}
