"""Reads a marked take with readers that know nothing of Notefront, and prints what they found as JSON.

Usage: read_marks.py TAKE MARKED_WAV MIDI CSV
Readers: soundfile (libsndfile), wavinfo, the standard library's wave and csv, mido.
"""

import csv
import json
import sys
import wave

import mido
import soundfile
import wavinfo

take, marked, midi, table = sys.argv[1:]


def samples(path):
    data, rate = soundfile.read(path, dtype="int32", always_2d=True)
    return data.tobytes(), rate


def wave_frames(path):
    with open(path, "rb") as file:
        if file.read(4) != b"RIFF":  # The standard library reads no RF64.
            return None
    with wave.open(path) as reader:
        return reader.getparams()[:4], reader.readframes(reader.getnframes())


info = wavinfo.WavInfoReader(marked)
cues = info.cues
labels = {label.name: label.text for label in cues.labels}
notes = {note.name: note.text for note in cues.notes}
ranges = {r.name: r.length for r in cues.ranges}

midi_file = mido.MidiFile(midi)
seconds, markers = 0.0, []
for message in midi_file:
    seconds += message.time
    if message.type == "marker":
        markers.append([seconds, message.text, ""])
    elif message.type == "text" and markers:
        markers[-1][2] = message.text

with open(table, newline="", encoding="utf-8") as file:
    rows = list(csv.DictReader(file, strict=True))

print(
    json.dumps(
        {
            "soundfile_equal": samples(take) == samples(marked),
            "wave_equal": wave_frames(take) == wave_frames(marked),
            "frames": soundfile.info(marked).frames,
            "cues": [[c.sample_offset, labels.get(c.name), ranges.get(c.name), notes.get(c.name)] for c in cues.cues],
            "time_reference": info.bext.time_reference if info.bext else None,
            "description": info.bext.description if info.bext else None,
            "markers": markers,
            "rows": rows,
        }
    )
)
