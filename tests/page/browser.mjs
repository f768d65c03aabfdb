// The browser of the tests: Debian's Chromium, driven without a window and without a network.
import { chromium } from "playwright-core";
import { existsSync } from "node:fs";
import { pathToFileURL } from "node:url";

/** Exit status that says "not run" to whoever started a script. */
export const NOT_INSTALLED = 77;

const PLACES = [process.env.NOTEFRONT_CHROMIUM, "/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"];

/** Path of a Chromium, if there is one. */
export const chromiumPath = () => PLACES.find((place) => place && existsSync(place));

/** A browser that may play sound unasked; its sandbox needs rights that containers do not have. */
export const launch = () =>
  chromium.launch({
    executablePath: chromiumPath(),
    args: ["--no-sandbox", "--autoplay-policy=no-user-gesture-required", "--mute-audio"],
  });

/** Opens a page from its file, and collects what it asks of a network and what it complains about. `first` runs before the
 * page's own scripts. */
export const open = async (browser, path, { first, ...options } = {}) => {
  const context = await browser.newContext({ viewport: { width: 1280, height: 900 }, acceptDownloads: true, ...options });
  if (first) await context.addInitScript(first);
  const page = await context.newPage();
  const url = pathToFileURL(path).href;
  const trouble = [];
  page.on("console", (message) => {
    if (["error", "warning"].includes(message.type())) trouble.push(`console: ${message.text()}`);
  });
  page.on("pageerror", (error) => trouble.push(`error: ${error.message}`));
  page.on("request", (request) => {
    if (request.url() !== url && !/^(data|blob):/.test(request.url())) trouble.push(`request: ${request.url()}`);
  });
  await page.goto(url, { waitUntil: "load" });
  return { context, page, trouble };
};
