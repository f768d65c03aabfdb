"""What both tables of professionals share: percentiles, and which recordings may be looked at, by their names INSTRUMENT_NOTE_LENGTH_DYNAMIC_ARTICULATION.wav."""
import os, re

PERCENTS = [2.5, 10, 50, 90, 97.5]
LEAST = 15  # notes; under this no percentile is told
KEPT_BACK = {"A", "B", "Cs", "Ds", "F", "G"}  # trombone notes nobody looks at before the last check
SEMITONES = dict(C=0, Cs=1, D=2, Ds=3, E=4, F=5, Fs=6, G=7, Gs=8, A=9, As=10, B=11)


def named_parts(path):
    """Instrument, note as in the name, MIDI note, length, dynamic, articulation."""
    m = re.fullmatch(r"([a-z-]+)_([A-G]s?)(\d)_([0-9a-z-]+)_([a-z-]*)_([a-z-]*)\.wav", os.path.basename(path))
    return m and (m[1], m[2], SEMITONES[m[2]] + 12 * (int(m[3]) + 1), m[4], m[5], m[6])


def may_be_looked_at(path):
    p = named_parts(path)
    return bool(p) and not (p[0] == "trombone" and p[1] in KEPT_BACK) and "double" not in p[5]
