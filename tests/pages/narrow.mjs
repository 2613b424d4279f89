// Every page on a small screen and on a tablet, held either way: nothing runs out of the page or is cut, what is touched is large
// enough, and the navigation keeps to its lines.
import assert from 'node:assert/strict';
import { accessible, picture } from './browser.mjs';

/// A small computer's screen; a tablet on its side and upright.
const SIZES = [[1280, 800], [1024, 768], [768, 1024]];

const PATHS = ['/line', '/stations', '/stations/S1', '/stations/S2', '/labels?reel=A', '/report', '/report?reel=F', '/report?last_week=on&worst_hour=on',
  '/reels', '/reels/A', '/reels/F', '/deliveries', '/deliveries/A-1', '/authorities', '/declarations', '/fit', '/plan', '/plan?good=500&yield=0.9', '/products', '/examine',
  '/units', '/units?reel=A', '/units?find=TV-00', '/units/TV-000001', '/impact', '/impact?reel=F', '/evidence?reel=A', '/revocation', '/log', '/people', '/people/Ada', '/stations/S1/about', '/products/Tern Vent', '/find?q=key-usage', '/rules/dac.key-usage', '/trust-sets', '/account'];

/// What is wrong with a page as it lies now, in words.
function wrong(least) {
  const out = [];
  const wide = document.documentElement.scrollWidth;
  if (wide > window.innerWidth) out.push(`${wide} px wide on ${window.innerWidth}`);
  const name = (e) => `${e.tagName.toLowerCase()}${e.id ? `#${e.id}` : ''}${e.className && e.className.baseVal === undefined ? `.${[...e.classList].join('.')}` : ''} "${(e.textContent || e.name || '').trim().slice(0, 30)}"`;
  const seen = (e) => e.checkVisibility() && !e.closest('.unseen, .skip, [tabindex="-1"]:not(main)');
  // Whether it can be scrolled to within something that scrolls by itself.
  const scrolls = (e) => { for (let p = e.parentElement; p && p !== document.body; p = p.parentElement) if (/auto|scroll/.test(getComputedStyle(p).overflowX)) return true; return false; };
  for (const e of document.querySelectorAll('main *, header *')) {
    if (!seen(e) || e.closest('svg')) continue;
    const box = e.getBoundingClientRect();
    if (box.width > 0 && (box.right > window.innerWidth + 1 || box.left < -1) && !scrolls(e)) out.push(`${name(e)} lies from ${Math.round(box.left)} to ${Math.round(box.right)}`);
    // Words that are cut off without a sign of it.
    const style = getComputedStyle(e);
    if (/hidden|clip/.test(style.overflowX) && style.textOverflow !== 'ellipsis' && e.scrollWidth > e.clientWidth + 1 && e.clientWidth > 0) out.push(`${name(e)} is cut`);
  }
  for (const e of document.querySelectorAll('a, button, input:not([type=hidden]), select, textarea, summary')) {
    if (!seen(e) || e.closest('svg')) continue;
    // A link within a sentence is as high as its line; a box to tick is as large as its label.
    const sentence = e.tagName === 'A' && !e.classList.contains('button') && e.parentElement.textContent.trim() !== e.textContent.trim() && e.closest('p, li, dd, td, h1, h2, h3');
    if (sentence) continue;
    const target = (e.type === 'checkbox' || e.type === 'radio') && e.closest('label') ? e.closest('label') : e;
    const box = target.getBoundingClientRect();
    if (box.width > 0 && Math.min(box.width, box.height) < least - 0.5) out.push(`${name(e)} is ${Math.round(box.width)} by ${Math.round(box.height)} px`);
  }
  return out;
}

export async function narrow(e) {
  const { page, server, pictures } = e;
  const faults = [];
  for (const [width, height] of SIZES) {
    await page.setViewportSize({ width, height });
    for (const path of PATHS) {
      await page.goto(server.address + path);
      if (path === '/line') await page.locator('#watched .state').first().waitFor();
      for (const d of await page.locator('main details').all()) await d.evaluate((d) => { d.open = true; });
      // What an operator touches at a station is larger; an engineer's page about it is like any other.
      const least = /^\/stations\/[^/]+$/.test(path) ? 44 : 24;
      faults.push(...(await page.evaluate(wrong, least)).map((w) => `${path} at ${width}: ${w}`));
      if (width < 1280) await picture(page, pictures, `${width}${path.replaceAll(/[^a-zA-Z0-9]+/g, '-')}`);
      const rows = await page.evaluate(() => [...document.querySelectorAll('header nav')].filter((n) => n.offsetParent).map((nav) => ({
        tops: new Set([...nav.querySelectorAll('a')].map((a) => a.getBoundingClientRect().top)).size,
        smallest: Math.min(...[...nav.querySelectorAll('a')].map((a) => a.getBoundingClientRect().height)),
      })));
      assert.ok((rows.length > 0 || path === '/account') && rows.every((r) => r.tops === 1 && r.smallest >= 36), `${path} at ${width}: ${JSON.stringify(rows)}`);
      if (path === '/stations/S2') {
        // The verdict, the counts and the field are seen without scrolling.
        const box = await page.locator('#typed').boundingBox();
        assert.ok(box.y + box.height <= height, `the field at ${width} by ${height}`);
        await picture(page, pictures, `station-${width}`, false);
      }
      if (width === 768) await accessible(page, `${path} at ${width}`);
    }
  }
  assert.deepEqual(faults, []);
  await page.setViewportSize({ width: 1280, height: 800 });
  // By the keyboard alone: past the skip link to a stage, then to a page of it.
  await page.goto(`${server.address}/line`);
  const tabTo = async (word) => {
    for (let n = 0; n < 30; n += 1) {
      await page.keyboard.press('Tab');
      if (await page.evaluate(() => document.activeElement.textContent) === word) return;
    }
    throw new Error(`${word} was not reached by the keyboard`);
  };
  await tabTo('Receive');
  await page.keyboard.press('Enter');
  await page.waitForURL('**/reels');
  await tabTo('Deliveries');
  await page.keyboard.press('Enter');
  await page.waitForURL('**/deliveries');
}
