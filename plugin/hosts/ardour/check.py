"""The insert in Ardour 7.3: marker notes, the marker file, what a session keeps, and an export.

check.py BUNDLE.vst3 NOTEFRONT TAKE [--bpm N] [--bar N] [--shift-ms N] [--without-window]

Makes sessions in a folder of its own, with a home of its own, so that nothing of the user's is touched. Prints a line
for each check, with its numbers; exit status 0 when all hold, 1 when one does not, 77 when something is not installed.
"""

import argparse
import base64
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

LIBRARIES = Path("/usr/lib/ardour7")
HERE = Path(__file__).parent
try:
    import mido
    import numpy as np
    import soundfile
except ImportError as missing:
    print(f"SKIPPED: {missing}; pip install mido numpy soundfile")
    sys.exit(77)

from session import Session  # noqa: E402  the packages come first, to be told by name

# Ardour 7.3 records notes on its ticks, 1920 to the quarter note, rounded: 0.52 ms at 60 a minute.
NOTE_TOLERANCE_MS = 1.1
# The insert keeps instants to a millionth of a second, the scan tells them so.
SCAN_TOLERANCE_MS = 0.002
# So many entrances tell whether the host's beat is followed (MIN_TO_TELL of dsp/src/grid.rs); until then no note is sent
# for timing, since it could not be taken back.
NUM_UNTIMED = 6
TIMING = ("early", "late")
# A tick of Ardour's at 40 quarter notes a minute, rounded.
MARKER_TOLERANCE_MS = 1.0
# Keys of the table "Marker notes" in plugin/README.md, written out here on purpose: they are told to players.
KEYS = {"airy": 60, "below": 61, "above": 62, "slow": 63, "split": 64, "smear": 65, "stutter": 66, "hard": 67,
        "early": 68, "late": 69, "held-breath": 70}
CHANNELS = {"tongued": 0, "legato": 1, "slurred": 2}
# A 16-bit step: what the export may be off by.
STEP_16_BITS = 1.0 / 32_768.0


class Ardour:
    """Ardour with a home of its own."""

    def __init__(self, folder, bundle):
        self.folder = folder
        home = folder / "home"
        plugin = home / ".vst3" / "Notefront.vst3"
        shutil.copytree(bundle, plugin)
        self.config = home / ".config/ardour7"
        self.config.mkdir(parents=True)
        self.env = {**os.environ, "HOME": str(home), "XDG_CONFIG_HOME": str(home / ".config"),
                    "XDG_CACHE_HOME": str(home / ".cache"), "XDG_DATA_HOME": str(home / ".local/share"),
                    "LIBGL_ALWAYS_SOFTWARE": "1"}
        # A scan counts only if it is younger than the library, in whole seconds.
        time.sleep(1.5)
        self.run([LIBRARIES / "ardour-vst3-scanner", "-f", plugin], {"LD_LIBRARY_PATH": str(LIBRARIES)})

    def run(self, command, env=None, timeout_s=120):
        done = subprocess.run([str(c) for c in command], env={**self.env, **(env or {})}, timeout=timeout_s,
                              capture_output=True, text=True, check=False)
        return done.stdout + done.stderr

    def lua(self, script, **given):
        file = self.folder / script
        file.write_text(f"given = {table(given)}\n{(HERE / script).read_text()}")
        said = self.run(["ardour7-lua", file])
        if "Error:" in said:
            sys.exit(f"{script}: {said}")
        return said

    def import_markers(self, session, midi):
        """In the program itself, under a display of its own: Lua alone cannot import."""
        done = self.folder / "imported"
        done.unlink(missing_ok=True)
        hook = f"given = {table({'midi': str(midi), 'done': str(done)})}\n{(HERE / 'import.lua').read_text()}"
        script = ("s = {} s['n'] = 'import' s['s'] = '' s['a'] = {} "
                  f"s['f'] = string.dump(function(params) {hook} end)")
        text = base64.b64encode(script.encode()).decode()
        # All signals: the hook picks its own, since their numbers differ between versions.
        (self.config / "ui_scripts").write_text(
            '<?xml version="1.0" encoding="UTF-8"?>\n<UIScripts><ActionScript lua="Lua 5.3"/><ActionHooks>'
            f'<LuaCallback lua="Lua 5.3" id="900" name="import" signals="{"1" * 80}">{text}</LuaCallback>'
            "</ActionHooks></UIScripts>\n")
        # No welcome, and the dummy backend among those offered.
        (self.config / ".a7").touch()
        (self.config / "config").write_text(
            '<?xml version="1.0" encoding="UTF-8"?>\n<Ardour><Config><Option name="try-autostart-engine" value="1"/>'
            '<Option name="hide-dummy-backend" value="0"/></Config></Ardour>\n')
        command = ["xvfb-run", "-a", "-s", "-screen 0 1600x1000x24", "sh", HERE / "start.sh", session, done]
        said = self.run(command, timeout_s=180)
        if not done.exists():
            print(said[-2000:])
        return done.exists()


