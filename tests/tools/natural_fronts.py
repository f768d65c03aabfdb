"""Fronts of isolated recorded notes as an outside tracker sees them (Praat's autocorrelation).

Standard input: one line for each note, `MIDI<tab>PATH`. Standard output: one JSON object, file name -> front:
start_s and step_s of the tracks, cents (from the settled pitch, null where there is none) and level (root mean
square over one period, full scale = 1), settled_hz, onset_s, speaks_s. Notes whose front cannot be told are left out.
Needs numpy, soundfile and praat-parselmouth.
"""

import json
import sys

import numpy as np
import parselmouth
import soundfile

STEP_S = 0.001
# The tracks reach so far before and after the onset, s.
BEFORE_S, AFTER_S = 0.15, 0.75
# The settled pitch is the median of the steadiest stretch of this length of the first 600 ms, s.
STEADY_S, SETTLED_WITHIN_S = 0.1, 0.6


def level_track(sound, rate, period_s, times):
    """Root mean square over one period around each time."""
    half = max(int(round(period_s * rate / 2)), 1)
    power = np.concatenate([[0.0], np.cumsum(sound**2)])
    centre = np.round(times * rate).astype(int)
    low = np.clip(centre - half, 0, len(sound))
    high = np.clip(centre + half, 0, len(sound))
    return np.sqrt((power[high] - power[low]) / np.maximum(high - low, 1))


def pitch_track(path, hz, times):
    """Praat's pitch within half an octave of the known note, NaN where there is none."""
    sound = parselmouth.Sound(path)
    pitch = sound.to_pitch_ac(
        time_step=STEP_S,
        pitch_floor=hz / 1.85,
        very_accurate=False,
        max_number_of_candidates=6,
        silence_threshold=0.01,
        voicing_threshold=0.3,
        pitch_ceiling=hz * 1.5,
    )
    found = pitch.selected_array["frequency"]
    found = np.where(found > 0, found, np.nan)
    return np.interp(times, pitch.xs(), found, left=np.nan, right=np.nan)


def first_crossing(level, times, share, from_index, peak):
    above = np.nonzero(level[from_index:] >= share * peak)[0]
    return None if len(above) == 0 else times[from_index + above[0]]


def front(path, midi):
    sound, rate = soundfile.read(path)
    sound = sound if sound.ndim == 1 else sound.mean(axis=1)
    hz = 440.0 * 2.0 ** ((midi - 69) / 12)
    times = np.arange(0, len(sound) / rate, STEP_S)
    level = level_track(sound, rate, 1 / hz, times)
    cents = 1200 * np.log2(pitch_track(path, hz, times) / hz)
    # Attack peak and onset by turns: each follows from the other.
    onset = times[int(np.argmax(level > 0.1 * level.max()))]
    for _ in range(3):
        within = (times >= onset) & (times <= onset + 0.25)
        peak = level[within].max()
        onset = first_crossing(level, times, 0.1, 0, peak)
    speaks = first_crossing(level, times, 10 ** (-12 / 20), 0, peak)
    if onset is None or speaks is None or onset < 0.002:
        return None
    start = int(round(onset / STEP_S))
    stretch, best = int(STEADY_S / STEP_S), None
    for i in range(start, min(start + int(SETTLED_WITHIN_S / STEP_S), len(times)) - stretch, 5):
        part = cents[i : i + stretch]
        if np.isnan(part).any() or level[i : i + stretch].min() < 0.1 * peak:
            continue
        if best is None or part.std() < best[0]:
            best = (part.std(), np.median(part))
    if best is None or best[0] > 6 or abs(best[1]) > 70:
        return None
    low, high = start - int(BEFORE_S / STEP_S), start + int(AFTER_S / STEP_S)
    track = [i for i in range(max(low, 0), min(high, len(times)))]
    relative = cents - best[1]
    return {
        "start_s": float(times[track[0]]),
        "step_s": STEP_S,
        "cents": [None if np.isnan(relative[i]) else round(float(relative[i]), 1) for i in track],
        "level": [round(float(level[i]), 6) for i in track],
        "settled_hz": float(hz * 2 ** (best[1] / 1200)),
        "onset_s": float(onset),
        "speaks_s": float(speaks),
    }


def main():
    fronts = {}
    for line in sys.stdin:
        midi, path = line.rstrip("\n").split("\t")
        found = front(path, int(midi))
        if found is not None:
            fronts[path.replace("\\", "/").split("/")[-1]] = found
    json.dump(fronts, sys.stdout)


if __name__ == "__main__":
    main()
