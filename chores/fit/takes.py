"""Which takes the scores are fitted to, with which truth and which weight; and those takes altered.

usage: takes.py RECORDINGS SHARED LABELS MADE WORK [ONLY]

RECORDINGS holds the fetched recordings (44.1 kHz mono WAV), SHARED the folder of shared takes, LABELS more labels in the form
of shared/playing/phrases.json, MADE the made takes with their truth. ONLY: texts between bars, one of which must be in the
name of a take, for a trial. Writes WORK/altered/*.wav, WORK/paths.txt (name, path, kind, onsets in s; tabs between) and WORK/labels.json:
{name: {"onsets_s", "until_s", "ignore": [[begin, end] in s], "group": the recording it was made of, "kind", "weight"}}.
"""
import json
import re
import sys
from pathlib import Path

import numpy as np
import soundfile as sf
from scipy import signal

import rooms
import talk
import ticks

ALTERED = ", in rooms, faster, coded"
PHRASE_WAYS = ("room", "room2", "room3", "room4", "fast", "roomfast", "roomfast2", "codec", "slow")
CHAMBER_WAYS = ("room", "room2", "room3", "fast", "roomfast", "codec")
FAST_WAYS = ("room", "room2", "room3", "slow", "codec")
SINGLE_WAYS = ("room", "codec")
SPEECH = ("xmas", "castanets_dry")  # of spatialaudio/communication-acoustics-exercises
NUM_CHATS = 160
NUM_METRONOMES = 200
# Percussion of the same repository, of kinds whose names begin so; the other kinds are left to check on (tests/src/playing).
KNOCKS = "cstw"
# Fast tonguing is rare and hard; of talk and of made takes there is plenty; nuisances are all the knocks there are.
FAST_WEIGHT, TROMBONE_WEIGHT, SINGLE_WEIGHT, OTHER_WEIGHT, TALK_WEIGHT = 3.0, 2.0, 2.0, 1.0, 0.03
KNOCK_WEIGHT = 0.0  # a stroke begins like a note: that it is none shows in what follows
MADE_WEIGHT, SHARED_MADE_WEIGHT, NUISANCE_WEIGHT = 0.6, 0.5, 5.0
# A made note that begins twice: what comes so soon after its onset, s, is neither an onset nor none.
SECOND_START_S = (0.035, 0.18)
BEGIN_TWICE = {"stutter", "split", "smear"}
FETCH = """Fetch audio/ of the public GitHub repository skratchdot/philharmonia-samples and decode each file by
ffmpeg -i X.mp3 -ar 44100 -ac 1 X.wav"""


# What may be fitted to: how a take's name says that it was played, last.
TECHNIQUES = (
    "normal legato nonlegato tongued-slur staccato staccatissimo tenuto glissando tremolo vibrato triple-tonguing"
    " fluttertonguing"
).split()


def is_for_development(name):
    """Half of the trombone's notes, and fast tonguing but the triple, are kept back for the last check: never fitted to."""
    technique = name.removesuffix(".wav").rsplit("_", 1)[-1]
    if technique.endswith("tonguing") and technique not in TECHNIQUES:
        return False
    return not name.startswith("trombone_") or bool(re.match(r"trombone_(C|D|E|Fs|Gs|As)\d_", name))


def read(path, until_s=None):
    samples, rate_hz = sf.read(path, always_2d=True)
    return samples.mean(1)[: int(until_s * rate_hz) if until_s else None], rate_hz


def single_onset_s(path):
    """Where a single note is first within 20 dB of the peak of its attack, in power over 8 ms; there is no label for it."""
    samples, rate_hz = read(path)
    half = int(0.004 * rate_hz)
    level = np.sqrt(np.convolve(samples**2, np.ones(2 * half) / (2 * half), "same"))
    at = int((level > 0.25 * level.max()).argmax())
    peak = level[at : at + int(0.25 * rate_hz)].max()
    while at > 0 and level[at] > 0.1 * peak:
        at -= 1
    return at / rate_hz


