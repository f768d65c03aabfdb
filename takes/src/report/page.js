"use strict";
(() => {
  const all = (what) => [...document.querySelectorAll(what)];
  const by = (id) => document.getElementById(id);
  const fault = by("by-fault"), register = by("by-register"), order = by("order"), keys = by("keys"), status = by("shown");
  let cards = all(".card");
  let current = null, unsaved = false;

  // Sound: clips are decoded when first asked for.
  let context = null, playing = null, asked = null;
  const decoded = new Map();
  const clip = (id) => {
    if (!decoded.has(id)) {
      const bytes = Uint8Array.from(atob(by(id).textContent.trim()), (c) => c.charCodeAt(0));
      decoded.set(id, context.decodeAudioData(bytes.buffer));
    }
    return decoded.get(id);
  };
  const stop = () => {
    asked = null;
    if (!playing) return;
    playing.source.onended = null;
    playing.source.stop();
    playing.button.classList.remove("playing");
    playing = null;
  };
  const play = async (button) => {
    const again = playing && playing.button === button;
    stop();
    if (again) return;
    asked = button;
    try {
      context = context || new AudioContext();
      await context.resume();
      const buffer = await clip(button.dataset.clip);
      // Another button may have been pressed while this one's sound was decoded.
      if (asked !== button) return;
      const source = context.createBufferSource();
      source.buffer = buffer;
      source.connect(context.destination);
      source.start(0, Number(button.dataset.offset), Number(button.dataset.length));
      button.classList.add("playing");
      playing = { source, button };
      source.onended = () => { button.classList.remove("playing"); button.dataset.played = "yes"; playing = null; };
    } catch (e) { status.textContent = "This browser cannot play the sound (FLAC)."; }
  };
  document.addEventListener("click", (event) => {
    const button = event.target.closest(".play");
    if (button) play(button);
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
  };
  const go = (card) => {
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
    if (note || event.target.closest("select") || !keys || !keys.checked) return;
    if (event.key === "j") step(1);
    else if (event.key === "k") step(-1);
    else if (event.key === "p" && current) { const button = current.querySelector(".play"); if (button) play(button); }
    else if (event.key === "n" && current) { event.preventDefault(); current.querySelector("textarea").focus(); }
  });
  document.addEventListener("focusin", (event) => {
    const card = event.target.closest(".card");
    if (card && card !== current) mark(card);
  });

  // Notes live in the page itself: what is saved is the page with them inside.
  document.addEventListener("input", (event) => { if (event.target.matches("textarea")) unsaved = true; });
  window.addEventListener("beforeunload", (event) => { if (unsaved) event.preventDefault(); });
  const fileName = () => {
    try { return decodeURIComponent(location.pathname.split("/").pop()) || "fronts.html"; } catch (e) { return "fronts.html"; }
  };
  const wholePage = () => {
    // A parser drops the first line feed of a textarea.
    for (const note of all("textarea")) note.textContent = note.value.startsWith("\n") ? `\n${note.value}` : note.value;
    const copy = document.documentElement.cloneNode(true);
    for (const e of copy.querySelectorAll(".card[hidden]")) e.hidden = false;
    for (const e of copy.querySelectorAll("[aria-current]")) e.removeAttribute("aria-current");
    for (const e of copy.querySelectorAll("[data-played]")) delete e.dataset.played;
    for (const e of copy.querySelectorAll(".here, .out, .playing")) e.classList.remove("here", "out", "playing");
    return ["<!DOCTYPE html>\n", copy.outerHTML];
  };
  by("save").addEventListener("click", () => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob(wholePage(), { type: "text/html" }));
    link.download = fileName();
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    unsaved = false;
    status.textContent = "Saved as a new file, with the notes in it.";
  });
  filter();
})();
