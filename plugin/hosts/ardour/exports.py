"""Exports of a session with the insert, marker notes off, and of the same session without it, many times over.

exports.py BUNDLE.vst3 TAKE [--times 50] [--bar 2]

Each export is compared sample by sample: with the insert, whose channels are two, with the take; without it, where Ardour pans one
channel to two by its own law, with the first export. The session without the insert is the control: what differs there too is
Ardour's own. Exit status 0 when no export with the insert differs, 1 when one does, 77 when something is not
installed.
"""

import argparse
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from check import STEP_16_BITS, Ardour, make_session, read

import numpy as np
import soundfile


# Ardour 7.3 hangs now and then on its way out, with the insert in the session and without it.
HANGS_AFTER_S = 60
TRIES = 3


def differs(ardour, session, sound, start, out):
    """How far an export is from what it should be: samples that differ, the largest difference in steps of 16 bits, and
    the export."""
    out.unlink(missing_ok=True)
    for _ in range(TRIES):
        try:
            said = ardour.run(["ardour7-export", "-o", out, session.folder, session.name], timeout_s=HANGS_AFTER_S)
            break
        except subprocess.TimeoutExpired:
            print("NOTE  ardour7-export hung and was ended; once more", flush=True)
            said = "it hangs"
    if not out.exists():
        return len(sound), said[-200:], None
    found, _ = soundfile.read(out, always_2d=True)
    found = found[start:start + len(sound)]
    if len(found) != len(sound):
        return len(sound), f"{len(found)} samples in place of {len(sound)}", None
    apart = np.abs(found - sound).max(axis=1)
    return int(np.count_nonzero(apart)), f"at most {apart.max() / STEP_16_BITS:.1f} steps", found


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("bundle", type=Path)
    parser.add_argument("take", type=Path)
    parser.add_argument("--times", type=int, default=50)
    parser.add_argument("--bar", type=int, default=2)
    parser.add_argument("--control-only", action="store_true")
    given = parser.parse_args()
    if shutil.which("ardour7-export") is None:
        print("SKIPPED: ardour7-export not installed; apt-get install ardour")
        sys.exit(77)
    sound, rate_hz = read(given.take)
    start = round((given.bar - 1) * 4 * 60.0 / 61.0 * rate_hz)
    with tempfile.TemporaryDirectory(prefix="notefront-ardour-") as folder:
        folder = Path(folder)
        take = folder / "take.wav"
        soundfile.write(take, sound, rate_hz, subtype="PCM_16")
        sound, _ = soundfile.read(take)
        ardour = Ardour(folder, given.bundle.resolve())
        bad = {}
        kinds = [("with the insert", False), ("without it", True)]
        for name, without in kinds[1:] if given.control_only else kinds:
            session = make_session(ardour, name.split()[0], take, sound, rate_hz, start, 61.0, False, without)
            expected, out = np.column_stack([sound, sound]), folder / "export.wav"
            if without:
                expected = differs(ardour, session, expected, start, out)[2]
            told = [differs(ardour, session, expected, start, out) for _ in range(given.times)]
            bad[name] = [(i, *one[:2]) for i, one in enumerate(told, 1) if one[0]]
            for i, num, how in bad[name]:
                print(f"      export {i} {name}: {num} samples differ ({how})")
            what = "its first export" if without else "the take"
            print(f"{given.times - len(bad[name])} of {given.times} exports {name} equal {what} bit for bit", flush=True)
    sys.exit(1 if bad.get("with the insert") else 0)


if __name__ == "__main__":
    main()
