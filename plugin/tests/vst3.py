"""The VST3 bundle in two general hosts: bit-exact sound, a moving transport, entrances, state.

Called by vst3.rs: vst3.py BUNDLE TAKE.f32 RATE_HZ BPM EXPECTED.json (entrances in seconds). Prints what held; any
other exit than 0 is a failure, 77 means that the hosts are not installed.
"""

import base64
import json
import re
import sys
import tempfile
import time
import zlib
from pathlib import Path

try:
    import dawdreamer
    import numpy as np
    import pedalboard
except ImportError as missing:
    print(f"SKIPPED: {missing}; `cargo xtask test` installs it")
    sys.exit(77)

BUNDLE, TAKE, RATE, BPM = sys.argv[1], sys.argv[2], int(float(sys.argv[3])), float(sys.argv[4])
EXPECTED = json.loads(Path(sys.argv[5]).read_text())
# Longest the worker may take on a busy machine before the test gives up, seconds. Not a measure of speed.
PATIENCE_S = 60
# The alphabet in which the JUCE framework, which both hosts are made with, writes the bytes of a VST3's state: six
# bits a letter, the lowest first (juce::MemoryBlock::toBase64Encoding).
ALPHABET = ".ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+"


def component_state(host_state: bytes) -> dict:
    """The insert's own state out of a host's."""
    num, text = re.search(rb"<IComponent>(\d+)\.([^<]*)</IComponent>", host_state).groups()
    bits, num_bits, state = 0, 0, bytearray()
    for letter in text.decode():
        bits |= ALPHABET.index(letter) << num_bits
        num_bits += 6
        while num_bits >= 8:
            state.append(bits & 255)
            bits, num_bits = bits >> 8, num_bits - 8
    state = bytes(state[: int(num)])
    return json.loads(state[state.index(b"{") :])


def same_bits(a, b) -> bool:
    return np.array_equal(a.view(np.uint32), b.view(np.uint32))


def without_transport():
    noise = (np.random.default_rng(7).random((2, 3 * RATE), dtype=np.float32) - 0.5).astype(np.float32)
    insert = pedalboard.load_plugin(BUNDLE)
    for num_channels in (1, 2):
        for block in (1, 64, 8192):
            sound = noise[:num_channels] if block > 1 else noise[:num_channels, :4096]
            out = insert.process(sound, RATE, buffer_size=block, reset=True)
            assert same_bits(out, sound), f"{num_channels} channels, blocks of {block} differ"
    print("bit-exact in a host without a transport, one and two channels, blocks of 1, 64 and 8192")


def state_round_trip():
    insert = pedalboard.load_plugin(BUNDLE)
    insert.strictness = 0.8
    insert.grid = "Thirds"
    # A VST3 takes its parameters with the next block.
    insert.process(np.zeros((2, 512), dtype=np.float32), RATE)
    other = pedalboard.load_plugin(BUNDLE)
    other.raw_state = insert.raw_state
    params = component_state(other.raw_state)["params"]
    assert abs(params["strictness"]["f32"] - 0.8) < 1e-6, params
    assert params["grid"]["string"] == "thirds", params
    assert component_state(other.raw_state) == component_state(insert.raw_state), "the state changed on its way"
    print("settings and state come back in another instance")


def session(plugin) -> dict:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "state"
        plugin.save_state(str(path))
        kept = json.loads(component_state(path.read_bytes())["fields"]["session"])
        kept["passes"] = [unpacked_pass(one) for one in kept.pop("packed")]
        return kept


def unpacked_pass(packed) -> dict:
    """A pass in pieces: its head, and its entrances in parts."""
    def unpacked(text):
        return json.loads(zlib.decompress(base64.b64decode(text)))

    entrances = [entrance for part in packed["parts"] for entrance in unpacked(part)]
    return {**unpacked(packed["head"]), "entrances": entrances}


def with_transport():
    take = np.fromfile(TAKE, dtype=np.float32)
    sound = np.stack([take, take])
    engine = dawdreamer.RenderEngine(RATE, 512)
    engine.set_bpm(BPM)
    playback = engine.make_playback_processor("take", sound)
    plugin = engine.make_plugin_processor("notefront", BUNDLE)
    engine.load_graph([(playback, []), (plugin, ["take"])])
    engine.render(take.size / RATE)
    rendered = engine.get_audio()
    num = min(rendered.shape[1], take.size)
    assert num > take.size - 512, "hardly anything was rendered"
    assert same_bits(rendered[:, :num], sound[:, :num]), "the render differs"
    print("bit-exact in a host with a moving transport")
    began = time.monotonic()
    passes = session(plugin)["passes"]
    while not passes or passes[0]["duration_s"] < take.size / RATE - 0.1:
        assert time.monotonic() - began < PATIENCE_S, f"the worker is not done: {len(passes)} passes"
        time.sleep(0.1)
        passes = session(plugin)["passes"]
    assert len(passes) == 1, f"{len(passes)} passes for one stretch of playback"
    only = passes[0]
    assert only["origin"] == "played" and only["start_samples"] == 0, only["origin"]
    assert abs(only["beats"]["bends"][0]["tempo_bpm"] - BPM) < 1e-9, only["beats"]
    assert only["num_lost"] == 0, f"{only['num_lost']} samples lost"
    # The note that still sounds at the end is told when the host stops; the others must be there, to the microsecond
    # that the state keeps.
    told = [entrance["measured"]["speaks_s"] for entrance in only["entrances"]]
    assert len(told) >= len(EXPECTED) - 1, f"{len(told)} entrances, {len(EXPECTED)} expected"
    for a, b in zip(told, EXPECTED):
        assert abs(a - b) < 1e-6, f"{a} against {b}"
    print(f"{len(told)} entrances where the analysis of the file has them, in a host that renders without saying so")


without_transport()
state_round_trip()
with_transport()