class Takes:
    """Collects takes and their altered copies."""

    def __init__(self, work, room, only):
        self.work, self.room, self.only = work, room, only
        self.labels, self.paths, self.missing = {}, {}, []
        (work / "altered").mkdir(parents=True, exist_ok=True)

    def wants(self, name):
        return is_for_development(name) and (not self.only or any(text in name for text in self.only))

    def put(self, name, path, onsets_s, kind, weight, group=None, until_s=None, ignore=()):
        self.paths[name] = str(path)
        self.labels[name] = dict(onsets_s=list(onsets_s), until_s=until_s, ignore=list(ignore), group=group or name,
                                 kind=kind, weight=weight)

    def put_altered(self, name, way, path, onsets_s, kind, weight, until_s=None):
        samples, rate_hz = read(path, until_s)
        if rate_hz < 44100:  # espeak-ng has 22.05 kHz, where nothing hisses
            samples, rate_hz = signal.resample_poly(samples, 44100, rate_hz), 44100
        full = f"{name}~{way}"
        samples, speed, lead_s = rooms.altered(samples, rate_hz, way, rooms.dice(full), self.room)
        place = self.work / "altered" / f"{full}.wav"
        sf.write(place, samples, rate_hz, "FLOAT")
        self.put(full, place, [s / speed + lead_s for s in onsets_s], kind, weight, group=name)

    def put_labelled(self, folder, labels, kind, weight, ways):
        """Recordings with labels; `ways` tells by name how each is altered."""
        for file, label in labels.items():
            name, path = Path(file).stem, folder / file
            if not self.wants(name):
                continue
            if not path.is_file():
                self.missing.append(file)
                continue
            of_this = FAST_WEIGHT if "triple" in name else weight
            self.put(name, path, label["onsets_s"], kind, of_this, until_s=label.get("until_s"))
            for way in ways(name):
                self.put_altered(name, way, path, label["onsets_s"], kind + ALTERED, of_this, label.get("until_s"))

    def put_made(self, folder, usual_weight):
        for truth in sorted(folder.glob("*.truth.json")):
            name = truth.name.removesuffix(".truth.json")
            if not self.wants(name):
                continue
            notes = json.loads(truth.read_text())["entrances"]
            twice = [n["onset_s"] for n in notes if BEGIN_TWICE & {n.get("made"), *n["faults"]}]
            ignore = [[s + SECOND_START_S[0], s + SECOND_START_S[1]] for s in twice]
            path = next(p for p in (folder / f"{name}.wav", folder / f"{name}.flac") if p.is_file())
            weight = NUISANCE_WEIGHT if "nuisances" in name else usual_weight
            self.put(name, path, [n["onset_s"] for n in notes], "made takes", weight, ignore=ignore)

    def put_singles(self, paths):
        for path in sorted(paths):
            if "phrase" not in path.stem and path.stem not in self.labels and self.wants(path.stem):
                onsets_s = [single_onset_s(path)]
                self.put(path.stem, path, onsets_s, "single entrances", SINGLE_WEIGHT)
                way = str(rooms.dice(path.stem).choice(SINGLE_WAYS))
                self.put_altered(path.stem, way, path, onsets_s, "single entrances" + ALTERED, SINGLE_WEIGHT)

    def put_talk(self, recordings):
        said = self.work / "said.wav"
        for i, (voice, text) in enumerate(talk.SAID):
            if self.wants(f"talk{i}"):
                talk.say(said, voice, text)
                self.put_talk_of(f"talk{i}", said, ("plain", "room", "codec", "slow"))
        for name in SPEECH:
            path = recordings / f"{name}.wav"
            if path.is_file() and self.wants(f"talk-{name}"):
                self.put_talk_of(f"talk-{name}", path, ("plain", "room", "codec", "slow"))
            elif self.wants(f"talk-{name}"):
                self.missing.append(path.name)
        for i in range(NUM_CHATS):
            if self.wants(f"talk-chat{i}"):
                rng = rooms.dice(f"talk-chat{i}")
                talk.chat(said, rng)
                self.put_talk_of(f"talk-chat{i}", said, (str(rng.choice(("plain", "room", "codec"))),))

    def put_talk_of(self, name, path, ways):
        for way in ways:
            self.put_altered(name, way, path, [], "talk", TALK_WEIGHT)

    def put_knocks(self, recordings):
        struck = sorted(path for path in recordings.glob("*__*.wav") if path.stem[0] in KNOCKS)
        if not struck and self.wants("woodblock__"):
            self.missing.append("percussion, woodblock__*")
        for path in struck:
            if self.wants(path.stem):
                for way in ("plain", "room", "codec"):
                    self.put_altered(path.stem, way, path, [], "knocks", KNOCK_WEIGHT)

    def put_ticks(self):
        made = self.work / "ticked.wav"
        for i in range(NUM_METRONOMES):
            name = f"ticks{i}"
            if self.wants(name):
                rng = rooms.dice(name)
                sf.write(made, *ticks.metronome(rng), "FLOAT")
                self.put_altered(name, str(rng.choice(("plain", "room", "codec"))), made, [], "ticks", KNOCK_WEIGHT)

    def write(self):
        (self.work / "labels.json").write_text(json.dumps(self.labels))
        lines = (
            "\t".join([name, path, self.labels[name]["kind"], " ".join(map(str, self.labels[name]["onsets_s"]))])
            for name, path in self.paths.items()
        )
        (self.work / "paths.txt").write_text("\n".join(lines) + "\n")


