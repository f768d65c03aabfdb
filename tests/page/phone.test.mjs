// From a phone and back, step by step, as README tells it: the page of a take recorded by a phone, on a phone. The worst
// front is looped at half speed, its flag dismissed, a missed entrance added, and the page sent back. Started by
// takes/tests/page.rs with phone.html and phone.json, and once more with the page made after the corrections,
// phone-next.html. Each step's picture is kept beside the page.
import assert from "node:assert/strict";
import { copyFile, readFile } from "node:fs/promises";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { launch, open } from "./browser.mjs";

const folder = process.env.NOTEFRONT_PAGES;
const file = (name) => join(folder, name);
const PHONE = { viewport: { width: 390, height: 844 }, hasTouch: true, isMobile: true, deviceScaleFactor: 2 };

let browser;
before(async () => { browser = await launch(); });
after(async () => { await browser.close(); });

/** Where a finger goes on the lane for a time of the take: [x, y]. */
const onTheLane = (page, at) => page.evaluate((at) => {
  const tile = [...document.querySelectorAll(".lane .tile")].find((t) => at >= Number(t.dataset.from) && at < Number(t.dataset.to));
  tile.scrollIntoView({ block: "nearest" });
  const r = tile.getBoundingClientRect();
  return [r.left + ((at - tile.dataset.from) / (tile.dataset.to - tile.dataset.from)) * r.width, r.top + r.height * 0.5];
}, at);

/** Taps what a finger can reach: it must be in sight, with nothing over it, and large enough. */
const tap = async (locator) => {
  const box = await locator.boundingBox();
  assert.ok(box.height >= 24 && box.width >= 24, `${await locator.innerText()}: ${box.width} x ${box.height} px`);
  await locator.tap();
};

test("from a phone and back", async () => {
  const { missed_s } = JSON.parse(await readFile(file("phone.json"), "utf8"));
  const opened = await open(browser, file("phone.html"), PHONE);
  const { page } = opened;
  let step = 0;
  const picture = async (name) => { step += 1; await page.screenshot({ path: file(`phone-${step}-${name}.png`) }); };
  const sideways = () => page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  await picture("opened");

  // The worst front, by its button at the top; then slow, and round and round.
  await tap(page.locator(".first .play").first());
  await page.waitForFunction(() => sound.isPlaying, null, { timeout: 15_000 });
  const at = await page.evaluate(() => desk.chosen.pick);
  await page.selectOption("#speed", "0.5");
  await tap(page.locator("#loop"));
  await page.locator(".first a").first().tap();
  await page.waitForFunction(() => sound.isPlaying && document.querySelector(".close-up .playhead"), null, { timeout: 15_000 });
  const places = [];
  for (let i = 0; i < 12; i += 1) { places.push((await page.evaluate(() => sound.now())).at); await page.waitForTimeout(400); }
  assert.ok(places.every((p) => p >= at - 0.31 && p <= at + 1.01), `${places} around ${at}`);
  assert.ok(places.some((p, i) => i > 0 && p < places[i - 1]), `it begins again: ${places}`);
  const forward = places.slice(1).map((p, i) => p - places[i]).filter((d) => d > 0).sort((a, b) => a - b);
  const pace = forward[forward.length >> 1] / 0.4;
  assert.ok(pace > 0.4 && pace < 0.62, `half speed: ${pace}`);
  await page.waitForFunction(() => { const e = document.querySelector(".close-up .playhead"); return e && e.getBoundingClientRect().top < innerHeight; });
  await picture("looped-at-half-speed");
  await tap(page.locator("#hear"));

  // Its flag is dismissed: the room still rang with the note before.
  await tap(page.locator("#mend > summary"));
  await page.fill("#reason", "the room still rings");
  await tap(page.locator('.say[data-what="fine"]'));
  await page.evaluate(() => document.activeElement.blur());
  assert.match(await page.locator(".card .yours").innerText(), /fine as it is \(the room still rings\)/);
  assert.equal(await page.locator(".first .dismissed").count(), 1);
  await picture("dismissed");

  // A stroke is missing on the lane, in the body of the note before.
  const [x, y] = await onTheLane(page, missed_s);
  await page.touchscreen.tap(x, y);
  await page.waitForFunction(() => desk.chosen.place === null);
  await page.waitForTimeout(500);
  const picked = await page.evaluate(() => desk.chosen.pick);
  assert.ok(Math.abs(picked - missed_s) < 0.037, `a finger's place is brought to the sound: ${picked}`);
  await page.fill("#note", "G2");
  await tap(page.locator('.say[data-what="added"]'));
  await page.waitForTimeout(300);
  await picture("added");

  // The way back: there is no sheet of ways to send in this browser, so the page is saved.
  assert.equal(await page.locator("#said-list li").count(), 2);
  const download = page.waitForEvent("download");
  await tap(page.locator("#send"));
  await copyFile(await (await download).path(), file("phone-back.html"));
  await page.waitForTimeout(300);
  await picture("saved");
  const kept = JSON.parse(await page.evaluate(() => document.getElementById("corrections-0").textContent));
  assert.deepEqual(kept.corrections.map((c) => c.what), ["fine", "added"]);
  assert.equal(await sideways(), 0);
  assert.deepEqual(opened.trouble, []);
  await opened.context.close();
});

test("from a phone by its own way of sending, where it has one", async () => {
  const first = () => { navigator.canShare = () => true; navigator.share = async (what) => { window.shared = what; }; };
  const opened = await open(browser, file("phone.html"), { ...PHONE, first });
  const { page } = opened;
  await tap(page.locator("#mend > summary"));
  assert.equal(await page.locator("#send").innerText(), "Send the page");
  await tap(page.locator("#send"));
  await page.waitForFunction(() => window.shared);
  const [name, text] = await page.evaluate(async () => [shared.files[0].name, await shared.files[0].text()]);
  assert.equal(name, "phone.html");
  assert.ok(text.startsWith("<!DOCTYPE html>") && text.endsWith("</html>"), text.slice(0, 40));
  await page.waitForFunction(() => /sent/.test(document.getElementById("said").textContent));
  assert.deepEqual(opened.trouble, []);
  await opened.context.close();
});

test("the next page says what was said, and shows the entrance", async () => {
  const opened = await open(browser, file("phone-next.html"), PHONE);
  const { page } = opened;
  const lead = page.locator(".take .lead").first();
  assert.equal(await page.locator(".glyph.own").count(), 1, await lead.innerText());
  await lead.evaluate((e) => e.scrollIntoView({ block: "start" }));
  await page.screenshot({ path: file("phone-6-next-page.png") });
  assert.deepEqual(opened.trouble, []);
  await opened.context.close();
});
