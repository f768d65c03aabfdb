// How long a page takes to open, in milliseconds: node tests/page/open-time.mjs PAGE.html [TIMES]
// From the request until the page has loaded and its first frame is on the screen. Prints the median. A figure for
// people, not a test: it depends on the machine.
import { resolve } from "node:path";
import { launch, open } from "./browser.mjs";

const [path, times = "5"] = process.argv.slice(2);
const browser = await launch();
const taken = [];
for (let i = 0; i < Number(times); i += 1) {
  const start = performance.now();
  const { context, page } = await open(browser, resolve(path));
  await page.evaluate(() => new Promise((done) => requestAnimationFrame(() => setTimeout(done))));
  taken.push(Math.round(performance.now() - start));
  await context.close();
}
await browser.close();
taken.sort((a, b) => a - b);
console.log(`${path}: ${taken[taken.length >> 1]} ms (of ${taken.join(", ")})`);
