"""Fits the scores of dsp/src/decode to labelled playing.

usage: fit.py WORK OUT [--notes | --struck | --air | --slides] [--check]

WORK holds labels.json (see takes.py), and of each take what the analysis sees in it: candidates/name.f32, with --notes
sounds/name.f32, with --struck strikes/name.f32, with --air airs/name.f32, with --slides slides/name.f32, as rows of 32-bit floats: time in s (of air and
slides: 1 for one, 0 for none), features; names.txt beside them names the features. OUT is the file of fitted scores; what is
not fitted anew is kept. Boosted trees of scikit-learn. A feature whose name begins with + can only
speak for an onset or a note, one with - only against (monotonic constraints): so what tells of a rise or a dip cannot turn
a plain stroke into none, whatever a room or a microphone does to the rest.
--notes fits what tells a played note from talk, in place of where notes begin, --struck what tells it from knocks and the beats of
a metronome, --air what tells air from what else sounds
before a note, --slides what tells a slide from other ways into a note.
--check leaves out one part of the recordings after the other and prints onset F at 50 and 25 ms of the takes left out, or how
many airs or slides were found, and how often something else was called so.
"""
import json
import os
import sys

import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier, HistGradientBoostingRegressor

NEAR_S, APART_S, LEAST = 0.03, 0.05, 0.4
TREES, LEAVES = 200, 31
PLACE_S, PLACE_TREES, PLACE_LEAVES = 0.045, 80, 16
TOLD_TREES, TOLD_LEAVES, TOLD_ALTERED_WEIGHT, TOLD_NUISANCE_WEIGHT = 60, 8, 0.5, 5.0
TOLD_ONE_WEIGHT, TOLD_MADE_WEIGHT = {"air": 1.0, "slide": 2.0}, {"air": 4.0, "slide": 1.0}  # slides are few, and made airs
TOLD = {"--air": ("airs", "air"), "--slides": ("slides", "slide")}  # by option: the folder of what is seen, the section
PLAYED_LEAVES = 8
SAID_TREES, STRUCK_TREES = (60, 0.1), (40, 0.2)  # their number and how fast they learn
STRANGE = 20.0  # as struck.rs calls what is like nothing before it
# What is no note, by its weight: a note lost is worse than seven knocks kept.
SAID, STRUCK = {"talk": 1.0, "knocks": 0.05}, {"knocks": 0.14, "ticks": 0.14}
ALTERED = ", in rooms, faster, coded"  # as takes.py calls altered takes


FETCHED = (
    "To be fetched for it: audio/ of the public GitHub repository skratchdot/philharmonia-samples, decoded, and xmas.wav and",
    "castanets_dry.wav of data/ of spatialaudio/communication-acoustics-exercises. Made takes and talk are made by the command;",
    "labels are in tests/labels and shared/playing. DEVELOPERS.md tells how, chores/fit/takes.py which may be used.",
)


def feature_names(folder):
    with open(os.path.join(folder, "names.txt")) as names:
        return names.read().splitlines()


def bound(names):
    """Which way each feature may speak: 1 for, -1 against, 0 as it comes."""
    return [{"+": 1, "-": -1}.get(name[0], 0) for name in names]


def read(folder, labels):
    """Labelled takes with what was seen in them; the names of the features."""
    names, takes = feature_names(folder), {}
    for name, a in labels.items():
        rows = np.fromfile(os.path.join(folder, name + ".f32"), "<f4").reshape(-1, len(names) + 1)
        takes[name] = dict(a, t=rows[:, 0].astype(float), X=rows[:, 1:], ref=np.array(a["onsets_s"], float))
    return takes, names


