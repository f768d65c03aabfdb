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
  // the lowest pedal is 17 ms long, so that one always lies within reach.
  const PIECE_S = 0.05, SEARCH_S = 0.012;
  const likeness = (a, at, b, from, length, stride) => {
    let ab = 0, bb = 1e-9;
    for (let i = 0; i < length; i += stride) { const x = a[at + i] || 0, y = b[from + i] || 0; ab += x * y; bb += y * y; }
    return ab / Math.sqrt(bb);
  };
  const best = (samples, natural, wanted, search, length) => {
    let found = wanted, most = -Infinity;
    const look = (from, to, step, stride) => {
      for (let at = Math.max(0, from); at <= to; at += step) {
        const like = likeness(samples, natural, samples, at, length, stride);
        if (like > most) { most = like; found = at; }
      }
    };
    look(wanted - search, wanted + search, 4, 4);
    const near = found;
    most = -Infinity;
    look(near - 4, near + 4, 1, 1);
    return found;
  };
  /** The same sound at another speed and at its pitch. */
  const stretch = (samples, rate, speed) => {
    if (speed === 1) return samples;
    const hop = Math.round((PIECE_S * rate) / 2), piece = 2 * hop, search = Math.round(SEARCH_S * rate);
    const out = new Float32Array(Math.ceil(samples.length / speed) + piece);
    let natural = 0;
    for (let at = 0, k = 0; at + piece <= out.length; at += hop, k += 1) {
      const wanted = Math.round(at * speed);
      if (wanted >= samples.length) break;
      const from = k === 0 ? 0 : best(samples, natural, wanted, search, hop);
      for (let i = 0; i < piece; i += 1) {
        const weight = k === 0 && i < hop ? 1 : 0.5 - 0.5 * Math.cos((Math.PI * (i + 0.5)) / hop);
        out[at + i] += weight * (samples[from + i] || 0);
      }
      natural = from + hop;
    }
    return out.subarray(0, Math.ceil(samples.length / speed));
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
    const samples = faded(stretch(part.samples, part.rate, speed).slice(), part.rate);
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
  return { play, stop, now, held, slice, stretch, get isPlaying() { return playing !== null; } };
})();
