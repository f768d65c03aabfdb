"""Reads a practice sheet with readers that know nothing of Notefront, and prints what they found as JSON.

Usage: read_sheet.py MUSICXML MIDI
Readers: music21, mido.
"""

import json
import sys

import mido
import music21

score = music21.converter.parse(sys.argv[1])
part = score.parts[0]
measures = list(part.getElementsByClass(music21.stream.Measure))


def fingering(note):
    found = [a for a in note.articulations if isinstance(a, music21.articulations.Fingering)]
    return str(found[0].fingerNumber) if found else None


notes = [
    {
        "midi": note.pitch.midi,
        "beat": float(measure.offset + note.offset),
        "length": float(note.quarterLength),
        "fingering": fingering(note),
    }
    for measure in measures
    for note in measure.notes
]
spanners = part.recurse().getElementsByClass(music21.spanner.Slur)
slurred = sum(len(s.getSpannedElements()) for s in spanners)
if slurred:
    # A slur names its first and last note; those between lie under it.
    first, last = (spanners[0].getFirst(), spanners[0].getLast())
    under = [n for n in part.flatten().notes]
    slurred = under.index(last) - under.index(first) + 1
tempo = next(iter(score.recurse().getElementsByClass(music21.tempo.MetronomeMark)))

midi_file = mido.MidiFile(sys.argv[2])
seconds, played, clicks = 0.0, [], 0
for message in midi_file:
    seconds += message.time
    if message.type == "note_on" and message.velocity > 0:
        if message.channel == 9:
            clicks += 1
        else:
            played.append([message.note, seconds])

print(
    json.dumps(
        {
            "notes": notes,
            "bars": [float(m.duration.quarterLength) for m in measures],
            "num_slurred": slurred,
            "bpm": tempo.number,
            "midi": played,
            "num_clicks": clicks,
            "tracks": [track.name for track in midi_file.tracks],
        }
    )
)
