"""The VST3 bundle in two general hosts: bit-exact sound, a moving transport, state.

Called by plugin_vst3.rs with the path of the bundle. Prints what held; any other exit than 0 is a failure,
77 means that the hosts are not installed.
"""

import sys

try:
    import dawdreamer
    import numpy as np
    import pedalboard
except ImportError as missing:
    print(f"SKIPPED: {missing}")
    sys.exit(77)

RATE = 48_000
bundle = sys.argv[1]
rng = np.random.default_rng(7)
noise = (rng.random((2, 3 * RATE), dtype=np.float32) - 0.5).astype(np.float32)

insert = pedalboard.load_plugin(bundle)
for block in (1, 64, 8192):
    sound = noise if block > 1 else noise[:, :4096]
    out = insert.process(sound, RATE, buffer_size=block, reset=True)
    assert np.array_equal(out.view(np.uint32), sound.view(np.uint32)), f"blocks of {block} differ"
print("bit-exact in a host without a transport")

state = insert.raw_state
other = pedalboard.load_plugin(bundle)
other.raw_state = state
assert other.raw_state == state, "the state changed on its way"
print("the state comes back")

engine = dawdreamer.RenderEngine(RATE, 512)
engine.set_bpm(90.0)
playback = engine.make_playback_processor("take", noise)
plugin = engine.make_plugin_processor("notefront", bundle)
engine.load_graph([(playback, []), (plugin, ["take"])])
engine.render(3.0)
rendered = engine.get_audio()
num = min(rendered.shape[1], noise.shape[1])
assert num > 2 * RATE, "hardly anything was rendered"
assert np.array_equal(rendered[:, :num].view(np.uint32), noise[:, :num].view(np.uint32)), "the render differs"
print("bit-exact in a host with a moving transport")