def phrase_ways(name):
    return ("room", "room2", "roomfast", str(rooms.dice(name).choice(("fast", "codec"))))


def main():
    recordings, shared, labels, made, work = map(Path, sys.argv[1:6])
    only = sys.argv[6].split("|") if len(sys.argv) > 6 else []
    trombone = json.loads((shared / "playing/phrases.json").read_text())
    more = json.loads((labels / "phrases.json").read_text())
    response, response_hz = read(shared / "playing/seminar-room-response.flac")
    takes = Takes(work, (response, response_hz), only)
    phrases = {**trombone["takes"], **trombone["fast"]}
    takes.put_labelled(recordings, phrases, "trombone phrases", TROMBONE_WEIGHT, lambda _: PHRASE_WAYS)
    here = trombone["takes_here"]
    takes.put_labelled(shared / "playing", here, "chamber trombone", TROMBONE_WEIGHT, lambda _: CHAMBER_WAYS)
    takes.put_labelled(shared / "playing", more["takes_here"], "chamber brass", OTHER_WEIGHT, lambda _: CHAMBER_WAYS)
    takes.put_labelled(recordings, more["takes"], "phrases of other instruments", OTHER_WEIGHT, phrase_ways)
    takes.put_labelled(recordings, more["fast"], "fast tonguing", FAST_WEIGHT, lambda _: FAST_WAYS)
    # A lip trill changes its pitch on one breath: whether that is one entrance or many is a matter of taste.
    singles = {file: a for file, a in more["negatives"].items() if a["kind"] != "lip-trill"}
    takes.put_labelled(recordings, singles, "single entrances", OTHER_WEIGHT, lambda _: ("room",))
    takes.put_singles([*recordings.glob("trombone_*_normal.wav"), *(shared / "real").glob("*trombone*.flac")])
    takes.put_made(made, MADE_WEIGHT)
    takes.put_made(shared / "takes", SHARED_MADE_WEIGHT)
    takes.put_talk(recordings)
    takes.put_knocks(recordings)
    takes.put_ticks()
    if takes.missing:
        sys.exit(f"{len(takes.missing)} recordings are not in {recordings}, {takes.missing[0]} first.\n{FETCH}\n"
                 f"{' and '.join(SPEECH)} (.wav) are of data/ of spatialaudio/communication-acoustics-exercises.")
    if not takes.labels:
        sys.exit("no take is called so")
    takes.write()
    print(f"{len(takes.labels)} takes, {sum(len(a['onsets_s']) for a in takes.labels.values())} onsets")


main()
