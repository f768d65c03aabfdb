"use strict";
(() => {
  const all = (what) => [...document.querySelectorAll(what)];
  const by = (id) => document.getElementById(id);
  const fault = by("by-fault"), register = by("by-register"), order = by("order"), keys = by("keys"), status = by("shown");
  let cards = all(".card");
  let current = null, unsaved = false;

  // A button plays its front; the desk then holds the entrance.
  let sounding = null;
  const play = async (button) => {
    const again = sounding === button;
    sound.stop();
    if (again) return;
    const at = Number(button.dataset.at), take = Number(button.dataset.take), length = Number(button.dataset.length);
    const place = desk.takes[take].entrances.findIndex((e) => Math.abs(e.at - at) < 0.0006);
    if (place >= 0) desk.choose(take, place);
    const row = button.closest("tr[id^=p]");
    if (row) { for (const e of all("tr.pair-here")) e.classList.remove("pair-here"); row.classList.add("pair-here"); }
    const from = Math.max(0, at - 0.3);
    try {
      const hooks = {
        begun: () => { sounding = button; button.classList.add("playing"); },
        ended: (whole) => { sounding = null; button.classList.remove("playing"); if (whole) button.dataset.played = "yes"; },
      };
      if (place >= 0 && !row) await desk.hear(hooks);
      else await sound.play(take, from, from + length, hooks);
    } catch (e) { status.textContent = "This browser cannot play the sound (FLAC)."; }
  };
  document.addEventListener("click", (event) => {
    const button = event.target.closest(".play");
    if (button) { event.preventDefault(); play(button); }
    const glyph = event.target.closest(".glyph");
    const target = glyph && by(glyph.dataset.for);
    if (target && !target.hidden) target.matches(".card") ? go(target) : (target.focus({ preventScroll: true }), target.scrollIntoView({ block: "center" }));
  });

  const filter = () => {
    if (!fault) return;
    const fits = (card) => (!fault.value || card.dataset.faults.split(" ").includes(fault.value)) && (!register.value || card.dataset.register === register.value);
    for (const card of cards) card.hidden = !fits(card);
    const out = new Set(cards.filter((c) => c.hidden).map((c) => c.id));
    for (const glyph of all(".take .glyph.flagged")) glyph.classList.toggle("out", out.has(glyph.dataset.for));
    const shown = cards.length - out.size;
    status.textContent = `${shown} of ${cards.length} shown`;
  };
  const sort = () => {
    const key = order.value === "time" ? "time" : "clarity";
    for (const list of all(".cards")) list.append(...[...list.children].sort((a, b) => a.dataset[key] - b.dataset[key]));
    cards = all(".card");
  };
  if (fault) {
    fault.addEventListener("change", filter);
    register.addEventListener("change", filter);
    order.addEventListener("change", sort);
  }
  document.querySelector("form.bar").addEventListener("submit", (e) => e.preventDefault());

  const mark = (card) => {
    if (current) current.removeAttribute("aria-current");
    for (const glyph of all(".glyph.here")) glyph.classList.remove("here");
    current = card;
    card.setAttribute("aria-current", "true");
    for (const glyph of all(`.glyph[data-for="${card.id}"]`)) glyph.classList.add("here");
    const [, take, place] = /^e(\d+)-(\d+)$/.exec(card.id) || [];
    if (take !== undefined && desk.takes[take].entrances[place]) desk.choose(Number(take), Number(place));
  };
  const open = (card) => { const fold = card.querySelector(".fold"); if (fold) fold.open = true; };
  const go = (card) => {
    open(card);
    mark(card);
    card.focus({ preventScroll: true });
    card.scrollIntoView({ block: "start" });
  };
  const step = (by) => {
    let next = current ? cards.indexOf(current) + by : by > 0 ? 0 : cards.length - 1;
    while (cards[next] && cards[next].hidden) next += by;
    if (cards[next]) go(cards[next]);
  };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const note = event.target.closest("textarea");
    if (note && event.key === "Escape") { const card = note.closest(".card"); card ? go(card) : note.blur(); return; }
    if (note || event.target.closest("select, input[type=text], dialog") || (keys && !keys.checked)) return;
    if (event.key === "j") step(1);
    else if (event.key === "k") step(-1);
    else if (event.key === "ArrowRight" || event.key === "ArrowLeft") { event.preventDefault(); desk.step(event.key === "ArrowRight" ? 1 : -1); }
    else if (event.key === "p") {
      const button = current?.querySelector(".play"), one = desk.chosen;
      if (button && one && current.id === `e${one.take}-${one.place}`) play(button);
      else desk.hear();
    }
    else if (event.key === "l") desk.loop();
    else if (event.key === "s") desk.speed();
    else if (event.key === "x") desk.swap();
    else if (event.key === "n" && current) { event.preventDefault(); current.querySelector("textarea").focus(); }
  });
  document.addEventListener("focusin", (event) => {
    const card = event.target.closest(".card");
    if (card && card !== current) mark(card);
  });

  // Notes live in the page itself: what is saved is the page with them inside.
  document.addEventListener("input", (event) => { if (event.target.matches("textarea")) unsaved = true; });
  document.addEventListener("said", () => { unsaved = true; });
  by("save-corrections").addEventListener("click", () => { unsaved = false; });
  window.addEventListener("beforeunload", (event) => { if (unsaved) event.preventDefault(); });
  const fileName = () => {
    let name = "";
    try { name = decodeURIComponent(location.pathname.split("/").pop()); } catch (e) { /* not a name */ }
    return !name ? "fronts.html" : /\.html?$/i.test(name) ? name : `${name}.html`;
  };
  const wholePage = () => {
    // A parser drops the first line feed of a textarea.
    for (const note of all("textarea")) note.textContent = note.value.startsWith("\n") ? `\n${note.value}` : note.value;
    const copy = document.documentElement.cloneNode(true);
    for (const e of copy.querySelectorAll(".card[hidden]")) e.hidden = false;
    for (const e of copy.querySelectorAll("[aria-current]")) e.removeAttribute("aria-current");
    for (const e of copy.querySelectorAll("[data-played]")) delete e.dataset.played;
    for (const e of copy.querySelectorAll(".here, .out, .playing, .chosen, .sounding, .pair-here")) e.classList.remove("here", "out", "playing", "chosen", "sounding", "pair-here");
    for (const e of copy.querySelectorAll(".playhead, .picked, .said-stroke, .yours, #said-list li")) e.remove();
    copy.querySelector("#sitting")?.removeAttribute("open");
    return ["<!DOCTYPE html>\n", copy.outerHTML];
  };
  const savePage = () => {
    desk.download(wholePage(), fileName(), "text/html");
    unsaved = false;
    status.textContent = "Saved as a new file, with notes and corrections in it.";
    desk.said(status.textContent);
  };
  by("save").addEventListener("click", savePage);
  // A phone hands the page on by its own sheet of ways to send; where there is none it is saved.
  const sent = (content) => ({ files: [new File(content, fileName(), { type: "text/html" })] });
  const canSend = (() => { try { return navigator.canShare(sent([""])); } catch (e) { return false; } })();
  if (canSend) by("send").textContent = "Send the page";
  by("send").addEventListener("click", async () => {
    if (!canSend) return savePage();
    try {
      await navigator.share({ ...sent(wholePage()), title: document.title });
      unsaved = false;
      desk.said("The page is sent, with notes and corrections in it.");
    } catch (e) { if (e.name !== "AbortError") savePage(); }
  });
  // On paper the first six are open, whatever is folded on the screen.
  let folded = [];
  addEventListener("beforeprint", () => {
    folded = all(".card .fold").map((fold) => [fold, fold.open]);
    for (const list of all(".cards")) [...list.children].forEach((card, k) => { card.querySelector(".fold").open = k < 6; });
  });
  addEventListener("afterprint", () => { for (const [fold, open] of folded) fold.open = open; });
  filter();
})();