def table(given):
    """A Lua table."""
    words = {True: "true", False: "false"}
    parts = [f"{k} = {words[v] if isinstance(v, bool) else json.dumps(v)}" for k, v in given.items()]
    return "{ " + ", ".join(parts) + " }"


class Checks:
    def __init__(self):
        self.held = True

    def tell(self, holds, what):
        self.held &= bool(holds)
        print(("PASS" if holds else "FAIL"), what, flush=True)


def recorded_notes(session, bpm):
    """Seconds on the session's time line, channel, key and velocity of each note on the track "notes"."""
    found = []
    for region in session.regions("notes"):
        length, position = region.get("length").split("@")
        if length[0] != "b" or region.get("start") != "b0":
            sys.exit("the track \"notes\" holds a region that does not begin with its recording: was it cut?")
        source = next(s for s in session.root.iter("Source") if s.get("id") == region.get("source-0"))
        file = mido.MidiFile(next(session.folder.glob(f"interchange/*/midifiles/{source.get('name')}")))
        for track in file.tracks:
            tick = 0
            for message in track:
                tick += message.time
                if message.type == "note_on" and message.velocity > 0:
                    at = session.seconds(position) + tick / file.ticks_per_beat * 60 / bpm
                    found.append((at, message.channel, message.note, message.velocity))
    return sorted(found)


def flags_of(faults):
    """Name, severity and sureness of each fault, the worst first."""
    told = [(f["name"], f["severity"], f["sureness"]) for f in faults if f]
    return sorted(told, key=lambda fault: -fault[1])


def scanned(notefront, take, bpm, start_s):
    """What a file holds that begins there on the session's time line, with the beats that the session has: its first beat
    is at its start."""
    first_beat_s = -start_s % (60.0 / bpm)
    scan = subprocess.run([notefront, "scan", "--json", "--bpm", str(bpm), "--first-beat", str(first_beat_s), take],
                          capture_output=True, text=True, check=True)
    return [(start_s + e["speaks_s"], e["articulation"], flags_of(e["faults"]))
            for e in json.loads(scan.stdout)["entrances"]]


def as_heard(one_pass, sound, start, rate_hz, path):
    """The stretch of the session that a pass was made of, as a file: with what lies before and behind the take."""
    first = one_pass["start_samples"]
    stretch = np.zeros(round(one_pass["duration_s"] * rate_hz))
    at = start - first
    part = sound[max(0, -at):max(0, len(stretch) - at)]
    stretch[max(0, at):max(0, at) + len(part)] = part
    soundfile.write(path, stretch, rate_hz, subtype="FLOAT")
    return first / rate_hz


def heard(one_pass):
    """The same of a pass that the insert kept."""
    start_s = one_pass["start_samples"] / one_pass["sample_rate_hz"]
    return [(start_s + e["measured"]["speaks_s"], e["measured"]["articulation"], flags_of(e["verdict"]["faults"]))
            for e in one_pass["entrances"]]


def notes_for(entrances):
    """The notes that entrances ask for: place, channel, key, velocity."""
    def velocity(severity):
        return max(1, round(127 * min(1.0, severity)))
    return [(at, CHANNELS[articulation], KEYS[flags[0][0]], velocity(flags[0][1]))
            for at, articulation, flags in entrances if flags]


def pair(found, expected, within_s=0.2):
    """Each expected with the nearest found, if it is near."""
    pairs = []
    for e in expected:
        near = min(found, key=lambda f: abs(f[0] - e[0]), default=None)
        if near is not None and abs(near[0] - e[0]) < within_s:
            pairs.append((near, e))
    return pairs


