// Every page on a small screen and on a tablet: nothing runs out of the page, and the navigation keeps to its lines.
import assert from 'node:assert/strict';
import { picture } from './browser.mjs';

export async function narrow(e) {
  const { page, server, pictures } = e;
  for (const [width, height] of [[1280, 800], [1024, 768], [800, 1280]]) {
    await page.setViewportSize({ width, height });
    for (const path of ['/line', '/stations', '/stations/S1', '/stations/S2', '/reels', '/reels/F', '/deliveries', '/units', '/units/TV-000001', '/examine', '/products', '/fit', '/revocation', '/authorities', '/declarations', '/people', '/log', '/report?reel=F', '/impact?reel=F', '/plan?good=500&yield=0.9']) {
      await page.goto(server.address + path);
      const [wide, seen] = await page.evaluate(() => [document.documentElement.scrollWidth, window.innerWidth]);
      assert.ok(wide <= seen, `${path} at ${width}: ${wide} wide`);
      const rows = await page.evaluate(() => [...document.querySelectorAll('header nav')].filter((n) => n.offsetParent).map((nav) => ({
        tops: new Set([...nav.querySelectorAll('a')].map((a) => a.getBoundingClientRect().top)).size,
        smallest: Math.min(...[...nav.querySelectorAll('a')].map((a) => a.getBoundingClientRect().height)),
      })));
      assert.ok(rows.length > 0 && rows.every((r) => r.tops === 1 && r.smallest >= 36), `${path} at ${width}: ${JSON.stringify(rows)}`);
      if (path === '/stations/S2') {
        // The verdict, the counts and the field are seen without scrolling.
        const box = await page.locator('#typed').boundingBox();
        assert.ok(box.y + box.height <= height, `the field at ${width} by ${height}`);
        await picture(page, pictures, `station-${width}`, false);
      }
    }
  }
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