def rows_of(a):
    """Candidates with their truth; what lies next to an onset is neither."""
    t, ref = a["t"], a["ref"]
    inside = t < (a.get("until_s") or 1e9)
    for begin, end in a.get("ignore", []):  # second starts of notes that stutter or split: neither
        inside &= (t < begin) | (t > end)
    y = np.zeros(len(t))
    if not len(ref):
        return a["X"][inside], y[inside]
    d = np.abs(t[:, None] - ref[None])
    y[d.argmin(0)[d.min(0) < NEAR_S]] = 1
    keep = ((d.min(1) >= 0.04) | (y > 0)) & inside
    return a["X"][keep], y[keep]


def fit(takes, names, rising):
    X, Y, W = [], [], []
    for n in names:
        x, y = rows_of(takes[n])
        X.append(x), Y.append(y), W.append(np.full(len(y), takes[n].get("weight", 1.0)))
    model = HistGradientBoostingClassifier(max_iter=TREES, learning_rate=0.08, max_leaf_nodes=LEAVES, min_samples_leaf=20,
                                           l2_regularization=1.0, monotonic_cst=rising, early_stopping=False, random_state=1)
    return model.fit(np.concatenate(X), np.concatenate(Y), sample_weight=np.concatenate(W))


def fit_place(takes, names):
    """How far from a candidate near an onset the onset is, ms."""
    X, Y, W = [], [], []
    for n in names:
        a = takes[n]
        if not len(a["ref"]):
            continue
        off = a["ref"][None] - a["t"][:, None]
        off = off[np.arange(len(off)), np.abs(off).argmin(1)]
        keep = np.abs(off) < PLACE_S
        for begin, end in a.get("ignore", []):
            keep &= (a["t"] < begin) | (a["t"] > end)
        X.append(a["X"][keep]), Y.append(1e3 * off[keep]), W.append(np.full(keep.sum(), a.get("weight", 1.0)))
    model = HistGradientBoostingRegressor(loss="absolute_error", max_iter=PLACE_TREES, learning_rate=0.12, max_leaf_nodes=PLACE_LEAVES,
                                          min_samples_leaf=30, early_stopping=False, random_state=1)
    return model.fit(np.concatenate(X), np.concatenate(Y), sample_weight=np.concatenate(W))


def chosen(t, p):
    keep = []
    for i in np.argsort(-p):
        if p[i] < LEAST:
            break
        if all(abs(t[i] - t[q]) > APART_S for q in keep):
            keep.append(i)
    return np.sort(t[keep])


def hits(ref, est, window):
    n = j = 0
    for r in ref:
        while j < len(est) and est[j] < r - window:
            j += 1
        if j < len(est) and abs(est[j] - r) <= window:
            n, j = n + 1, j + 1
    return n


def fit_note(takes, rising):
    """Played note or talk, from what the analysis takes for notes in both: in rooms too, which blur both."""
    return fit_played(takes, rising, SAID, SAID_TREES)


def fit_struck(takes, rising):
    """Played note, or knocks and beats of a metronome."""
    return fit_played(takes, rising, STRUCK, STRUCK_TREES)


def fit_played(takes, rising, none, trees):
    model = HistGradientBoostingClassifier(max_iter=trees[0], learning_rate=trees[1], max_leaf_nodes=PLAYED_LEAVES, min_samples_leaf=20,
                                           l2_regularization=1.0, monotonic_cst=rising, early_stopping=False, random_state=1)
    rows = [played_rows(a, none) for a in takes]
    X, Y, W = (np.concatenate(part) for part in zip(*(row for row in rows if row)))
    return model.fit(X, Y, sample_weight=W)


def played_rows(a, none):
    """Sounds of a take, which of them are notes, and what they count; `none` tells the kinds that hold no note, and their weights."""
    t, x, weight = a["t"], a["X"], none.get(a["kind"])
    if weight is not None and none is STRUCK:  # every one counts once as the first that is heard
        first = x.copy()
        first[:, -1] = STRANGE
        return np.concatenate([x, first]), np.zeros(2 * len(t)), np.full(2 * len(t), weight / 2)
    if weight is not None:
        return x, np.zeros(len(t)), np.full(len(t), weight)
    if not len(t) or not len(a["ref"]):
        return None
    away = np.abs(t[:, None] - a["ref"][None]).min(1)
    near = away < APART_S
    keep = near | ((away > 0.2) & (a["kind"] == "made takes"))  # knocks, breaths and talk between made notes
    return x[keep], near[keep], np.ones(keep.sum())