def check_notes(checks, session, one_pass, bpm, shift_ms):
    """A note for each flag that the insert itself keeps, at its place, as the table says."""
    found = [(at + shift_ms * 1e-3, *rest) for at, *rest in recorded_notes(session, bpm)]
    entrances = heard(one_pass)
    # Before it is known whether the beat is followed, what is flagged for timing has the note of its next fault, or none.
    untimed = [(at, how, [f for f in flags if f[0] not in TIMING] if i < NUM_UNTIMED else flags)
               for i, (at, how, flags) in enumerate(entrances)]
    expected = notes_for(untimed)
    pairs = pair(found, expected)
    off_ms = [1e3 * (f[0] - e[0]) for f, e in pairs]
    worst = max(map(abs, off_ms), default=0.0)
    for e in expected:
        if all(p[1] != e for p in pairs):
            print(f"      no note for the flagged entrance at {e[0]:.3f} s (key {e[2]})")
    for f in found:
        if all(p[0] != f for p in pairs):
            print(f"      a note at {f[0]:.3f} s (key {f[2]}), where the insert keeps nothing flagged")
    for f, e in pairs:
        if abs(f[0] - e[0]) > NOTE_TOLERANCE_MS * 1e-3:
            print(f"      the note for {e[0]:.3f} s stands {1e3 * (f[0] - e[0]):+.1f} ms off")
    checks.tell(len(pairs) == len(expected) == len(found),
                f"marker notes: {len(pairs)} of the insert's {len(expected)} flagged entrances, {len(found)} notes recorded")
    checks.tell(worst <= NOTE_TOLERANCE_MS, f"marker notes: at most {worst:.2f} ms, on average "
                f"{np.mean(off_ms) if off_ms else 0.0:+.2f} ms from the attack (allowed {NOTE_TOLERANCE_MS} ms)")
    for f, e in pairs:
        if f[1:3] != e[1:3] or abs(f[3] - e[3]) > 1:
            print(f"      the note at {f[0]:.3f} s has channel, key and velocity {f[1:]}, the insert keeps {e[1:]}")
    same = [f[1:3] == e[1:3] for f, e in pairs]
    checks.tell(all(same), f"marker notes: key and channel of {sum(same)} of {len(same)} as in the table")
    apart = max((abs(f[3] - e[3]) for f, e in pairs), default=0)
    checks.tell(apart <= 1, f"marker notes: velocity at most {apart} of 127 from the severity (allowed 1)")


def check_heard(checks, one_pass, expected):
    """The insert hears what a scan of the same stretch of sound holds: each entrance, at its place, with its flags."""
    found = heard(one_pass)
    pairs = pair(found, expected, 0.05)
    tell_apart(found, expected, pairs, SCAN_TOLERANCE_MS, "a scan of the same stretch")
    worst = max((1e3 * abs(f[0] - e[0]) for f, e in pairs), default=float("inf"))
    checks.tell(len(pairs) == len(expected) == len(found) and worst <= SCAN_TOLERANCE_MS,
                f"entrances: {len(pairs)} of {len(expected)} heard, {len(found)} in all, at most {worst:.4f} ms from a scan of "
                f"the same stretch (allowed {SCAN_TOLERANCE_MS} ms)")
    num_same = sum(names(f) == names(e) for f, e in pairs)
    checks.tell(num_same == len(pairs), f"flags: {num_same} of {len(pairs)} entrances have those of the scan")


def names(entrance):
    return {name for name, _, _ in entrance[2]}


def tell_apart(found, expected, pairs, tolerance_ms, against):
    """What differs, in words."""
    for some, side, who in ((expected, 1, against), (found, 0, "the insert")):
        for one in some:
            if all(p[side] is not one for p in pairs):
                print(f"      only {who} has an entrance at {one[0]:.3f} s")
    for f, e in pairs:
        if abs(f[0] - e[0]) > tolerance_ms * 1e-3:
            print(f"      the entrance at {e[0]:.3f} s of {against} stands {1e3 * (f[0] - e[0]):+.3f} ms off in the insert")
        sure = {name: sureness for name, _, sureness in f[2] + e[2]}
        for name in names(f) ^ names(e):
            print(f"      {name} at {e[0]:.3f} s only in {'the insert' if name in names(f) else against} "
                  f"({100 * sure[name]:.0f} % sure)")


