// Every page on a small screen and on a tablet: nothing runs out of the page.
import assert from 'node:assert/strict';
import { picture } from './browser.mjs';

export async function narrow(e) {
  const { page, server, pictures } = e;
  for (const [width, height] of [[1024, 768], [800, 1280]]) {
    await page.setViewportSize({ width, height });
    for (const path of ['/line', '/stations', '/stations/S1', '/stations/S2', '/reels', '/reels/F', '/deliveries', '/units', '/units/TV-000001', '/examine', '/products', '/authorities', '/declarations', '/people', '/log', '/report?reel=F', '/impact?reel=F', '/plan?good=500&yield=0.9', '/fit', '/revocation']) {
      await page.goto(server.address + path);
      const [wide, seen] = await page.evaluate(() => [document.documentElement.scrollWidth, window.innerWidth]);
      assert.ok(wide <= seen, `${path} at ${width}: ${wide} wide`);
      if (path === '/stations/S2') {
        // The verdict, the counts and the field are seen without scrolling.
        const box = await page.locator('#typed').boundingBox();
        assert.ok(box.y + box.height <= height, `the field at ${width} by ${height}`);
        await picture(page, pictures, `station-${width}`, false);
      }
    }
  }
  await page.setViewportSize({ width: 1280, height: 800 });
}
