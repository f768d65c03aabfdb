"""The ways between the notes of professionals' legato phrases, in percentiles: the table of dsp/src/passages.md.

usage: passages.py PROGRAM FOLDER     PROGRAM is a built `notefront`, FOLDER holds decoded recordings as `cargo xtask fronts`
takes them. Passage and dip are read by the analysis itself: what a player's are held against is read with the same ruler.
"""
import glob, json, os, subprocess, sys
from fronts_names import LEAST, PERCENTS, may_be_looked_at

HEAD = """# The ways between notes of professionals, in percentiles

Made by `python3 chores/passages.py PROGRAM FOLDER > dsp/src/passages.md` (PROGRAM: a built `notefront`; FOLDER as for
`cargo xtask fronts`): do not edit. Legato phrases of an orchestra's players (Philharmonia Orchestra; trombones kept back
for the last check are not among them), read by the analysis itself: a player is held against the same ruler. Five numbers
are the 2.5, 10, 50, 90 and 97.5 percentile; a dash stands where fewer than 15 notes tell. A passage of 0 ms is a leap
within the reach of its window (1.2 periods of the lower note).

| phrases | recordings | notes | joined | passage, ms | n | dip, dB | n | partial between |
| --- | --- | --- | --- | --- | --- | --- | --- | --- |"""


def percentile(values, percent):
    values = sorted(values)
    at = percent / 100 * (len(values) - 1)
    low = int(at)
    return values[low] + (at - low) * (values[min(low + 1, len(values) - 1)] - values[low])


def cell(values, form):
    return " ".join(format(percentile(values, p), form) for p in PERCENTS) if len(values) >= LEAST else "-"


def row(name, takes):
    notes = [e for take in takes for e in take["entrances"]]
    joined = [e for e in notes if e["dip_db"] is not None]
    passages = [e["passage_ms"] for e in joined if e["passage_ms"] is not None]
    dips = [e["dip_db"] for e in joined]
    between = sum(e["partial_between"] is not None for e in joined)
    print(f"| {name} | {len(takes)} | {len(notes)} | {len(joined)} | {cell(passages, '.0f')} | {len(passages)} "
          f"| {cell(dips, '.1f')} | {len(dips)} | {between} |")


def main(program, folder):
    paths = sorted(p for p in glob.glob(os.path.join(folder, "*_phrase_*_legato.wav")) if may_be_looked_at(p))
    takes = {}
    for path in paths:
        told = subprocess.run([program, "scan", path, "--json"], capture_output=True, check=True).stdout
        takes.setdefault(os.path.basename(path).split("_")[0], []).append(json.loads(told))
    print(HEAD)
    row("all", [take for some in takes.values() for take in some])
    row("brass", takes.get("trombone", []) + takes.get("french-horn", []))
    for name in sorted(takes, key=lambda name: name != "trombone"):
        row(name, takes[name])


main(*sys.argv[1:])
