"""What the fronts of professionals look like, in percentiles: the table of dsp/src/professionals.md.

usage: fronts.py FOLDER LABELS...     FOLDER holds decoded recordings (INSTRUMENT_NOTE_LENGTH_DYNAMIC_ARTICULATION.wav, one
channel at 44.1 kHz), LABELS are files of hand-checked onsets and notes like phrases.json. `cargo xtask fronts` runs it.
Needs numpy, soundfile and praat-parselmouth: an outside tracker, none of the project's own analysis.
"""
import glob, json, math, os, re, sys
import numpy as np, parselmouth, soundfile
from fronts_names import LEAST, PERCENTS, may_be_looked_at, named_parts

SR = 44100
ONSET_DB, SPEAKS_DB, AIR_DB = 20, 12, 32   # under the attack peak
BODY_DB = 25                        # under the attack peak a note is over: no body, no wander
PEAK_MS, STEADY_MS, SETTLED_WITHIN_MS = 250, 80, 500
APPROACH_MS = 100                   # after speaking
BODY_MS = (120, 300)                # after speaking
LOUDNESS = 0.6                      # loudness grows with pressure to this power
DETACHED_DB = 14                    # dip before the note, under its attack peak: more is heard as a gap
DIP_MS = ((-60, 25), 20)            # where before the label a dip is looked for, and the mean it is looked for in
PITCH_MS = list(range(0, 121, 10))  # after speaking
LEVEL_MS = list(range(-40, 61, 10)) # from speaking
REGISTERS = [("to G#2", 44), ("A2 to D#3", 51), ("E3 to A#3", 58), ("B3 to F4", 65), ("F#4 up", 999)]
LENGTHS = [("0.25 s long", "025"), ("0.5 s", "05"), ("1 s", "1"), ("1.5 s", "15")]
DYNAMICS = ["pianissimo", "piano", "mezzo-forte", "forte", "fortissimo"]
ARTICULATIONS = ["legato", "nonlegato", "staccatissimo", "staccato", "tenuto", "tongued-slur"]


def hz(midi):
    return 440 * 2 ** ((midi - 69) / 12)


def octave_of(x, midi):
    """The MIDI note of that name in the octave that the measured pitch says."""
    f = parselmouth.Sound(x, SR).to_pitch_ac(time_step=0.01, pitch_floor=40, pitch_ceiling=1200).selected_array["frequency"]
    if not (f > 0).any():
        return None
    off = 12 * math.log2(np.median(f[f > 0]) / hz(midi))
    octaves = round(off / 12)
    return midi + 12 * octaves if abs(off - 12 * octaves) < 1.5 else None


