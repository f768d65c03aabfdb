// The report as a reader meets it. Started by takes/tests/page.rs with a folder of made pages in NOTEFRONT_PAGES:
// one.html (a take of known faults), two.html and three.html (takes of one phrase), empty.html (no entrance), long.html
// (20 000 entrances), log.html (the page of a practice log).
import assert from "node:assert/strict";
import { readFile } from "node:fs/promises";
import { createRequire } from "node:module";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { launch, open } from "./browser.mjs";

const folder = process.env.NOTEFRONT_PAGES;
const file = (name) => join(folder, name);
const axeSource = await readFile(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");

let browser;
before(async () => { browser = await launch(); });
after(async () => { await browser.close(); });

/** Runs a test on a page, which must not complain nor ask a network for anything. */
const withPage = async (name, run, options) => {
  const opened = await open(browser, file(name), options);
  await run(opened.page, opened.context);
  assert.deepEqual(opened.trouble, []);
  await opened.context.close();
};

const visibleCards = (page) => page.locator(".card:visible").count();

for (const name of ["one.html", "two.html", "three.html", "empty.html", "long.html", "log.html"]) {
  test(`${name} opens whole, without complaint and without a network`, () =>
    withPage(name, async (page) => {
      assert.equal(await page.locator("h1").count(), 1);
      assert.ok(await page.locator("#care").isVisible(), "the cautions are there");
      const refs = await page.$$eval("[src], link[href]", (all) => all.map((e) => e.outerHTML));
      assert.deepEqual(refs, [], "nothing is fetched");
    }));
}

test("nothing is wider than the window from a phone to a large screen", async () => {
  for (const name of ["one.html", "two.html", "three.html", "empty.html", "log.html"]) {
    for (const width of [320, 390, 768, 1280, 1920]) {
      await withPage(name, async (page) => {
        const over = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
        assert.ok(over <= 0, `${name} at ${width} px is ${over} px too wide`);
      }, { viewport: { width, height: 800 } });
    }
  }
});

// In the dark only the colours differ: the rest was looked at in the light.
for (const [colorScheme, runOnly] of [["light", undefined], ["dark", ["color-contrast"]]]) {
  test(`axe finds no serious fault in ${colorScheme}`, async () => {
    for (const name of ["one.html", "two.html", "three.html", "empty.html", "log.html"]) {
      // axe is put in by the test, which the page's own policy forbids to anybody else.
      await withPage(name, async (page) => {
        await page.locator("details").evaluateAll((all) => all.forEach((e) => { e.open = true; }));
        await page.evaluate(axeSource);
        const options = { resultTypes: ["violations"], ...(runOnly && { runOnly }) };
        const { violations } = await page.evaluate((options) => axe.run(document, options), options);
        const serious = violations.filter((v) => ["serious", "critical"].includes(v.impact));
        const said = serious.map((v) => `${v.id}: ${v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160)).join(" | ")}`);
        assert.deepEqual(said, [], name);
      }, { colorScheme, bypassCSP: true });
    }
  });
}

const rising = (values) => [...values].sort((a, b) => a - b);

test("the worst entrance comes first, and on request the order is that of the music", () =>
  withPage("one.html", async (page) => {
    const of = (key) => page.$$eval(".card", (all, key) => all.map((c) => Number(c.dataset[key])), key);
    const clarities = await of("clarity");
    assert.ok(clarities.length >= 5, `${clarities.length} cards`);
    assert.deepEqual(clarities, rising(clarities));
    await page.selectOption("#order", "time");
    const times = await of("time");
    assert.deepEqual(times, rising(times));
    await page.evaluate(() => document.activeElement.blur());
    await page.keyboard.press("j");
    const first = await page.locator(".card[aria-current]").getAttribute("data-time");
    assert.equal(Number(first), times[0], "keys step in the order shown");
  }));

/** Sound of a page's snippets beside the take they were cut from: likeness (1 = the same) at the best place
 * near the one promised, and gain in dB. */
const snippets = (page, take, wav) =>
  page.evaluate(async ({ take, wav }) => {
    // Places stand in the page in whole milliseconds, and the browser's resampling may shift by one more.
    const RATE = 48000, MOST_LAG = 2 * 48;
    const decode = async (base64) => {
      const bytes = Uint8Array.from(atob(base64), (c) => c.charCodeAt(0));
      return (await new OfflineAudioContext(1, 1, RATE).decodeAudioData(bytes.buffer)).getChannelData(0);
    };
    const whole = await decode(wav);
    const compare = (a, b) => {
      let ab = 0, aa = 0, bb = 0;
      for (let i = 0; i < a.length; i += 1) { ab += a[i] * b[i]; aa += a[i] * a[i]; bb += b[i] * b[i]; }
      return { likeness: ab / Math.sqrt(aa * bb), gainDb: 10 * Math.log10(aa / bb) };
    };
    const found = [];
    for (const card of document.querySelectorAll(`.card[id^="e${take}-"]`)) {
      const { clip, offset, length } = card.querySelector(".play").dataset;
      const sound = await decode(document.getElementById(clip).textContent.trim());
      const from = Math.round(Number(offset) * RATE);
      const part = sound.slice(from, from + Math.round(Number(length) * RATE));
      // 300 ms before the tone speaks.
      const start = Math.round((Number(card.dataset.time) - 0.3) * RATE);
      const at = (lag) => ({ lagMs: (1000 * lag) / RATE, ...compare(part, whole.subarray(start + lag, start + lag + part.length)) });
      const lags = Array.from({ length: 2 * MOST_LAG + 1 }, (_, i) => i - MOST_LAG);
      found.push(lags.map(at).reduce((best, one) => (one.likeness > best.likeness ? one : best)));
    }
    return found;
  }, { take, wav });

const wavOf = async (name) => (await readFile(file(name))).toString("base64");

test("a button plays its front", () =>
  withPage("one.html", async (page) => {
    const button = page.locator(".card .play").first();
    await button.click();
    await page.waitForFunction((b) => b.dataset.played === "yes", await button.elementHandle(), { timeout: 20_000 });
  }));

test("every snippet is the take's own sound from 300 ms before the tone speaks", () =>
  withPage("one.html", async (page) => {
    const found = await snippets(page, 0, await wavOf("spoilt.wav"));
    assert.ok(found.length >= 5, `${found.length} snippets`);
    // Brought down to half the rate: what lies above 10 kHz is gone, which is 30 dB under the tone and more.
    assert.ok(found.every((s) => s.likeness > 0.98 && Math.abs(s.lagMs) < 2), JSON.stringify(found));
  }));

test("both takes of a comparison are heard at one loudness", () =>
  withPage("two.html", async (page) => {
    const shown = await page.$$eval(".take .facts", (all) =>
      all.map((p) => p.textContent.match(/loudness (\S+) LUFS/)).filter(Boolean).map((m) => Number(m[1].replace("\u2212", "-"))));
    const spoilt = await snippets(page, 0, await wavOf("spoilt.wav"));
    const clean = await page.evaluate(() => document.querySelectorAll('.card[id^="e1-"]').length)
      ? await snippets(page, 1, await wavOf("clean.wav")) : [];
    assert.ok(clean.length > 0, "the clean take has a flagged note too");
    const loudness = (takes, lufs) => lufs + takes.reduce((sum, s) => sum + s.gainDb, 0) / takes.length;
    // Each figure is shown to 0.1 LU, and the gain of a snippet is exact to what its bandwidth lost.
    const heard = [loudness(spoilt, shown[0]), loudness(clean, shown[1])];
    assert.ok(Math.abs(heard[0] - heard[1]) < 0.25, `${heard} LUFS of ${shown}`);
    assert.ok(Math.abs(shown[0] - shown[1]) > 6, "the files themselves are not at one loudness");
  }));

test("filters show the fault and the register asked for, and say how many", () =>
  withPage("one.html", async (page) => {
    const all = await visibleCards(page);
    const fault = await page.locator("#by-fault option").nth(1).getAttribute("value");
    await page.selectOption("#by-fault", fault);
    const some = await visibleCards(page);
    assert.ok(some > 0 && some < all, `${some} of ${all}`);
    const faults = await page.$$eval(".card:not([hidden])", (cards) => cards.map((c) => c.dataset.faults.split(" ")));
    assert.ok(faults.every((list) => list.includes(fault)));
    assert.match(await page.locator("#shown").innerText(), new RegExp(`^${some} of ${all}`));
    await page.selectOption("#by-fault", "");
    const register = await page.locator("#by-register option").nth(1).getAttribute("value");
    await page.selectOption("#by-register", register);
    const registers = await page.$$eval(".card:not([hidden])", (cards) => cards.map((c) => c.dataset.register));
    assert.ok(registers.every((r) => r === register), `${registers}`);
    await page.selectOption("#by-register", "");
    assert.equal(await visibleCards(page), all);
  }));

test("keys step through the cards, play and write", () =>
  withPage("one.html", async (page) => {
    const current = () => page.locator(".card[aria-current]").getAttribute("id");
    const ids = await page.$$eval(".card", (all) => all.map((c) => c.id));
    await page.keyboard.press("j");
    assert.equal(await current(), ids[0]);
    await page.keyboard.press("j");
    assert.equal(await current(), ids[1]);
    await page.keyboard.press("k");
    assert.equal(await current(), ids[0]);
    await page.keyboard.press("p");
    await page.waitForSelector(".card[aria-current] .play.playing", { timeout: 10_000 });
    await page.keyboard.press("p");
    await page.keyboard.press("n");
    await page.keyboard.type("jk");
    assert.equal(await page.evaluate(() => document.activeElement.value), "jk", "keys are letters inside a note");
    assert.equal(await current(), ids[0]);
    await page.keyboard.press("Escape");
    await page.keyboard.press("j");
    assert.equal(await current(), ids[1]);
    await page.locator("#keys").uncheck();
    await page.keyboard.press("j");
    assert.equal(await current(), ids[1], "keys can be switched off");
  }));

test("a stroke on the lane leads to its card", () =>
  withPage("one.html", async (page) => {
    const stroke = page.locator(".lane .glyph.flagged").first();
    const id = await stroke.getAttribute("data-for");
    await stroke.locator(".touch").click();
    assert.equal(await page.locator(".card[aria-current]").getAttribute("id"), id);
  }));

test("notes survive saving, opening and saving again", () =>
  withPage("one.html", async (page, context) => {
    const note = "Breathe earlier \u2013 </textarea><script>alert('1')</script> & \"so\" h\u00f6ren";
    await page.selectOption("#by-fault", { index: 1 });
    await page.selectOption("#by-fault", "");
    await page.locator(".card textarea").nth(1).fill(note);
    const save = async (from) => {
      const waiting = from.waitForEvent("download");
      await from.click("#save");
      return (await waiting).path();
    };
    const first = await save(page);
    const copy = join(folder, "saved.html");
    await writeCopy(first, copy);
    const again = await open(browser, copy);
    assert.equal(await again.page.locator(".card textarea").nth(1).inputValue(), note);
    assert.equal(await again.page.locator(".card").count(), await page.locator(".card").count());
    await again.page.locator(".card textarea").nth(0).fill("and this");
    const second = await save(again.page);
    await writeCopy(second, copy);
    assert.deepEqual(again.trouble, []);
    const third = await open(browser, copy);
    assert.equal(await third.page.locator(".card textarea").nth(1).inputValue(), note);
    assert.equal(await third.page.locator(".card textarea").nth(0).inputValue(), "and this");
    assert.equal(await third.page.locator(".play.playing, .card[aria-current]").count(), 0, "saved at rest");
    await third.page.locator(".card .play").first().click();
    await third.page.waitForSelector(".play.playing", { timeout: 10_000 });
    assert.deepEqual(third.trouble, []);
    for (const opened of [again, third]) await opened.context.close();
    assert.match(await readFile(copy, "utf8"), /^<!DOCTYPE html>\n<html /);
  }));

const writeCopy = async (from, to) => {
  const { copyFile } = await import("node:fs/promises");
  await copyFile(from, to);
};

test("a page prints to a PDF of several sheets, without its buttons", () =>
  withPage("one.html", async (page) => {
    await page.emulateMedia({ media: "print" });
    assert.equal(await page.locator("button:visible").count(), 0);
    const pdf = await page.pdf({ format: "A4" });
    assert.equal(pdf.subarray(0, 5).toString("latin1"), "%PDF-");
    const sheets = pdf.toString("latin1").match(/\/Type\s*\/Page\b/g) ?? [];
    assert.ok(sheets.length >= 2, `${sheets.length} sheets`);
  }));

test("a comparison lists what differs, with both sounds", () =>
  withPage("two.html", async (page) => {
    const rows = page.locator(".differ tbody tr");
    assert.ok((await rows.count()) >= 1);
    assert.equal(await rows.first().locator(".play").count(), 2);
  }));

test("of three takes every front that differs is heard in each of them", () =>
  withPage("three.html", async (page) => {
    const rows = page.locator(".differ tbody tr");
    const num = await rows.count();
    assert.ok(num >= 1);
    // Both takes are whole, so no place is missing in either.
    assert.equal(await rows.locator(".play").count(), 3 * num);
    await rows.first().locator(".play").nth(1).click();
    await page.waitForSelector(".differ .play.playing", { timeout: 10_000 });
  }));