def note_the_take_alone(found, alone):
    """No check: the take begins at another sample of the analysis' steps there, and what lies on a line may cross it."""
    pairs = pair(found, alone, 0.05)
    print(f"NOTE  a scan of the take alone: {len(alone)} entrances against {len(found)}; what differs by more than 3 ms or in "
          "its flags is the analysis' own unrest:")
    tell_apart(found, alone, pairs, 3.0, "the take alone")


def is_same(a, b):
    """Equal, but for what is told anew from numbers that were rounded: a frequency is kept to a millionth of a Hz, a cent of
    it is then off by 1e-4 at most."""
    if isinstance(a, dict):
        return isinstance(b, dict) and a.keys() == b.keys() and all(is_same(a[k], b[k]) for k in a)
    if isinstance(a, list):
        return isinstance(b, list) and len(a) == len(b) and all(map(is_same, a, b))
    if isinstance(a, float):
        return isinstance(b, (int, float)) and abs(a - b) <= 1e-4
    return a == b


def check_kept(checks, before, after):
    num_passes, num_entrances = (len(before[1]["passes"]), sum(len(p["entrances"]) for p in before[1]["passes"]))
    same = is_same(before[0]["params"], after[0]["params"]) and is_same(before[1], after[1])
    checks.tell(same and num_entrances > 0, f"opened, saved and closed again: settings, {num_passes} pass(es) and "
                f"{num_entrances} entrances as they were")


def check_markers(checks, ardour, session, midi, expected, shift_ms):
    if not ardour.import_markers(session.file, midi):
        checks.tell(False, "marker file: Ardour did not get as far as importing")
        return
    after = Session(session.folder, session.name)
    found = [(at + shift_ms * 1e-3,) for at, _ in after.cues(midi.stem)]
    pairs = pair(found, expected)
    worst = max((1e3 * abs(f[0] - e[0]) for f, e in pairs), default=float("inf"))
    checks.tell(len(pairs) == len(expected) == len(found) > 0 and worst <= MARKER_TOLERANCE_MS,
                f"marker file: {len(pairs)} of {len(expected)} markers imported, at most {worst:.2f} ms from the faults "
                f"(allowed {MARKER_TOLERANCE_MS} ms)")


def check_export(checks, ardour, take, sound, rate_hz, start, bpm, look_ahead):
    """A session of its own, rendered. With marker notes on the first second is left out: Ardour 7.3 activates every
    plug-in anew after it has begun to render, and what a delay held by then is gone."""
    name = "export-on" if look_ahead else "export-off"
    session = make_session(ardour, name, take, sound, rate_hz, start, bpm, look_ahead)
    out = ardour.folder / f"{session.folder.name}.wav"
    said = ardour.run(["ardour7-export", "-o", out, session.folder, session.name])
    if not out.exists():
        checks.tell(False, f"export: nothing written: {said[-400:]}")
        return
    found, _ = soundfile.read(out, always_2d=True)
    found = found[start:start + len(sound)]
    first = max(0, rate_hz - start) if look_ahead else 0
    whole = len(found) == len(sound)
    steps = np.abs(found[first:] - sound[first:, None]).max() / STEP_16_BITS if whole else float("inf")
    checks.tell(steps <= 1.0, f"export, marker notes {'on' if look_ahead else 'off'}: at most {steps:.2f} steps of 16 bits "
                f"from the take, from {first / rate_hz:.0f} s on")


def arguments():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("bundle", type=Path)
    parser.add_argument("notefront")
    parser.add_argument("take", type=Path)
    parser.add_argument("--bpm", type=float, default=61.0)
    parser.add_argument("--bar", type=int, default=2, help="bar of four beats the take begins at: Ardour fades in what lies "
                        "at the very start of its playback")
    parser.add_argument("--shift-ms", type=float, default=0.0, help="moves what was found: the checks must fail then")
    parser.add_argument("--without-window", action="store_true", help="leaves out what needs a display")
    return parser.parse_args()