def level_db(x, period):
    """Root mean square over one period, every millisecond."""
    total = np.concatenate([[0], np.cumsum(x.astype(float) ** 2)])
    t = (np.arange(int(len(x) / SR * 1000)) * SR / 1000).astype(int)
    n = max(2, round(period * SR))
    a, b = (np.clip(t + k, 0, len(x)) for k in (-(n // 2), n - n // 2))
    return 10 * np.log10((total[b] - total[a]) / n + 1e-12)


def dip_db(L, label):
    """How deep the level falls before a note that follows another, dB; ripples within a period or two are no dip."""
    (a, b), width = DIP_MS
    mean = np.convolve(10 ** (L / 10), np.ones(width) / width, "same")
    return 10 * np.log10(mean[max(0, label + a):label + b].min())


def pitch_cents(x, f, num):
    """Pitch by Praat's autocorrelation over 5.5 periods, cents from the note, every millisecond; NaN where there is none."""
    pad = np.zeros(SR // 5)
    p = parselmouth.Sound(np.concatenate([pad, x, pad]), SR).to_pitch_ac(
        time_step=0.001, pitch_floor=f * 6 / 11, pitch_ceiling=f * 1.8, voicing_threshold=0.45, silence_threshold=0.001)
    found = p.selected_array["frequency"]
    k = np.clip(np.round((np.arange(num) / 1000 + 0.2 - p.xs()[0]) * 1000).astype(int), 0, len(found) - 1)
    return np.where(found[k] > 0, 1200 * np.log2(np.maximum(found[k], 1) / f), np.nan)


def steadiest(c, start, until):
    """Spread and median of the steadiest stretch that begins within so long after `start`."""
    best = None
    for a in range(start, min(start + SETTLED_WITHIN_MS, until) - STEADY_MS, 2):
        w = c[a:a + STEADY_MS]
        if not np.isnan(w).any() and (best is None or np.ptp(w) < best[0]):
            best = (np.ptp(w), np.median(w))
    return best


def front(x, midi, label_ms=None, until_ms=None):
    """One front's measures, or None. Without a label the recording is one note, and the level says where it begins."""
    L = level_db(x, 1 / hz(midi))
    c = pitch_cents(x, hz(midi), len(L))
    until = min(until_ms or len(L), len(L))
    first = lambda a, db: a + int(np.argmax(L[a:until] >= db))
    if label_ms is None:
        start = first(0, L[:until].max() - ONSET_DB)
        peak = L[start:min(start + PEAK_MS, until)].max()
        onset = first(0, peak - ONSET_DB)
        speaks = first(0, peak - SPEAKS_DB)
        softer = np.flatnonzero(L[:onset] < peak - AIR_DB)
        dip, rise = -math.inf, onset - softer[-1] - 1 if len(softer) else np.nan
    else:
        onset = label_ms
        peak = L[onset:min(onset + PEAK_MS, until)].max()
        speaks = first(onset, peak - SPEAKS_DB)
        dip, rise = dip_db(L, onset) - peak, np.nan  # before it the note before rings on
    settled = steadiest(np.where(L > peak - SPEAKS_DB, c, np.nan), onset, until)
    body = steadiest(np.where(L > peak - BODY_DB, c, np.nan), onset, until)
    if settled is None:
        return None
    d = np.where(L > peak - ONSET_DB, c - settled[1], np.nan)
    d[until:] = np.nan
    way = slice(onset, min(speaks + APPROACH_MS, until))
    heard = ~np.isnan(d[way])
    loud = 10 ** (L[way] / 20 * LOUDNESS) * heard
    late = L[speaks + BODY_MS[0]:min(speaks + BODY_MS[1], until)]
    at = lambda q, t: q[t] if 0 <= t < len(q) else np.nan
    return dict(
        midi=midi, detached=dip < -DETACHED_DB,
        approach=np.nansum(np.where(heard, loud * d[way], 0)) / loud.sum() if loud.sum() > 0 else np.nan,
        speak=speaks - onset,
        over=peak - np.median(np.maximum(late, peak - BODY_DB)) if len(late) > 20 else np.nan,
        wander=body[0] if body else np.nan,
        rise=rise,
        pitch=[at(d, speaks + t) for t in PITCH_MS],
        level=[at(L, speaks + t) - peak for t in LEVEL_MS])


def single_notes(folder, instrument):
    found = []
    for path in sorted(glob.glob(os.path.join(folder, f"{instrument}_*_normal.wav"))):
        if not may_be_looked_at(path):
            continue
        _, _, midi, length, dynamic, _ = named_parts(path)
        if length in ("phrase", "very-long"):
            continue
        x, rate = soundfile.read(path)
        assert rate == SR and x.ndim == 1, path
        midi = octave_of(x, midi)
        one = midi and front(x, midi)
        if one:
            found.append(dict(one, length=length, dynamic=dynamic))
    return found


def phrases(folder, labels):
    """Fronts in phrases by instrument."""
    found = {}
    for name, told in labels.items():
        path = os.path.join(folder, name)
        if not os.path.exists(path) or not may_be_looked_at(path):
            print(f"fronts: {name} is not there, or kept back", file=sys.stderr)
            continue
        x, rate = soundfile.read(path)
        assert rate == SR and x.ndim == 1, path
        onsets = [round(t * 1000) for t in told["onsets_s"]] + [int(len(x) / SR * 1000)]
        for t, end, midi in zip(onsets, onsets[1:], told["midi"]):
            a, b = max(0, t - 350), min(end + 100, t + 700, onsets[-1])
            one = midi and front(x[a * SR // 1000:b * SR // 1000], midi, t - a, min(end, t + 700) - a)
            if one:
                found.setdefault(named_parts(path)[0], []).append(dict(one, articulation=told["articulation"]))
    return found


def register(one):
    return next(name for name, top in REGISTERS if one["midi"] <= top)


def kinds(singles, phrased):
    """Name and fronts of every kind, trombone first."""
    alone, connected = singles["trombone"], phrased.get("trombone", [])
    detached = alone + [q for q in connected if q["detached"]]
    joined = [q for q in connected if not q["detached"]]
    of = lambda rows, key, value: [q for q in rows if q[key] == value]
    in_register = lambda rows, name: [q for q in rows if register(q) == name]
    yield "detached, all", detached
    yield from ((f"detached, {r}", in_register(detached, r)) for r, _ in REGISTERS)
    yield "connected, all", joined
    yield from ((f"connected, {r}", in_register(joined, r)) for r, _ in REGISTERS)
    yield "single notes, all", alone
    yield from ((f"single, {r}", in_register(alone, r)) for r, _ in REGISTERS)
    yield from ((f"single, {d}", of(alone, "dynamic", d)) for d in DYNAMICS)
    yield from ((f"single, {name}", of(alone, "length", l)) for name, l in LENGTHS)
    yield "in phrases, all", connected
    yield from ((f"in phrases, {a}", of(connected, "articulation", a)) for a in ARTICULATIONS)
    for instrument in sorted(set(singles) | set(phrased)):
        if instrument != "trombone":
            yield f"{instrument}, single notes", singles.get(instrument, [])
            yield f"{instrument}, in phrases", phrased.get(instrument, [])


def cell(values):
    """Five percentiles, or a dash where too few notes tell."""
    v = np.array([q for q in values if not np.isnan(q)], float)
    return " ".join(f"{round(q):d}" for q in np.percentile(v, PERCENTS)) if len(v) >= LEAST else "-"


COLUMNS = [("approach, cents", "approach"), ("speak, ms", "speak"), ("peak over body, dB", "over"), ("wander, cents", "wander"),
           ("rise to the onset, ms", "rise")]


def table(singles, phrased):
    heads = ["fronts", "n"] + [name for name, _ in COLUMNS] + [f"pitch {t} ms" for t in PITCH_MS] + [f"level {t} ms" for t in LEVEL_MS]
    yield "| " + " | ".join(heads) + " |"
    yield "|" + " --- |" * len(heads)
    for name, rows in kinds(singles, phrased):
        if len(rows) >= LEAST:
            cells = [cell([q[key] for q in rows]) for _, key in COLUMNS]
            cells += [cell([q[key][i] for q in rows]) for key, at in (("pitch", PITCH_MS), ("level", LEVEL_MS)) for i in range(len(at))]
            yield "| " + " | ".join([name, str(len(rows))] + cells) + " |"


HEADER = """# Fronts of professionals, in percentiles

Made by `cargo xtask fronts DIR LABELS...` (chores/fronts.py): do not edit. Measured by an outside tracker on recordings of an
orchestra's players (Philharmonia Orchestra; those kept back for the last check are not among them), so that lines and the
close-up's corridor stand on clear playing. Five numbers in a cell are the 2.5, 10, 50, 90 and 97.5 percentile; a dash stands
where fewer than {least} notes tell. n counts the fronts of a kind.

- Pitch by Praat's autocorrelation at steps of 1 ms with the note known; its window is 5.5 periods (47 ms at Bb2, 12 at Bb4),
  which smears the first columns of low notes. Level by the root mean square over one period.
- *attack peak*: highest level within {peak} ms after the onset. *onset*: -{onset} dB of it, in phrases the labelled one.
  *speaks*: -{speaks} dB of it; *pitch* and *level* are told so many ms after it, level from the attack peak.
- *settled pitch*: median of the steadiest {steady} ms of the first half second; *wander* its spread there.
- *approach*: mean distance from it from onset to {approach} ms after speaking, weighted by level to the power {loudness}.
- *rise*: from -{air} dB of the attack peak to the onset, single notes only: in phrases the note before rings on. The
  recordings are cut too close to the note to tell what was before it.
- *peak over body*: over the median level {b0} to {b1} ms after speaking; {over} dB is a note that is over, no hard start.
- *detached*: trombone, single notes and the notes of phrases before which the level dips by over {dip} dB; *connected*: the rest.

"""


def header():
    return HEADER.format(least=LEAST, peak=PEAK_MS, onset=ONSET_DB, speaks=SPEAKS_DB, steady=STEADY_MS, approach=APPROACH_MS, loudness=LOUDNESS,
                         air=AIR_DB, b0=BODY_MS[0], b1=BODY_MS[1], over=BODY_DB, dip=DETACHED_DB)


def main(folder, *label_files):
    labels = {}
    for path in label_files:
        with open(path) as f:
            labels.update(json.load(f)["takes"])
    singles = {"trombone": single_notes(folder, "trombone"), "french-horn": single_notes(folder, "french-horn")}
    print(header(), end="")
    for line in table(singles, phrases(folder, labels)):
        print(line)


if __name__ == "__main__":
    main(*sys.argv[1:])
