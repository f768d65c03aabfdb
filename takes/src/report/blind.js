"use strict";
// A blind sitting: fronts in random order, some twice, answered by key; then how far ear and tool agree. Kappa and the
// ear's line are those of `takes/src/corrections/agreement.rs` and `ear.rs`, and are tested by the same examples.
const blind = (() => {
  const by = (id) => document.getElementById(id);
  const FRONTS = 20, TWICE = 5, FEWEST = 8;
  const Z = 1.959964;

  /** Cohen's kappa with its 95 % interval from a square table of counts; null where either judge said one thing throughout. */
  const kappa = (table) => {
    const n = table.flat().reduce((a, b) => a + b, 0), k = table.length;
    const p = (i, j) => table[i][j] / n, ks = [...table.keys()], sum = (list) => list.reduce((a, b) => a + b, 0);
    const row = ks.map((i) => sum(ks.map((j) => p(i, j)))), column = ks.map((j) => sum(ks.map((i) => p(i, j))));
    const share = sum(ks.map((i) => p(i, i))), chance = sum(ks.map((i) => row[i] * column[i]));
    if (!n || [...row, ...column].some((margin) => margin > 1 - 1e-12)) return null;
    const value = (share - chance) / (1 - chance);
    const on = sum(ks.map((i) => p(i, i) * (1 - (row[i] + column[i]) * (1 - value)) ** 2));
    let off = 0;
    for (let i = 0; i < k; i += 1) for (let j = 0; j < k; j += 1) if (i !== j) off += p(i, j) * (column[i] + row[j]) ** 2;
    const variance = (on + (1 - value) ** 2 * off - (value - chance * (1 - value)) ** 2) / ((1 - chance) ** 2 * n);
    const error = Math.sqrt(Math.max(0, variance));
    return { value, error, low: Math.max(-1, value - Z * error), high: Math.min(1, value + Z * error) };
  };

  const RANGE = 4, STEP = 0.02, SLOPES = [3, 6, 12, 24, 48], LAPSES = 0.04;
  /** The line of an ear from [{ ratio, isUnclear }]; null where there are too few answers or all are alike. */
  const line = (answers) => {
    const unclear = answers.filter((a) => a.isUnclear).length;
    if (answers.length < 12 || Math.min(unclear, answers.length - unclear) < 3) return null;
    const num = Math.round(Math.log(RANGE) / STEP), tried = Array.from({ length: 2 * num + 1 }, (_, k) => (k - num) * STEP);
    const log = (at, slope) => answers.reduce((sum, a) => {
      const p = 1 / (1 + Math.exp(-slope * (Math.log(a.ratio) - at)));
      return sum + Math.log(LAPSES / 2 + (1 - LAPSES) * (a.isUnclear ? p : 1 - p));
    }, 0);
    const logs = tried.map((at) => SLOPES.map((slope) => log(at, slope))), most = Math.max(...logs.flat());
    const weights = logs.map((each) => each.reduce((sum, l) => sum + Math.exp(l - most), 0)), total = weights.reduce((a, b) => a + b, 0);
    const quantile = (share) => {
      let left = share * total;
      const at = weights.findIndex((w) => (left -= w) <= 0);
      return Math.exp(tried[at < 0 ? tried.length - 1 : at]);
    };
    return { ratio: quantile(0.5), low: quantile(0.05), high: quantile(0.95), num: answers.length };
  };
  /** The answers on one fault: those of the sitting that say something of its line. */
  const answersOn = (fault, sitting) => sitting.flatMap(({ front, answer }) => {
    const ratio = front.near[fault];
    if (!(ratio >= 1 / RANGE)) return [];
    if (answer.isClear) return [{ ratio, isUnclear: false }];
    const nearest = Object.entries(front.near).filter((e) => e[1] > 0).sort((a, b) => b[1] - a[1])[0]?.[0];
    return (answer.fault || nearest) === fault ? [{ ratio, isUnclear: true }] : [];
  });

  const shuffled = (list, draw) => {
    const out = [...list];
    for (let i = out.length - 1; i > 0; i -= 1) { const k = Math.floor(draw() * (i + 1)); [out[i], out[k]] = [out[k], out[i]]; }
    return out;
  };
  /** Which fronts are heard, flagged and clear mixed, and those that come twice again later. */
  const programme = (fronts, draw = Math.random) => {
    const flagged = shuffled(fronts.filter((f) => f.measured.length), draw), clear = shuffled(fronts.filter((f) => !f.measured.length), draw);
    const half = Math.min(flagged.length, Math.max(FRONTS / 2, FRONTS - clear.length));
    const once = shuffled([...flagged.slice(0, half), ...clear.slice(0, FRONTS - half)], draw);
    const twice = shuffled(once, draw).slice(0, Math.max(TWICE, FRONTS - once.length));
    const all = once.map((front) => ({ front, isAgain: false }));
    for (const front of twice) {
      // Not at once, where the last answer is still in the ear.
      const first = all.findIndex((one) => one.front === front);
      const from = Math.min(all.length, first + 5);
      all.splice(from + Math.floor(draw() * (all.length - from + 1)), 0, { front, isAgain: true });
    }
    return all;
  };
  const fronts = () => desk.takes.flatMap((take, k) =>
    take.entrances.filter((e) => !e.own && sound.held(k, e.at) && !desk.active(k).some((c) => c.what === "removed" && Math.abs(c.at_s - e.at) < 0.08))
      .map((e) => ({ ...e, take: k })));

  const percent = (share) => `${Math.round(100 * share)} %`;
  const share = (pairs) => pairs.filter(([a, b]) => a === b).length / pairs.length;
  const table = (pairs) => [[0, 0], [0, 0]].map((row, i) => row.map((_, j) => pairs.filter(([a, b]) => Number(a) === i && Number(b) === j).length));
  const kappaWords = (pairs) => {
    const found = kappa(table(pairs));
    const two = (x) => x.toFixed(2).replace("-", "\u2212");
    return found ? `kappa ${two(found.value)} (${two(found.low)} to ${two(found.high)}, 95 times out of 100)` : "kappa cannot be told: one answer throughout";
  };
  /** The end of a sitting in sentences. */
  const sentences = (sitting) => {
    const first = sitting.filter((one) => !one.isAgain);
    const pairs = first.map((one) => [!one.answer.isClear, one.front.measured.length > 0]);
    const told = [`Your ear and the tool agree on ${pairs.filter(([a, b]) => a === b).length} of ${pairs.length} fronts (${percent(share(pairs))}); ${kappaWords(pairs)}. Kappa is 1 for full agreement and 0 for what chance would give.`];
    const again = sitting.filter((one) => one.isAgain).map((one) => [first.find((f) => f.front === one.front).answer.isClear, one.answer.isClear]);
    if (again.length) told.push(`Your ear agrees with itself on ${again.filter(([a, b]) => a === b).length} of ${again.length} fronts that came twice (${percent(share(again))}); ${kappaWords(again)}.`);
    const apart = first.filter((one) => one.answer.isClear === one.front.measured.length > 0);
    if (apart.length) {
      const count = (list) => Object.entries(list.reduce((all, w) => ({ ...all, [w]: (all[w] || 0) + 1 }), {})).sort((a, b) => b[1] - a[1]).map(([w, n]) => `${w} ${n}`).join(", ");
      const dismissed = apart.filter((one) => one.answer.isClear), missed = apart.filter((one) => !one.answer.isClear);
      if (dismissed.length) told.push(`Flagged, and clear to you: ${count(dismissed.map((one) => desk.words[one.front.measured[0]]))}.`);
      if (missed.length) told.push(`Clear to the tool, and unclear to you: ${count(missed.map((one) => (one.answer.fault ? desk.words[one.answer.fault] : "no fault named")))}.`);
      told.push(`You part by register: ${count(apart.map((one) => one.front.register || "no pitch"))}.`);
    } else told.push("You and the tool part nowhere.");
    const lines = Object.keys(desk.words).map((fault) => [fault, line(answersOn(fault, sitting))]).filter(([, l]) => l);
    const differing = lines.filter(([, l]) => l.low > 1 || l.high < 1);
    for (const [fault, l] of differing) told.push(`\u201c${desk.words[fault]}\u201d begins for you at ${l.ratio.toFixed(2)} times its line (${l.low.toFixed(2)} to ${l.high.toFixed(2)}, 9 times out of 10; ${l.num} answers).`);
    if (differing.length) told.push(`To judge by your ear, add: --lines ${differing.map(([fault, l]) => `${fault}=${l.ratio.toFixed(2)}`).join(",")}`);
    else if (lines.length) told.push("No line lies surely elsewhere for you.");
    else told.push("The answers are too few to move a line: twelve on one fault, three of each kind, are the least. More sittings add up: \u201cnotefront correct TAKE\u201d tells it from all of them.");
    return told;
  };

  let sitting = [], at = 0, all = [];
  const hear = () => {
    const { front } = all[at];
    sound.play(front.take, Math.max(0, front.at - 0.3), Math.min(desk.takes[front.take].duration_s, front.at + 1.0));
  };
  const ask = () => {
    by("sitting-at").textContent = `Front ${at + 1} of ${all.length}`;
    by("which").hidden = true;
    hear();
  };
  const begin = () => {
    all = programme(fronts());
    if (new Set(all.map((one) => one.front)).size < FEWEST) { desk.said("A blind sitting needs eight entrances or more."); return; }
    [sitting, at] = [[], 0];
    by("sitting-ask").hidden = false;
    by("sitting-end").hidden = true;
    by("leave").textContent = "Leave";
    by("sitting").showModal();
    ask();
  };
  const answered = (answer) => {
    sitting.push({ ...all[at], answer });
    at += 1;
    if (at < all.length) ask();
    else end();
  };
  const end = () => {
    sound.stop();
    // The first answer on a front is kept; the second tells how sure the ear is.
    const said = sitting.filter((one) => !one.isAgain).map(({ front, answer }) => [front.take, desk.add(front.take, front.at,
      answer.isClear ? { what: "fine" } : { what: "unclear", ...(answer.fault && { fault: answer.fault }) }, "blind").id]);
    by("sitting-ask").hidden = true;
    by("sitting-at").textContent = `${sitting.length} answers. They are kept as corrections.`;
    const end = by("sitting-end");
    end.hidden = false;
    end.replaceChildren(...sentences(sitting).map((text) => Object.assign(document.createElement("p"), { textContent: text })));
    const back = Object.assign(document.createElement("button"), { type: "button", id: "take-back", textContent: "Take the answers back" });
    back.addEventListener("click", () => { for (const [k, id] of said) desk.undo(k, id); back.disabled = true; by("sitting-at").textContent = "The answers are taken back."; });
    end.append(back);
    by("leave").textContent = "Done";
  };
  const clear = () => answered({ isClear: true, fault: null });
  const unclear = () => { by("which").hidden = false; };
  const which = (fault) => answered({ isClear: false, fault: fault || null });
  if (by("blind")) {
    by("blind").addEventListener("click", begin);
    by("again").addEventListener("click", hear);
    by("clear").addEventListener("click", clear);
    by("unclear").addEventListener("click", unclear);
    for (const b of by("which").querySelectorAll("button")) b.addEventListener("click", () => which(b.dataset.fault));
    by("leave").addEventListener("click", () => by("sitting").close());
    by("sitting").addEventListener("close", () => sound.stop());
    by("sitting").addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey || by("sitting-ask").hidden) return;
      event.stopPropagation();
      const faults = [...by("which").querySelectorAll("button")];
      if (event.key === "p") hear();
      else if (event.key === "c") clear();
      else if (event.key === "u") unclear();
      else if (!by("which").hidden && event.key === "0") which("");
      else if (!by("which").hidden && /^[1-9]$/.test(event.key) && faults[Number(event.key) - 1]) which(faults[Number(event.key) - 1].dataset.fault);
    });
  }
  return { kappa, line, answersOn, programme, sentences, fronts, get at() { return all[at]?.front; } };
})();
