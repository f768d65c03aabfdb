"""Exports of a session with the insert, marker notes off, and of the same session without it, many times over.

exports.py BUNDLE.vst3 TAKE [--times 50] [--bar 2]

Each export is compared with the take, sample by sample. The session without the insert is the control: what differs there
too is Ardour's own. Exit status 0 when no export with the insert differs, 1 when one does, 77 when something is not
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
    """How far an export is from the take: samples that differ, and the largest difference in steps of 16 bits."""
    out.unlink(missing_ok=True)
    for _ in range(TRIES):
        try:
            said = ardour.run(["ardour7-export", "-o", out, session.folder, session.name], timeout_s=HANGS_AFTER_S)
            break
        except subprocess.TimeoutExpired:
            print("NOTE  ardour7-export hung and was ended; once more", flush=True)
            said = "it hangs"
    if not out.exists():
        return len(sound), said[-200:]
    found, _ = soundfile.read(out, always_2d=True)
    found = found[start:start + len(sound)]
    if len(found) != len(sound):
        return len(sound), f"{len(found)} samples in place of {len(sound)}"
    apart = np.abs(found - sound[:, None]).max(axis=1)
    return int(np.count_nonzero(apart)), f"at most {apart.max() / STEP_16_BITS:.1f} steps"


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("bundle", type=Path)
    parser.add_argument("take", type=Path)
    parser.add_argument("--times", type=int, default=50)
    parser.add_argument("--bar", type=int, default=2)
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
        for name, without in (("with the insert", False), ("without it", True)):
            session = make_session(ardour, name.split()[0], take, sound, rate_hz, start, 61.0, False, without)
            told = [differs(ardour, session, sound, start, folder / "export.wav") for _ in range(given.times)]
            bad[name] = [(i, *one) for i, one in enumerate(told, 1) if one[0]]
            for i, num, how in bad[name]:
                print(f"      export {i} {name}: {num} samples differ ({how})")
            print(f"{given.times - len(bad[name])} of {given.times} exports {name} equal the take bit for bit", flush=True)
    sys.exit(1 if bad["with the insert"] else 0)


if __name__ == "__main__":
    main()
