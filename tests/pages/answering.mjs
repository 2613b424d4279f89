// Planning and answering for it, on a rehearsed site: parts judged, a past learned from, certificates revoked by two
// people, lists downloaded and adopted. What is issued is checked with OpenSSL.
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { mkdtempSync, readFileSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { accessible, open, picture, watch } from './browser.mjs';
import { PASSWORD, firstAccount, signIn } from './newcomer.mjs';
import { start, touchmark } from './server.mjs';

function openssl(folder, ...args) {
  return execFileSync('openssl', args, { cwd: folder, encoding: 'utf8', stdio: ['ignore', 'pipe', 'pipe'] });
}

/// A PAA and a PAI for sold devices, made with OpenSSL, and a list of the PAA that revokes the PAI.
function authorityElsewhere(folder) {
  writeFileSync(join(folder, 'ca.cnf'), `
oid_section = oids
[oids]
vid = 1.3.6.1.4.1.37244.2.1
[req]
distinguished_name = dn
prompt = no
string_mask = utf8only
[dn]
CN = Sold PAA
[root]
basicConstraints = critical,CA:true,pathlen:1
keyUsage = critical,keyCertSign,cRLSign
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid:always
[pai]
basicConstraints = critical,CA:true,pathlen:0
keyUsage = critical,keyCertSign,cRLSign
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid:always
[ca]
default_ca = one
[one]
database = index.txt
crlnumber = crlnumber
default_md = sha256
default_crl_days = 30
crl_extensions = crl
[crl]
authorityKeyIdentifier = keyid:always
`);
  const key = (name) => openssl(folder, 'ecparam', '-name', 'prime256v1', '-genkey', '-noout', '-out', name);
  key('paa.key');
  key('pai.key');
  openssl(folder, 'req', '-x509', '-new', '-key', 'paa.key', '-sha256', '-days', '3650', '-set_serial', '0x11223344', '-config', 'ca.cnf', '-extensions', 'root', '-subj', '/CN=Sold PAA', '-out', 'paa.pem');
  openssl(folder, 'req', '-new', '-key', 'pai.key', '-config', 'ca.cnf', '-subj', '/CN=Sold PAI/vid=5A10', '-utf8', '-out', 'pai.csr');
  openssl(folder, 'x509', '-req', '-in', 'pai.csr', '-CA', 'paa.pem', '-CAkey', 'paa.key', '-sha256', '-days', '3000', '-set_serial', '0x55667788', '-extfile', 'ca.cnf', '-extensions', 'pai', '-out', 'pai.pem');
  writeFileSync(join(folder, 'index.txt'), '');
  writeFileSync(join(folder, 'crlnumber'), '05\n');
  openssl(folder, 'ca', '-config', 'ca.cnf', '-cert', 'paa.pem', '-keyfile', 'paa.key', '-revoke', 'pai.pem', '-crl_reason', 'cessationOfOperation');
  openssl(folder, 'ca', '-config', 'ca.cnf', '-cert', 'paa.pem', '-keyfile', 'paa.key', '-gencrl', '-out', 'paa.crl');
}

/// What a link leads to, as the browser's session gets it.
async function fetched(page, address, href) {
  const got = await page.request.get(address + href);
  assert.equal(got.status(), 200, href);
  return got;
}

async function parts(page, address, pictures) {
  await page.goto(`${address}/fit`);
  await accessible(page, 'fit, empty');
  const form = page.locator('#form-fit');
  await form.getByRole('button', { name: 'Judge the parts' }).click();
  await page.getByText('no part was chosen').waitFor();
  for (const name of ['QL-S1', 'QL-M4']) await form.locator(`input[name="shipped-${name}"]`).check();
  const own = readFileSync(new URL('../../examples/parts/ql-s1.toml', import.meta.url), 'utf8').replace('"QL-S1"', '"Small one"').replace(/^octets = [0-9_]+$/m, 'octets = 1_500').replace(/^object_octets = [0-9_]+$/m, 'object_octets = 1_000');
  await form.locator('input[name=part]').setInputFiles({ name: 'small.toml', mimeType: 'text/plain', buffer: Buffer.from(own) });
  await form.locator('select[name=product]').selectOption('Tern Vent');
  await form.locator('summary').click();
  await form.locator('input[name="threat-flash-readout"]').check();
  await form.getByRole('button', { name: 'Judge the parts' }).click();
  await page.locator('#fitted h2').first().waitFor();
  const said = await page.locator('#fitted').innerText();
  assert.match(said, /Tern Vent fits on QL-S1 and QL-M4/);
  assert.match(said, /TEST/);
  assert.match(said, /Small one: checks/);
  await accessible(page, 'fit');
  await picture(page, pictures, 'fit');
  // An identity that no site knows yet asks for less than the standard's limit.
  await form.locator('select[name=product]').selectOption('');
  await form.locator('input[name=vendor]').fill('5A10');
  await form.locator('input[name=pid]').fill('0001');
  await form.getByRole('button', { name: 'Judge the parts' }).click();
  await page.getByText('VID 5A10 PID 0001 fits on').first().waitFor();
  assert.equal(await form.locator('input[name=vendor]').inputValue(), '5A10', 'the form keeps what was typed');
  await form.locator('input[name=part]').setInputFiles({ name: 'odd.toml', mimeType: 'text/plain', buffer: Buffer.from('[part]\nname = "x"') });
  await form.getByRole('button', { name: 'Judge the parts' }).click();
  await page.getByText(/odd\.toml, line/).waitFor();
}

/// What needs attention soon leads to the page where something is done about it; the command names the command.
async function bites(page, address, program, site) {
  await page.goto(`${address}/line`);
  const stock = page.locator('#watched tr', { hasText: 'in stock, enough until then' });
  await stock.waitFor();
  assert.ok(!(await stock.innerText()).includes('touchmark plan'));
  let told;
  try { touchmark(program, site, 'watch'); } catch (due) { told = JSON.parse(due.stdout); }
  assert.match(told.due.find((w) => w.kind === 'stock').advice, /`touchmark plan`/);
  await accessible(page, 'line, with what is due');
  await stock.getByRole('link', { name: 'the plan' }).click();
  await page.waitForURL('**/plan?past=*');
  assert.equal(await page.locator('select[name=past]').inputValue(), 'product:Tern Vent');
}

async function past(page, address, program, site, pictures) {
  await page.goto(`${address}/plan?good=5000&past=product:Tern+Vent`);
  const said = await page.locator('.paper').innerText();
  assert.match(said, /The past of product Tern Vent/);
  const same = JSON.parse(touchmark(program, site, 'plan', '--good', '5000', '--product', 'Tern Vent'));
  assert.ok(said.replaceAll(/[\s\u202f,]/g, '').includes(String(same.chips)), `the page plans the command's ${same.chips} chips`);
  await accessible(page, 'plan with a past');
  await picture(page, pictures, 'plan-past');
  await page.goto(`${address}/report?order=R1%2F1&station=Station+1&every=hour`);
  assert.match(await page.locator('main').innerText(), /order .*reel R1, Tern Vent, station Station 1/);
  await accessible(page, 'report on an order');
  await page.goto(`${address}/impact?firmware=1.0.0`);
  assert.match(await page.locator('main').innerText(), /60 units are affected[\s\S]*recorded for all 60 units/);
}

async function test(page, address, site, folder, pictures) {
  // From the question which units an authority touches, to its revocation.
  await page.goto(`${address}/impact?authority=Quarry+Lane+Test+PAI`);
  await page.getByRole('link', { name: 'Revoke it' }).click();
  await page.waitForURL('**/revocation?authority=**');
  assert.equal(await page.locator('select[name=authority]').inputValue(), 'Quarry Lane Test PAI');
  await page.goto(`${address}/revocation`);
  await accessible(page, 'revocation, empty');
  const ask = page.locator('#form-ask');
  await ask.locator('input[name=unit]').fill('TV-000001, TV-000002');
  await ask.locator('select[name=reason]').selectOption({ index: 0 });
  await ask.locator('input[name=note]').fill('seen on a <b>forum</b>');
  await ask.getByRole('button', { name: 'Show affected units' }).click();
  await page.getByRole('heading', { name: 'Affected units' }).waitFor();
  assert.match(await page.locator('main').innerText(), /2 certificates of Quarry Lane Test PAI[\s\S]*Nothing|Nothing[\s\S]*2 certificates of Quarry Lane Test PAI/);
  await accessible(page, 'revocation, asked');
  await picture(page, pictures, 'revocation-ask');
  page.on('dialog', (d) => d.accept());
  await page.locator('input[name=passphrase]').fill('not the passphrase');
  await page.getByRole('button', { name: 'Revoke now' }).click();
  await page.getByText(/passphrase/).nth(1).waitFor();
  await page.locator('input[name=passphrase]').fill(readFileSync(join(site, 'keys/passphrase'), 'utf8').trim());
  await page.getByRole('button', { name: 'Revoke now' }).click();
  await page.waitForURL('**/revocation/requests/1');
  assert.match(await page.locator('main').innerText(), /revoked[\s\S]*asked for by Ada/);
  await accessible(page, 'revocation, revoked');
  const href = await page.getByRole('link', { name: 'list', exact: true }).getAttribute('href');
  writeFileSync(join(folder, 'own.crl'), await (await fetched(page, address, href)).body());
  writeFileSync(join(folder, 'own-pai.der'), readFileSync(join(site, 'evidence/TV-000001/pai.der')));
  openssl(folder, 'x509', '-inform', 'DER', '-in', 'own-pai.der', '-out', 'own-pai.pem');
  openssl(folder, 'crl', '-inform', 'DER', '-in', 'own.crl', '-CAfile', 'own-pai.pem', '-noout');
  const text = openssl(folder, 'crl', '-inform', 'DER', '-in', 'own.crl', '-noout', '-text');
  assert.equal(text.match(/Serial Number:/g).length, 2);
  const point = await (await fetched(page, address, `${href}/point`)).json();
  // The record names its signer; the list changes under one address, so it gives no size.
  assert.ok(point.signer_certificate.includes('BEGIN CERTIFICATE') && !('data_size' in point));
}

async function production(page, address, folder, pictures) {
  await page.goto(`${address}/revocation`);
  const ask = page.locator('#form-ask');
  await ask.locator('select[name=authority]').selectOption('Sold PAI');
  await ask.locator('select[name=reason]').selectOption('cessationOfOperation');
  await ask.getByRole('button', { name: 'Show affected units' }).click();
  await page.getByText('Production takes two people').waitFor();
  await page.getByRole('button', { name: 'Ask for it' }).click();
  await page.waitForURL('**/revocation/requests/2');
  assert.match(await page.locator('main').innerText(), /You asked for it yourself/);
  assert.equal(await page.getByRole('button', { name: 'Confirm: revoke permanently' }).count(), 0);
  // Not by its address either.
  const word = JSON.parse(await page.locator('body').getAttribute('hx-headers'))['x-form'];
  const alone = await page.request.post(`${address}/revocation/requests/2/confirm`, { headers: { 'x-form': word, 'content-type': 'application/x-www-form-urlencoded' }, data: '' });
  assert.equal(alone.status(), 422);
  assert.match(await alone.text(), /another person must confirm/);
  // The second person is another account, in a browser of their own.
  const other = await open();
  const second = watch(await other.newPage());
  second.on('dialog', (d) => d.accept());
  await second.goto(`${address}/sign-in`);
  await signIn(second, address, 'Ben');
  await second.goto(`${address}/revocation`);
  await second.getByRole('link', { name: '2', exact: true }).click();
  await accessible(second, 'revocation, waiting');
  await picture(second, pictures, 'revocation-waiting');
  await second.getByRole('button', { name: 'Confirm: revoke permanently' }).click();
  await second.getByRole('link', { name: 'this request' }).waitFor();
  const told = await (await fetched(second, address, '/revocation/requests/2/to-send')).json();
  assert.deepEqual([told.requested_by, told.confirmed_by, told.certificates.length], ['Ada', 'Ben', 1]);
  // What the authority answers with.
  await second.goto(`${address}/revocation`);
  await second.locator('input[name=list]').setInputFiles(join(folder, 'paa.crl'));
  await second.locator('#form-adopt').getByRole('button', { name: 'Adopt' }).click();
  await second.locator('#adopted .told').waitFor();
  assert.match(await second.locator('#adopted').innerText(), /Adopted: list 05 of Sold PAA/);
  await second.reload();
  await accessible(second, 'revocation');
  await picture(second, pictures, 'revocation');
  await other.close();
}

export async function answering(everything) {
  const { program, pictures, context } = everything;
  const folder = mkdtempSync(join(tmpdir(), 'touchmark-answering-'));
  const site = join(folder, 'site');
  execFileSync(program, ['--json', 'rehearse', '--units', '60', '--seed', '3', '--faults', 'usual', '--out', site], { stdio: ['ignore', 'ignore', 'ignore'] });
  authorityElsewhere(folder);
  touchmark(program, site, 'authority', 'adopt', join(folder, 'paa.pem'), join(folder, 'pai.pem'), '--production');
  const server = await start(program, site);
  const page = watch(await context.newPage());
  try {
    await firstAccount(page, server.first);
    await page.goto(`${server.address}/people`);
    const form = page.locator('#form-add');
    await form.locator('input[name=name]').fill('Ben');
    await form.locator('select[name=role]').selectOption('engineer');
    await form.locator('input[name=password]').fill(PASSWORD);
    await form.getByRole('button', { name: 'Add' }).click();
    await page.getByRole('cell', { name: 'Ben', exact: true }).waitFor();
    await parts(page, server.address, pictures);
    await bites(page, server.address, program, site);
    await past(page, server.address, program, site, pictures);
    await test(page, server.address, site, folder, pictures);
    await production(page, server.address, folder, pictures);
    const account = JSON.parse(touchmark(program, site, 'reconcile'));
    assert.deepEqual([account.credentials.revoked, account.log.intact], [2, true]);
  } finally {
    await page.close();
    await server.stop();
  }
}