def check_struck(takes, rising):
    """Five parts of whole recordings, each judged by what was fitted on the four others; made metronomes by other metronomes."""
    sums, groups = {}, sorted({a["group"] for a in takes.values()})
    for part in range(5):
        left_out = set(groups[part::5])
        model = fit_struck([a for a in takes.values() if a["group"] not in left_out], rising)
        for a in (a for a in takes.values() if a["group"] in left_out):
            rows = played_rows(a, STRUCK)
            if rows and len(rows[0]):
                played = model.predict_proba(rows[0])[:, 1] > 0.5
                row = np.array([(rows[1] > 0.5).sum(), (played & (rows[1] > 0.5)).sum(), (rows[1] < 0.5).sum(), (played & (rows[1] < 0.5)).sum()])
                sums[a["kind"]] = sums.get(a["kind"], 0) + row
    for kind, (num, kept, num_none, wrong) in sorted(sums.items()):
        print(f"left out: {kind:55} notes kept {kept:5} of {num:5}, struck taken for played {wrong:4} of {num_none:5}")


def fit_told(takes, names, rising, what):
    """Air, or a tail, a room, a click, an inhalation, a growing tone; a slide, or a lean, or a front as fronts are."""
    Y = [takes[n]["t"] for n in names]
    W = [told_weight(n, takes[n]["kind"], takes[n]["t"] > 0.5, what) for n in names]
    model = HistGradientBoostingClassifier(max_iter=TOLD_TREES, learning_rate=0.2, max_leaf_nodes=TOLD_LEAVES, min_samples_leaf=20,
                                           l2_regularization=1.0, monotonic_cst=rising, early_stopping=False, random_state=1)
    return model.fit(np.concatenate([takes[n]["X"] for n in names]), np.concatenate(Y) > 0.5, sample_weight=np.concatenate(W))


def told_weight(name, kind, is_one, what):
    """Altered takes repeat themselves; made inhalations and knocks are few."""
    if "nuisances" in name or "breaths" in name:
        return np.full(len(is_one), TOLD_NUISANCE_WEIGHT)
    usual = TOLD_MADE_WEIGHT[what] if kind == "made takes" else TOLD_ALTERED_WEIGHT if kind.endswith(ALTERED) else 1.0
    return usual * np.where(is_one, TOLD_ONE_WEIGHT[what], 1.0)


def check_told(takes, rising, what):
    """Five parts of whole recordings, each judged by what was fitted on the four others."""
    sums, groups = {}, sorted({a["group"] for a in takes.values()})
    for part in range(5):
        left_out = set(groups[part::5])
        model = fit_told(takes, [n for n in takes if takes[n]["group"] not in left_out], rising, what)
        for a in (a for a in takes.values() if a["group"] in left_out and len(a["t"])):
            is_one, called = a["t"] > 0.5, model.predict_proba(a["X"])[:, 1] > 0.5
            row = np.array([(is_one & called).sum(), is_one.sum(), (~is_one & called).sum(), (~is_one).sum()])
            sums[a["kind"]] = sums.get(a["kind"], 0) + row
    for kind, (found, num, false, num_none) in sorted(sums.items()):
        print(f"left out: {kind:55} found {found:4} of {num:4}, called so {false:3} of {num_none:5} others")


