"use strict";
// The desk: which entrance is chosen, how it is heard, and what is said of it. What is said lives in the page, and is
// saved as a file of corrections that `notefront correct TAKE --from FILE` takes in.
const desk = (() => {
  const all = (what) => [...document.querySelectorAll(what)];
  const by = (id) => document.getElementById(id);
  const known = sound.known;
  const takes = known.takes;
  const kept = takes.map((_, k) => JSON.parse(by(`corrections-${k}`).textContent));
  const BEFORE = 0.3, AFTER = 1.0;
  // A phrase ends where nothing begins for so long after a note has ended, s.
  const REST = 0.6;
  // What is chosen: an entrance of a take, or a place on its lane, and where "here" is.
  let chosen = null;

  const clock = (s) => {
    const hundredths = Math.max(0, Math.round(s * 100)), pad = (n) => String(n).padStart(2, "0");
    const [h, m, rest] = [Math.floor(hundredths / 360000), Math.floor(hundredths / 6000) % 60, hundredths % 6000];
    return `${h ? `${h}:${pad(m)}` : m}:${pad(Math.floor(rest / 100))}.${pad(rest % 100)}`;
  };
  const entrance = () => chosen && chosen.place !== null && takes[chosen.take].entrances[chosen.place];
  const words = (e) => {
    const faults = e.faults.map((f) => known.words[f]).join(", ");
    return `${e.note} at ${clock(e.at)}: ${faults || "clear"}`;
  };

  // Listening.
  const playing = (is) => { by("hear").textContent = is ? "Stop" : "Play"; by("hear").classList.toggle("playing", is); };
  const span = () => {
    const { take, pick } = chosen, list = takes[take].entrances, length = takes[take].duration_s;
    const what = by("span").value;
    if (what === "take") return [chosen.resume || 0, length];
    if (what === "front") return [Math.max(0, pick - BEFORE), Math.min(length, pick + AFTER)];
    let i = list.findIndex((e) => e.at > pick);
    i = Math.max(0, (i < 0 ? list.length : i) - 1);
    let first = i, last = i;
    const rests = (a, b) => b.at - (a.end ?? a.at + REST) > REST;
    while (first > 0 && !rests(list[first - 1], list[first]) && list[i].at - list[first - 1].at < 12) first -= 1;
    while (last + 1 < list.length && !rests(list[last], list[last + 1]) && list[last + 1].at - list[i].at < 12) last += 1;
    const from = Math.min(pick, list[first]?.at ?? pick), to = Math.max(pick + AFTER, list[last]?.end ?? list[last]?.at ?? pick);
    return [Math.max(0, from - BEFORE), Math.min(length, to + 0.2)];
  };
  const within = ([from, to]) => {
    const held = sound.held(chosen.take, Math.min(chosen.pick, to - 0.01));
    return held && [Math.max(from, held[0]), Math.min(to, held[1])];
  };
  const hear = async (hooks = {}) => {
    if (!chosen) return;
    if (sound.isPlaying) { sound.stop(); return; }
    const heard = within(span());
    if (!heard) { by("said").textContent = "The page has no sound of this place."; return; }
    if (by("span").value === "take") return follow(heard, hooks);
    const options = { speed: Number(by("speed").value), loop: by("loop").getAttribute("aria-pressed") === "true" };
    await sound.play(chosen.take, heard[0], heard[1], { ...options, begun: () => { playing(true); mark(); hooks.begun?.(); }, ended: (whole) => { playing(false); hooks.ended?.(whole); } });
  };
  // A whole take is played piece by piece: it need not be decoded nor slowed at once.
  const PIECE = 10;
  const follow = async ([from, to], hooks) => {
    const take = chosen.take, end = Math.min(to, from + PIECE);
    const speed = Number(by("speed").value), loop = by("loop").getAttribute("aria-pressed") === "true";
    const ended = (whole) => {
      const next = !whole ? null : end < to - 0.01 ? end : loop ? 0 : null;
      if (next !== null) return follow([next, to], hooks);
      playing(false);
      hooks.ended?.(whole);
    };
    await sound.play(take, from, end, { speed, ended, begun: () => { playing(true); mark(); hooks.begun?.(); } });
  };
  // The mark that moves over the close-up, and the stroke on the lane that sounds.
  const mark = () => {
    const step = () => {
      const now = sound.now();
      for (const e of all(".playhead")) e.remove();
      for (const e of all(".glyph.sounding")) e.classList.remove("sounding");
      if (!now) return;
      const list = takes[now.take].entrances;
      let i = list.findIndex((e) => e.at > now.at);
      i = (i < 0 ? list.length : i) - 1;
      const glyph = i >= 0 && document.querySelector(`.lane[data-take="${now.take}"] .glyph[data-place="${i}"]`);
      if (glyph) {
        glyph.classList.add("sounding");
        if (by("span").value === "take" && glyph.closest(".tile") !== step.tile) {
          step.tile = glyph.closest(".tile");
          const lane = glyph.closest(".lane"), there = step.tile.getBoundingClientRect(), frame = lane.getBoundingClientRect();
          lane.scrollTop += there.top - frame.top - 8;
          if (there.bottom > innerHeight - 200 || there.top < 60) step.tile.scrollIntoView({ block: "center" });
        }
      }
      line(`.lane[data-take="${now.take}"] .tile`, now.at, 0, 84, (e) => [Number(e.dataset.from), Number(e.dataset.to), 0, 300]);
      line(`[id="e${now.take}-${chosen?.place}"] .close-up`, now.at, 22, 250, (e) => {
        const at = (ms) => Number(e.dataset.onset) + Number(ms) / 1000;
        return [at(e.dataset.from), at(e.dataset.to), Number(e.dataset.left), Number(e.dataset.right)];
      });
      requestAnimationFrame(step);
    };
    requestAnimationFrame(step);
  };
  const line = (where, at, top, bottom, scale) => {
    for (const e of all(where)) {
      const [from, to, left, right] = scale(e);
      if (at < from || at >= to) continue;
      const mark = document.createElementNS("http://www.w3.org/2000/svg", "line");
      const x = left + ((at - from) / (to - from)) * (right - left);
      for (const [k, v] of Object.entries({ class: "playhead", x1: x, x2: x, y1: top, y2: bottom })) mark.setAttribute(k, v);
      e.append(mark);
    }
  };

  // Choosing.
  const isOff = (e) => Math.abs(chosen.pick - e.at) >= 0.0005;
  /** Only what can be said of what is chosen is there to be tapped. */
  const offer = () => {
    const e = entrance(), is = { chosen, entrance: e, off: chosen && (!e || isOff(e)) };
    for (const part of all("#mend [data-when]")) part.hidden = !part.dataset.when.split(" ").every((when) => !when || is[when]);
  };
  const show = () => {
    offer();
    for (const g of all(".glyph.chosen")) g.classList.remove("chosen");
    for (const e of all(".picked")) e.remove();
    if (!chosen) return;
    const e = entrance();
    const near = active(chosen.take).filter((c) => Math.abs((c.what === "added" ? c.at_s : e ? c.at_s : Infinity) - (e ? e.at : chosen.pick)) < 0.02);
    const own = near.length ? ` \u2013 you: ${near.map((c) => TOLD[c.what](c)).join(", ")}` : "";
    by("chosen").textContent = (e ? words(e) : `${near.length ? "At" : "Nothing was found at"} ${clock(chosen.pick)}`) + own;
    by("pick").textContent = `here: ${clock(chosen.pick)}`;
    if (e) all(`.lane[data-take="${chosen.take}"] .glyph[data-place="${chosen.place}"]`).forEach((g) => g.classList.add("chosen"));
    if (e && !isOff(e)) return;
    for (const tile of all(`.lane[data-take="${chosen.take}"] .tile`)) {
      const [from, to] = [Number(tile.dataset.from), Number(tile.dataset.to)];
      if (chosen.pick >= from && chosen.pick < to) stroke(tile, ((chosen.pick - from) / (to - from)) * 300, "picked");
    }
  };
  const stroke = (tile, x, name) => {
    const mark = document.createElementNS("http://www.w3.org/2000/svg", "path");
    mark.setAttribute("class", name);
    mark.setAttribute("d", `M${x.toFixed(1)} 84V24`);
    tile.append(mark);
  };
  const choose = (take, place) => {
    chosen = { take, place, pick: takes[take].entrances[place].at, resume: null };
    by("more").open = false;
    said("");
    show();
  };
  /** A place on the lane: where the sound rises most within reach of a finger. */
  const REACH = 0.12, HOP = 0.005;
  const pickAt = async (take, at) => {
    chosen = { take, place: null, pick: at, resume: null };
    by("more").open = true;
    said("");
    show();
    const mine = chosen, held = sound.held(take, at);
    if (!held) return;
    const from = Math.max(held[0], at - REACH - 0.06), to = Math.min(held[1], at + REACH + 0.06);
    const { samples, rate } = await sound.slice(take, from, to);
    const hop = Math.round(HOP * rate), levels = [];
    for (let i = 0; i + hop <= samples.length; i += hop) {
      let power = 1e-8;
      for (let k = i; k < i + hop; k += 1) power += samples[k] * samples[k] / hop;
      levels.push(10 * Math.log10(power));
    }
    const mean = (a, b) => levels.slice(a, b).reduce((s, x) => s + x, 0) / (b - a);
    let most = 3, found = null;
    for (let i = 6; i + 6 <= levels.length; i += 1) {
      const rise = mean(i, i + 6) - mean(i - 6, i);
      if (rise > most) { most = rise; found = from + i * HOP; }
    }
    if (mine === chosen && found !== null) { chosen.pick = found; show(); }
  };
  const step = (by) => {
    const take = chosen ? chosen.take : 0, list = takes[take].entrances;
    if (!list.length) return;
    const now = chosen ? (chosen.place ?? list.findIndex((e) => e.at > chosen.pick) - (by > 0 ? 1 : 0)) : by > 0 ? -1 : list.length;
    const next = Math.min(list.length - 1, Math.max(0, now + by));
    choose(take, next);
  };

  // Saying.
  const id = () => [...crypto.getRandomValues(new Uint8Array(12))].map((b) => b.toString(16).padStart(2, "0")).join("");
  const active = (k) => kept[k].corrections.filter((c) => !kept[k].undone.includes(c.id)).sort((a, b) => a.made_ms - b.made_ms || (a.id < b.id ? -1 : 1));
  const third = (s) => Math.round(s * 1e4) / 1e4;
  const add = (k, at, what, from = "page") => {
    const last = kept[k].corrections.reduce((most, c) => Math.max(most, c.made_ms), 0);
    const said = { id: id(), made_ms: Math.max(Date.now(), last + 1), by: from, at_s: third(at), ...what };
    kept[k].corrections.push(said);
    keep(k);
    return said;
  };
  const keep = (k) => {
    by(`corrections-${k}`).textContent = JSON.stringify(kept[k]).replaceAll("<", "\\u003c");
    document.dispatchEvent(new Event("said"));
    render();
  };
  const NOTE = { c: 0, d: 2, e: 4, f: 5, g: 7, a: 9, b: 11 };
  const midi = (text) => {
    const read = /^([a-g])([b#\u266d\u266f]?)(-?\d)$/i.exec(text.trim());
    if (!read) return null;
    const bend = !read[2] ? 0 : "#\u266f".includes(read[2]) ? 1 : -1;
    return 12 * (Number(read[3]) + 1) + NOTE[read[1].toLowerCase()] + bend;
  };
  const said = (text) => { by("said").textContent = text; };
  const say = (what) => {
    if (!chosen) return said("Choose a stroke on the lane first.");
    const e = entrance(), { take, pick } = chosen, note = midi(by("note").value);
    if (!e && what !== "added") return said("Choose an entrance first: there is none here.");
    const reason = by("reason").value.trim(), fault = by("heard").value;
    const more = {
      fine: () => (reason ? { reason } : {}), unclear: () => (fault ? { fault } : {}),
      added: () => (note === null ? {} : { midi_note: note }), moved: () => ({ to_s: third(pick) }),
      split: () => ({ second_s: third(pick) }), note: () => ({ midi_note: note }),
    }[what];
    if (what === "note" && note === null) return said("Write the note first, such as Bb2.");
    if ((what === "moved" || what === "split") && !isOff(e)) return said("Move \u201chere\u201d first, by the buttons or on the lane.");
    add(take, what === "added" ? pick : e.at, { what, ...(more ? more() : {}) });
    by("reason").value = "";
    said("Kept in this page. Save or send it when you are done.");
  };
  const TOLD = {
    fine: (c) => `fine as it is${c.reason ? ` (${c.reason})` : ""}`, unclear: (c) => `unclear by ear${c.fault ? `: ${known.words[c.fault]}` : ""}`,
    added: () => "an entrance was missed", moved: (c) => `speaks at ${clock(c.to_s)}`, split: (c) => `a second one at ${clock(c.second_s)}`,
    removed: () => "no entrance", joined: () => "one with the note before", note: () => "another note",
  };
  const undo = (k, which) => { kept[k].undone.push(which); keep(k); };
  const undoLast = () => {
    const last = kept.flatMap((_, k) => active(k).map((c) => [k, c])).sort((a, b) => b[1].made_ms - a[1].made_ms)[0];
    if (last) undo(last[0], last[1].id);
    said(last ? "Undone." : "Nothing was said yet.");
  };
  const letter = (k) => (takes.length > 1 ? `${String.fromCharCode(65 + k)} ` : "");
  const render = () => {
    for (const e of all(".said-stroke")) e.remove();
    for (const e of all(".yours")) e.remove();
    for (const e of all(".glyph.said, .card.said, .first .said")) e.classList.remove("said", "dismissed", "gone");
    const rows = [];
    kept.forEach((_, k) => active(k).forEach((c) => {
      rows.push([k, c]);
      const i = takes[k].entrances.findIndex((e) => Math.abs(e.at - c.at_s) <= 0.08);
      for (const e of i < 0 || c.what === "added" ? [] : all(`.lane[data-take="${k}"] .glyph[data-place="${i}"], #e${k}-${i}, .first [data-for="e${k}-${i}"]`)) {
        e.classList.add("said");
        e.querySelector(".faults")?.after(Object.assign(document.createElement("p"), { className: "yours", textContent: `You: ${TOLD[c.what](c)}.` }));
        e.classList.toggle("dismissed", c.what === "fine");
        e.classList.toggle("gone", c.what === "removed" || c.what === "joined");
      }
      const at = { added: c.at_s, moved: c.to_s, split: c.second_s }[c.what];
      for (const tile of at === undefined ? [] : all(`.lane[data-take="${k}"] .tile`)) {
        const [from, to] = [Number(tile.dataset.from), Number(tile.dataset.to)];
        if (at >= from && at < to) stroke(tile, ((at - from) / (to - from)) * 300, "said-stroke");
      }
    }));
    const list = by("said-list");
    list.replaceChildren(...rows.sort((a, b) => b[1].made_ms - a[1].made_ms).slice(0, 40).map(([k, c]) => {
      const row = document.createElement("li");
      row.textContent = `${letter(k)}${clock(c.at_s)} ${TOLD[c.what](c)}${c.by === "blind" ? ", heard blind" : ""}`;
      return row;
    }));
    show();
  };
  const download = (text, name, type) => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text].flat(), { type }));
    link.download = name;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  };
  const save = () => {
    const with_words = kept.map((c, k) => [c, k]).filter(([c]) => c.corrections.length);
    if (!with_words.length) return said("Nothing was said yet.");
    for (const [c, k] of with_words) download(`${JSON.stringify(c, null, 2)}\n`, takes[k].file, "application/json");
    said(`Saved. \u201cnotefront correct TAKE --from ${takes[with_words[0][1]].file}\u201d takes it in.`);
  };

  // A against B: the same place of the other take, at once.
  let side = 0;
  const swap = () => {
    const row = document.activeElement?.closest?.("tr[id^=p]") || document.querySelector("tr.pair-here") || document.querySelector(".differ tbody tr");
    if (!row) return false;
    for (const e of all("tr.pair-here")) e.classList.remove("pair-here");
    row.classList.add("pair-here");
    const buttons = [...row.querySelectorAll(".play")];
    if (buttons.length < 2) return false;
    const now = sound.now(), on = now && buttons.findIndex((b) => Number(b.dataset.take) === now.take);
    const into = now && on >= 0 ? now.at - Number(buttons[on].dataset.at) : -BEFORE;
    side = now && on >= 0 ? (on + 1) % buttons.length : side % buttons.length;
    const next = buttons[side], at = Number(next.dataset.at), take = Number(next.dataset.take);
    for (const b of buttons) b.classList.remove("playing");
    sound.play(take, Math.max(0, at + (into < AFTER - 0.1 ? into : -BEFORE)), at + AFTER, {
      speed: Number(by("speed").value), begun: () => { next.classList.add("playing"); mark(); }, ended: () => next.classList.remove("playing"),
    });
    return true;
  };

  by("hear").addEventListener("click", () => hear());
  by("back").addEventListener("click", () => step(-1));
  by("next").addEventListener("click", () => step(1));
  const loop = () => by("loop").setAttribute("aria-pressed", String(by("loop").getAttribute("aria-pressed") !== "true"));
  // What is heard changes at once.
  const anew = () => { if (sound.isPlaying && chosen) { sound.stop(); hear(); } };
  by("loop").addEventListener("click", () => { loop(); anew(); });
  const speed = () => { by("speed").selectedIndex = (by("speed").selectedIndex + 1) % 3; anew(); };
  by("speed").addEventListener("change", anew);
  by("span").addEventListener("change", anew);
  for (const b of all(".nudge")) b.addEventListener("click", () => {
    if (!chosen) return;
    chosen.pick = Math.min(takes[chosen.take].duration_s, Math.max(0, chosen.pick + Number(b.dataset.ms) / 1000));
    show();
  });
  for (const b of all(".say")) b.addEventListener("click", () => say(b.dataset.what));
  by("undo").addEventListener("click", undoLast);
  by("save-corrections").addEventListener("click", save);
  // What is scrolled to is not hidden by the desk.
  new ResizeObserver(([desk]) => document.documentElement.style.setProperty("--desk", `${desk.target.offsetHeight}px`)).observe(by("desk"));
  document.addEventListener("click", (event) => {
    const tile = event.target.closest(".lane .tile");
    if (!tile) return;
    const take = Number(tile.closest(".lane").dataset.take), glyph = event.target.closest(".glyph");
    if (Number.isNaN(take) || glyph?.matches(".pair")) return;
    if (glyph && Number(glyph.dataset.place) < takes[take].entrances.length) return choose(take, Number(glyph.dataset.place));
    const box = tile.getBoundingClientRect(), [from, to] = [Number(tile.dataset.from), Number(tile.dataset.to)];
    if (!glyph) pickAt(take, Math.max(0, from + ((event.clientX - box.left) / box.width) * (to - from)));
  });
  render();
  return { takes, kept, words: known.words, clock, choose, step, hear, loop, speed, swap, add, undo, active, download, said, get chosen() { return chosen; } };
})();
