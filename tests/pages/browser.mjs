// A real Chromium, and what every page is held to.
import { readFileSync, mkdirSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { mkdtempSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { chromium } from 'playwright-core';

const axeSource = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');

export async function open(more = {}) {
  return chromium.launchPersistentContext(mkdtempSync(join(tmpdir(), 'touchmark-chromium-')), {
    executablePath: process.env.TOUCHMARK_CHROMIUM ?? '/usr/bin/chromium',
    headless: true,
    viewport: { width: 1280, height: 800 },
    ignoreHTTPSErrors: true,
    ...more,
    args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking',
      '--disable-component-update', '--disable-sync', '--autoplay-policy=no-user-gesture-required'],
  });
}

const faults = [];

/// Whatever the browser complains of on a page: scripts, styles or requests that our policy forbids too.
export function watch(page) {
  page.on('pageerror', (e) => faults.push(`${page.url()}: ${e.message}`));
  page.on('console', (m) => {
    // Refusals and a lost line are what some steps are for; htmx tells of them here.
    const expected = /Failed to load resource|ERR_|EventSource|net::|htmx:|Response Status Error|^\[object Event\]/.test(m.text());
    if (m.type() === 'error' && !expected) faults.push(`${page.url()}: ${m.text()}`);
  });
  return page;
}

export function complaints() {
  return faults;
}

/// axe-core's rules for WCAG 2.2 AA.
export async function accessible(page, name) {
  await page.evaluate(axeSource);
  const found = await page.evaluate(async () => {
    const done = await window.axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] });
    return done.violations.map((v) => `${v.id}: ${v.help}: ${v.nodes.slice(0, 3).map((n) => n.target.join(' ')).join(' | ')}`);
  });
  if (found.length) throw new Error(`${name}: ${found.join('\n  ')}`);
}

/// Pictures in both themes, where a folder was asked for.
export async function picture(page, folder, name, full = true) {
  if (!folder) return;
  mkdirSync(folder, { recursive: true });
  for (const theme of ['light', 'dark']) {
    await page.evaluate((t) => { document.documentElement.dataset.theme = t; }, theme);
    await page.screenshot({ path: join(folder, `${name}-${theme}.png`), fullPage: full });
  }
  await page.evaluate(() => { delete document.documentElement.dataset.theme; });
}