def check(takes, rising):
    """Ten parts of whole recordings, each judged by what was fitted on the nine others."""
    sums = {}
    groups = sorted({a["group"] for a in takes.values()})
    for part in range(10):
        left_out = set(groups[part::10])
        names = [n for n in takes if takes[n]["group"] not in left_out]
        model, place = fit(takes, names, rising), fit_place(takes, names)
        for n, a in takes.items():
            if a["group"] not in left_out or not len(a["t"]):
                continue
            until = a.get("until_s") or 1e9
            est = chosen(a["t"], model.predict_proba(a["X"])[:, 1])
            if len(est):
                est = np.sort(est + 1e-3 * place.predict(a["X"][np.isin(a["t"], est)]))
            est, ref = est[est < until], a["ref"][a["ref"] < until]
            row = np.array([hits(ref, est, 0.05), hits(ref, est, 0.025), len(ref), len(est)])
            sums[a["kind"]] = sums.get(a["kind"], 0) + row
    for kind, (h50, h25, num_ref, num_est) in sorted(sums.items()):
        f = [2 * h / max(1, num_ref + num_est) for h in (h50, h25)]
        print(f"left out: {kind:24} onsets {num_ref:5}  F {f[0]:.3f} / {f[1]:.3f}  extra {num_est - h50} missed {num_ref - h50}")


def kept(path):
    """Sections of a file of fitted scores, as they stand."""
    with open(path) as old:
        return {part.split("\n", 1)[0]: part for part in old.read().split("\nof ")[1:]}


def section(name, model):
    lines = [name, "base %.5g" % model._baseline_prediction.item()]
    for (tree,) in model._predictors:
        lines += ["tree", *nodes_of(tree.nodes)]
    return "\n".join(lines)


def told(labels):
    kinds = sorted({a["kind"] for a in labels.values()})
    of = {kind: [len(a["onsets_s"]) for a in labels.values() if a["kind"] == kind] for kind in kinds}
    fitted = [f"  {kind}: {len(num)} takes, {sum(num)} onsets" for kind, num in of.items()]
    return ["Made by `cargo xtask fit`; do not edit. Boosted trees over the features of features.rs, in their order.", "Fitted on", *fitted, *FETCHED]


def write(sections, labels, path):
    with open(path + ".part", "w") as out:
        for line in told(labels):
            print("#", line, file=out)
        for name in ("onset", "place", "note", "struck", "air", "slide"):
            print("of", sections[name].rstrip("\n"), file=out)
    os.replace(path + ".part", path)


def nodes_of(nodes):
    """Nodes in the order of a walk that goes below first; a split names the place of its other branch."""
    order = []

    def walk(i):
        order.append(i)
        if not nodes[i]["is_leaf"]:
            walk(nodes[i]["left"]), walk(nodes[i]["right"])

    walk(0)
    place = {i: k for k, i in enumerate(order)}
    leaf = lambda n: "=%.3g" % n["value"]
    split = lambda n: "%d %.5g %d" % (n["feature_idx"], n["num_threshold"], place[n["right"]])
    return [(leaf if nodes[i]["is_leaf"] else split)(nodes[i]) for i in order]


def main():
    work, out = sys.argv[1:3]
    labels = json.load(open(os.path.join(work, "labels.json")))
    notes = "--notes" in sys.argv
    struck = "--struck" in sys.argv
    usual = "sounds" if notes else "strikes" if struck else "candidates"
    folder, what = next((TOLD[word] for word in sys.argv if word in TOLD), (usual, None))
    takes, names = read(os.path.join(work, folder), labels)
    rising = bound(names)
    if "--check" in sys.argv:
        check_struck(takes, rising) if struck else check_told(takes, rising, what) if what else check(takes, rising)
        return
    sections = kept(out)
    if notes:
        sections["note"] = section("note", fit_note(takes.values(), rising))
    elif struck:
        sections["struck"] = section("struck", fit_struck(takes.values(), rising))
    elif what:
        sections[what] = section(what, fit_told(takes, list(takes), rising, what))
    else:
        sections["onset"] = section("onset", fit(takes, list(takes), rising))
        sections["place"] = section("place", fit_place(takes, list(takes)))
    write(sections, labels, out)
    print(out, os.path.getsize(out), "bytes")


main()