def main():
    given = arguments()
    needed = ["ardour7-lua", "ardour7-export"] + ([] if given.without_window else ["ardour", "xvfb-run", "xdotool"])
    missing = [program for program in needed if shutil.which(program) is None]
    if missing:
        print(f"SKIPPED: {', '.join(missing)} not installed; apt-get install ardour xvfb xauth xdotool")
        sys.exit(77)
    if not given.bundle.is_dir():
        sys.exit(f"{given.bundle} is no bundle: make one with cargo xtask bundle")
    with tempfile.TemporaryDirectory(prefix="notefront-ardour-") as folder:
        checks = run(given, Path(folder))
    sys.exit(0 if checks.held else 1)


def make_session(ardour, name, take, sound, rate_hz, start, bpm, look_ahead, without_insert=False):
    """One track with the take and the insert; with look-ahead a MIDI track that the insert's notes go to."""
    folder = ardour.folder / name
    ardour.lua("make.lua", folder=str(folder), name=name, rate_hz=rate_hz, bpm=bpm, look_ahead=look_ahead,
               without_insert=without_insert)
    session = Session(folder, name)
    session.put_take(take, "horn", start / rate_hz, len(sound), rate_hz)
    if look_ahead:
        session.switch_on("look_ahead")
    session.save()
    return session


def read(path):
    """A take as one channel, and its rate; what cannot be one ends the check in words."""
    try:
        sound, rate_hz = soundfile.read(path, always_2d=True)
    except (OSError, soundfile.LibsndfileError) as why:
        sys.exit(f"{path} is no take that can be read: {why}")
    if rate_hz not in (44_100, 48_000, 88_200, 96_000):
        sys.exit(f"{path} has {rate_hz} Hz: Ardour's dummy device has 44.1, 48, 88.2 and 96 kHz")
    if len(sound) < rate_hz:
        sys.exit(f"{path} is shorter than a second: there is nothing to play")
    if sound.shape[1] > 1:
        print(f"NOTE  {path} has {sound.shape[1]} channels: the first is taken")
    return sound[:, 0], rate_hz


def run(given, folder):
    checks = Checks()
    sound, rate_hz = read(given.take)
    take = folder / "take.wav"
    soundfile.write(take, sound, rate_hz, subtype="PCM_16")
    sound, _ = soundfile.read(take)  # as the session has it
    # On a whole sample, as a host places it.
    start = round((given.bar - 1) * 4 * 60.0 / given.bpm * rate_hz)
    start_s, length_s = start / rate_hz, len(sound) / rate_hz

    ardour = Ardour(folder, given.bundle.resolve())
    session = make_session(ardour, "session", take, sound, rate_hz, start, given.bpm, True)
    where = {"folder": str(session.folder), "name": session.name}
    said = ardour.lua("roll.lua", **where, seconds=start_s + length_s + 4.0)
    delay = next((int(line.split()[1]) for line in said.splitlines() if line.startswith("delay ")), 0)
    checks.tell(delay == rate_hz, f"marker notes: Ardour knows of a delay of {delay} samples after opening the session")

    session = Session(where["folder"], where["name"])
    alone = scanned(given.notefront, take, given.bpm, start_s)
    before = session.insert_state()
    passes = before[1]["passes"]
    checks.tell(len(passes) == 1, f"passes: {len(passes)} kept of one playback")
    if passes:
        stretch = folder / "stretch.wav"
        from_s = as_heard(passes[-1], sound, start, rate_hz, stretch)
        check_heard(checks, passes[-1], scanned(given.notefront, stretch, given.bpm, from_s))
        note_the_take_alone(heard(passes[-1]), alone)
        check_notes(checks, session, passes[-1], given.bpm, given.shift_ms)

    ardour.lua("reopen.lua", **where)
    check_kept(checks, before, Session(where["folder"], where["name"]).insert_state())
    for look_ahead in (False, True):
        check_export(checks, ardour, take, sound, rate_hz, start, given.bpm, look_ahead)

    if not given.without_window:
        # As the program writes it: the beats are the session's, tick 0 is the take's first sample.
        first_beat_s = -start_s % (60.0 / given.bpm)
        subprocess.run([given.notefront, "mark", "--bpm", str(given.bpm), "--first-beat", str(first_beat_s), "--out",
                        folder, take], check=True, capture_output=True)
        from_take = [(at - start_s, *rest) for at, *rest in notes_for(alone)]
        check_markers(checks, ardour, session, folder / "take.marks.mid", from_take, given.shift_ms)
    return checks


if __name__ == "__main__":
    main()
