"""Fits the scores of dsp/src/decode to labelled playing.

usage: fit.py CANDIDATES_DIR LABELS.json OUT [--check]

LABELS.json: {name: {"onsets_s": [...], "until_s": s, "group": g, "weight": w}}; CANDIDATES_DIR/name.f32 holds the
candidates of that take as rows of 32-bit floats: time in s, features. Boosted trees of scikit-learn, every feature that
tells of a rise or a dip bound to speak for an onset, never against (monotonic constraints): what a room or a microphone
does to the rest cannot turn a plain stroke into none.
--check leaves out one group after the other and prints onset F at 50 and 25 ms of the takes left out.
"""
import json, os, sys
import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier, HistGradientBoostingRegressor

NEAR_S, APART_S, LEAST = 0.03, 0.05, 0.4
TREES, LEAVES = 120, 12
PLACE_S, PLACE_TREES, PLACE_LEAVES = 0.045, 60, 10


def read(folder, labels, num):
    takes = {}
    for name, a in labels.items():
        path = os.path.join(folder, name + ".f32")
        if os.path.exists(path):
            rows = np.fromfile(path, "<f4").reshape(-1, num + 1)
            takes[name] = dict(a, t=rows[:, 0].astype(float), X=rows[:, 1:], ref=np.array(a["onsets_s"], float))
    return takes


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


def fit_note(folder, labels):
    """Played note or talk, from what the finder takes for notes in both."""
    names = open(os.path.join(folder, "note-features.txt")).read().splitlines()
    signs = [{"+": 1, "-": -1}.get(n[0], 0) for n in names]
    X, Y = [], []
    for n, a in labels.items():
        path = os.path.join(folder, n + ".notes.f32")
        if not os.path.exists(path) or ("~" in n and a["kind"] != "talk"):
            continue
        rows = np.fromfile(path, "<f4").reshape(-1, len(names) + 1)
        t, x = rows[:, 0], rows[:, 1:]
        if a["kind"] == "talk":
            X.append(x), Y.append(np.zeros(len(x)))
        elif len(t) and a["onsets_s"]:
            away = np.abs(t[:, None] - np.array(a["onsets_s"])[None]).min(1)
            false = (away > 0.2) & (a["kind"] == "made takes")  # knocks, breaths and talk between made notes
            X.append(x[away < APART_S]), Y.append(np.ones((away < APART_S).sum()))
            X.append(x[false]), Y.append(np.zeros(false.sum()))
    model = HistGradientBoostingClassifier(max_iter=60, learning_rate=0.1, max_leaf_nodes=8, min_samples_leaf=20,
                                           monotonic_cst=signs, early_stopping=False, random_state=1)
    return model.fit(np.concatenate(X), np.concatenate(Y))


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
            est = np.sort(est + 1e-3 * place.predict(a["X"][np.isin(a["t"], est)]))
            est, ref = est[est < until], a["ref"][a["ref"] < until]
            row = np.array([hits(ref, est, 0.05), hits(ref, est, 0.025), len(ref), len(est)])
            sums[a["kind"]] = sums.get(a["kind"], 0) + row
    for kind, (h50, h25, num_ref, num_est) in sorted(sums.items()):
        f = [2 * h / max(1, num_ref + num_est) for h in (h50, h25)]
        print(f"left out: {kind:24} onsets {num_ref:5}  F {f[0]:.3f} / {f[1]:.3f}  extra {num_est - h50} missed {num_ref - h50}")


def write(models, path, lines):
    with open(path + ".part", "w") as out:
        for line in lines:
            print("#", line, file=out)
        for name, model in models.items():
            print("of %s" % name, file=out)
            print("base %.5g" % model._baseline_prediction.item(), file=out)
            for (tree,) in model._predictors:
                print("tree", file=out)
                emit(tree.nodes, out)
    os.replace(path + ".part", path)


def emit(nodes, out):
    """Nodes in the order of a walk that goes below first; a split names the place of its other branch."""
    order = []
    def walk(i):
        order.append(i)
        if not nodes[i]["is_leaf"]:
            walk(nodes[i]["left"]), walk(nodes[i]["right"])
    walk(0)
    place = {i: k for k, i in enumerate(order)}
    for i in order:
        n = nodes[i]
        print("= %.4g" % n["value"] if n["is_leaf"] else "%d %.6g %d" % (n["feature_idx"], n["num_threshold"], place[n["right"]]), file=out)


def main():
    folder, labels, out = sys.argv[1:4]
    names = open(os.path.join(folder, "features.txt")).read().splitlines()
    rising = [1 if n.startswith("+") else 0 for n in names]
    takes = read(folder, json.load(open(labels)), len(names))
    if "--check" in sys.argv:
        check(takes, rising)
        return
    models = {"onset": fit(takes, list(takes), rising), "place": fit_place(takes, list(takes))}
    models["note"] = fit_note(folder, json.load(open(labels)))
    kinds = sorted({a["kind"] for a in takes.values()})
    told = ["%s: %d takes, %d onsets" % (k, sum(a["kind"] == k for a in takes.values()), sum(len(a["ref"]) for a in takes.values() if a["kind"] == k)) for k in kinds]
    write(models, out, ["Made by `cargo xtask fit`; do not edit. Boosted trees over the features of features.rs, in their order.", "Fitted on " + "; ".join(told)] )
    print(out, os.path.getsize(out), "bytes")


if __name__ == "__main__":
    main()
