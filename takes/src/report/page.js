"use strict";
(() => {
  const all = (what) => [...document.querySelectorAll(what)];
  const cards = all(".card");
  const fault = document.getElementById("by-fault");
  const register = document.getElementById("by-register");
  const status = document.getElementById("shown");
  let current = -1, unsaved = false;

  // Sound: clips are decoded when first asked for.
  let context = null, playing = null;
  const decoded = new Map();
  const clip = (id) => {
    if (!decoded.has(id)) {
      const bytes = Uint8Array.from(atob(document.getElementById(id).textContent.trim()), (c) => c.charCodeAt(0));
      decoded.set(id, context.decodeAudioData(bytes.buffer));
    }
    return decoded.get(id);
  };
  const stop = () => {
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
    context = context || new AudioContext();
    await context.resume();
    try {
      const source = context.createBufferSource();
      source.buffer = await clip(button.dataset.clip);
      source.connect(context.destination);
      stop();
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
    const target = glyph && document.getElementById(glyph.dataset.for);
    if (target && !target.hidden) cards.includes(target) ? go(cards.indexOf(target)) : target.scrollIntoView({ block: "center" });
  });

  const filter = () => {
    for (const card of cards) {
      const fits = (!fault.value || card.dataset.faults.split(" ").includes(fault.value)) && (!register.value || card.dataset.register === register.value);
      card.hidden = !fits;
    }
    for (const glyph of all(".glyph.flagged")) {
      const card = document.getElementById(glyph.dataset.for);
      glyph.classList.toggle("out", !!card && card.hidden);
    }
    const shown = cards.filter((c) => !c.hidden).length;
    status.textContent = `${shown} of ${cards.length} shown`;
  };
  fault.addEventListener("change", filter);
  register.addEventListener("change", filter);
  document.querySelector("form.bar").addEventListener("submit", (e) => e.preventDefault());

  const go = (index) => {
    current = index;
    for (const card of cards) card.removeAttribute("aria-current");
    for (const glyph of all(".glyph.at")) glyph.classList.remove("at");
    const card = cards[index];
    card.setAttribute("aria-current", "true");
    for (const glyph of all(".glyph")) glyph.classList.toggle("at", glyph.dataset.for === card.id);
    card.focus({ preventScroll: true });
    card.scrollIntoView({ block: "start" });
  };
  const step = (by) => {
    let next = current + by;
    if (current < 0) next = by > 0 ? 0 : cards.length - 1;
    while (cards[next] && cards[next].hidden) next += by;
    if (cards[next]) go(next);
  };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.target.closest("textarea, select, input")) return;
    const card = cards[current];
    if (event.key === "j") step(1);
    else if (event.key === "k") step(-1);
    else if (event.key === "p" && card) { const b = card.querySelector(".play"); if (b) play(b); }
    else if (event.key === "n" && card) { event.preventDefault(); card.querySelector("textarea").focus(); }
  });
  document.addEventListener("focusin", (event) => {
    const card = event.target.closest(".card");
    if (card) current = cards.indexOf(card);
  });

  // Notes live in the page itself: what is saved is the page with them inside.
  document.addEventListener("input", (event) => { if (event.target.matches("textarea")) { unsaved = true; } });
  window.addEventListener("beforeunload", (event) => { if (unsaved) event.preventDefault(); });
  document.getElementById("save").addEventListener("click", () => {
    for (const note of all("textarea")) note.textContent = note.value;
    const copy = document.documentElement.cloneNode(true);
    for (const e of copy.querySelectorAll("[hidden]")) e.hidden = false;
    for (const e of copy.querySelectorAll("[aria-current], .at, .out, .playing")) { e.removeAttribute("aria-current"); e.classList.remove("at", "out", "playing"); }
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob(["<!DOCTYPE html>\n", copy.outerHTML], { type: "text/html" }));
    link.download = decodeURIComponent(location.pathname.split("/").pop() || "") || "fronts.html";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    unsaved = false;
    status.textContent = "Saved as a new file, with the notes in it.";
  });
  filter();
})();
