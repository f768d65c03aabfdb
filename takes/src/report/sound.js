"use strict";
// Sound: clips are decoded when first asked for, put together, slowed at pitch, and played with a moving mark.
const sound = (() => {
  const all = (what) => [...document.querySelectorAll(what)];
  const clips = all("script.clip").map((e) => ({ id: e.id, take: Number(e.dataset.take), from: Number(e.dataset.from), to: Number(e.dataset.to) }));
  let context = null;
  const decoded = new Map();
  const clip = (id) => {
    if (!decoded.has(id)) {
      const bytes = Uint8Array.from(atob(document.getElementById(id).textContent.trim()), (c) => c.charCodeAt(0));
      decoded.set(id, context.decodeAudioData(bytes.buffer));
    }
    return decoded.get(id);
  };
  const ready = async () => {
    context = context || new AudioContext();
    await context.resume();
  };

  /** The takes and their entrances, and the words for faults, as the page holds them. */
  const known = JSON.parse(document.getElementById("takes").textContent);

  /** What the page holds of a take around a time: [from, to] in seconds, or null. */
  const held = (take, at) => {
    const own = clips.filter((c) => c.take === take);
    let found = own.find((c) => c.from <= at && at < c.to);
    if (!found) return null;
    let [from, to] = [found.from, found.to];
    for (const c of own) if (c.from <= to && c.to > to && c.from >= from) to = c.to;
    for (const c of [...own].reverse()) if (c.to >= from && c.from < from) from = c.from;
    return [from, to];
  };

  /** Samples of a take from one time to another, at the rate of the browser. */
  const slice = async (take, from, to) => {
    await ready();
    const rate = context.sampleRate, out = new Float32Array(Math.max(1, Math.round((to - from) * rate)));
    for (const c of clips.filter((c) => c.take === take && c.to > from && c.from < to)) {
      const part = (await clip(c.id)).getChannelData(0), shift = Math.round((c.from - from) * rate);
      const first = Math.max(0, shift), last = Math.min(out.length, shift + part.length);
      for (let i = first; i < last; i += 1) out[i] = part[i - shift];
    }
    return { samples: out, rate };
  };

  // Pieces of 50 ms overlap by half; each is taken from where it continues the one before best, within 12 ms: a period of
  // the lowest pedal is 17 ms long, so that one always lies within reach (Verhelst & Roelands 1993). Where a sound begins,
  // pieces are copied as they lie, from 55 ms before to 10 ms after, so that it begins once; the time is taken from the
  // steady parts between (Grofit & Lavner 2008). As in plugin/src/alone/stretch.rs.
  const PIECE_S = 0.05, SEARCH_S = 0.012, BEFORE_S = 0.005, AFTER_S = 0.01;
  // Beginnings nearer to one another than the first are copied together, up to the second from the first of them.
  const APART_S = 0.075, TOGETHER_S = 0.06;
  // A beginning is a rise by 6 dB over all in the 20 ms before, longer than any period; of an entrance that was found it is
  // the steepest rise near it. What lies 50 dB under the loudest is none.
  const FRAME_S = 0.0025, RISE = 2, FAINT = 0.003, GROWTH = 3, PAST = 8, NEAR_BEFORE_S = 0.06, NEAR_AFTER_S = 0.015;
  const beginnings = (samples, rate, speak) => {
    const frame = Math.max(1, Math.round(FRAME_S * rate)), peaks = [];
    for (let i = 0; i < samples.length; i += 1) { const k = Math.floor(i / frame), x = Math.abs(samples[i]); peaks[k] = Math.max(peaks[k] ?? 0, x); }
    const floor = Math.max(1e-5, FAINT * peaks.reduce((a, b) => Math.max(a, b), 0));
    const rise = peaks.map((peak, i) => {
      let past = floor;
      for (let k = i - GROWTH - PAST + 1; k <= i - GROWTH; k += 1) past = Math.max(past, peaks[k] ?? 0);
      return i < GROWTH + PAST ? 0 : peak / past;
    });
    const steepest = (from, to) => {
      let found = -1;
      for (let i = Math.max(0, from); i <= Math.min(to, rise.length - 1); i += 1) if (rise[i] > (found < 0 ? 1 : rise[found])) found = i;
      return found;
    };
    const all = new Map();
    for (const s of speak) {
      const at = steepest(Math.round(((s - NEAR_BEFORE_S) * rate) / frame), Math.round(((s + NEAR_AFTER_S) * rate) / frame));
      if (at >= 0) all.set(at, Infinity);
    }
    for (let i = 0; i < rise.length; i += 1) if (rise[i] >= RISE && !all.has(i) && steepest(i - PAST, i + PAST) === i) all.set(i, rise[i]);
    return [...all].map(([i, steep]) => [i * frame, steep]).sort((a, b) => a[0] - b[0]);
  };
  /** What is copied as it lies: the first and the last beginning of each run. */
  const runs = (samples, rate, speak) => {
    const found = [];
    for (const [at, steep] of beginnings(samples, rate, speak)) {
      const last = found[found.length - 1];
      if (!last || at - last.to >= APART_S * rate) found.push({ from: at, to: at, steep });
      else if (at - last.from <= TOGETHER_S * rate) { last.to = at; last.steep = Math.max(last.steep, steep); }
      // What was found by the analysis goes before a rise that was not.
      else if (steep > last.steep) found.splice(-1, 1, { from: at, to: at, steep });
    }
    return found;
  };
  const likeness = (a, at, b, from, length, stride) => {
    let ab = 0, bb = 1e-9;
    for (let i = 0; i < length; i += stride) { const x = a[at + i] || 0, y = b[from + i] || 0; ab += x * y; bb += y * y; }
    return ab / Math.sqrt(bb);
  };
  /** Where from `low` to `high` the sound is most like that at `natural`; in silence where it is wanted. */
  const best = (samples, natural, wanted, low, high, length) => {
    let found = wanted, most = likeness(samples, natural, samples, wanted, length, 4);
    const look = (from, to, step, stride) => {
      for (let at = from; at <= to; at += step) {
        const like = likeness(samples, natural, samples, at, length, stride);
        if (like > most) { most = like; found = at; }
      }
    };
    look(low, high, 4, 4);
    const near = found;
    most = likeness(samples, natural, samples, near, length, 1);
    look(Math.max(low, near - 4), Math.min(high, near + 4), 1, 1);
    return found;
  };
  /** The same sound at another speed and at its pitch; `speak` are the times at which entrances in it do, s. */
  const stretch = (samples, rate, speed, speak = []) => {
    if (speed === 1) return samples;
    const hop = Math.round((PIECE_S * rate) / 2), piece = 2 * hop, search = Math.round(SEARCH_S * rate);
    const before = Math.round(BEFORE_S * rate), after = Math.round(AFTER_S * rate);
    const length = Math.ceil(samples.length / speed), out = new Float32Array(length + piece);
    const copied = runs(samples, rate, speak).map(({ from, to }) => ({ from, to, out: Math.round(from / speed) }));
    let natural = 0, r = 0, isCopying = false;
    for (let at = 0; at < length; at += hop) {
      if (isCopying && natural >= copied[r].to + after) { isCopying = false; r += 1; }
      const next = copied[r], last = copied[r - 1];
      let from = natural;
      if (!isCopying) {
        isCopying = next !== undefined && at > next.out - before - piece;
        const [in0, out0] = last ? [last.to + after, last.out + last.to - last.from + after] : [0, 0];
        const [in1, out1] = next ? [next.from - before - piece, next.out - before - piece] : [Math.max(in0, samples.length - piece), length - piece];
        const wanted = isCopying ? at - next.out + next.from : Math.min(in1, Math.round(in0 + ((at - out0) * (in1 - in0)) / Math.max(1, out1 - out0)));
        const low = isCopying ? wanted - search : Math.max(wanted - search, Math.min(in0, wanted));
        const high = isCopying ? wanted + before : Math.min(wanted + search, in1);
        from = at === 0 ? wanted : best(samples, natural, wanted, low, Math.max(high, wanted), hop);
      }
      for (let i = 0; i < piece; i += 1) {
        const weight = at === 0 && i < hop ? 1 : 0.5 - 0.5 * Math.cos((Math.PI * (i + 0.5)) / hop);
        out[at + i] += weight * (samples[from + i] || 0);
      }
      natural = from + hop;
    }
    return out.subarray(0, length);
  };
  // No click where a piece begins or ends.
  const faded = (samples, rate) => {
    const length = Math.min(Math.round(0.004 * rate), samples.length >> 1);
    for (let i = 0; i < length; i += 1) { samples[i] *= i / length; samples[samples.length - 1 - i] *= i / length; }
    return samples;
  };

  let playing = null, asked = 0;
  /** Where the take is heard now: { take, at } or null. */
  const now = () => {
    if (!playing) return null;
    const { take, from, to, speed, start, loop } = playing;
    let done = Math.max(0, (context.currentTime - start) * speed);
    if (loop) done %= to - from;
    return { take, at: Math.min(to, from + done), from, to };
  };
  const stop = () => {
    asked += 1;
    if (!playing) return;
    const was = playing;
    playing = null;
    was.source.onended = null;
    was.source.stop();
    if (was.ended) was.ended(false);
  };
  /** Plays a take from one time to another. `ended` is called once, with true where it played to its end. */
  const play = async (take, from, to, { speed = 1, loop = false, ended = null, begun = null } = {}) => {
    stop();
    const mine = asked;
    const part = await slice(take, from, to);
    // Another button may have been pressed while this one's sound was decoded.
    if (mine !== asked) { if (ended) ended(false); return false; }
    const speak = known.takes[take].entrances.map((e) => e.at - from).filter((at) => at > 0 && at < to - from);
    const samples = faded(stretch(part.samples, part.rate, speed, speak).slice(), part.rate);
    const buffer = context.createBuffer(1, samples.length, part.rate);
    buffer.copyToChannel(samples, 0);
    const source = context.createBufferSource();
    source.buffer = buffer;
    source.loop = loop;
    source.connect(context.destination);
    source.start(0);
    playing = { source, take, from, to, speed, loop, ended, start: context.currentTime };
    source.onended = () => { playing = null; if (ended) ended(true); };
    if (begun) begun();
    return true;
  };
  return { known, play, stop, now, held, slice, stretch, get isPlaying() { return playing !== null; } };
})();
