"""Metronomes, made: beeps, wood blocks and ticks of many makes, none of which is a note."""
import numpy as np

RATE_HZ = 44100
BEATS_PER_MIN = (40, 208)
NUM_BEATS = 14


def beep(t, hz, rng):
    """A tone that is switched on and off, as phones make it: with none, odd or all harmonics."""
    length_s, on_s, off_s = rng.uniform(0.008, 0.12), rng.uniform(0.0002, 0.004), rng.uniform(0.0005, 0.015)
    most = int(min(12, 0.4 * RATE_HZ / hz))
    kind = rng.integers(3)
    harmonics = [1] if kind == 0 else range(1, most + 1, 3 - kind)
    tone = sum(np.sin(2 * np.pi * hz * k * t) / k ** rng.uniform(1, 2) for k in harmonics)
    return tone * np.clip(t / on_s, 0, 1) * np.clip((length_s - t) / off_s, 0, 1)


def block(t, hz, rng):
    """A bar or a block: some modes that ring off, the higher the faster."""
    ratios = np.cumprod(np.concatenate([[1.0], rng.uniform(1.25, 2.8, rng.integers(0, 4))]))
    decay_s, loss = rng.uniform(0.003, 0.060), rng.uniform(0.3, 1.5)
    return sum(rng.uniform(0.2, 1) * np.sin(2 * np.pi * hz * r * t) * np.exp(-t / decay_s * r**loss) for r in ratios)


def tick(t, hz, rng):
    """A click: noise around a pitch, over at once."""
    noise = rng.standard_normal(len(t)) * np.sin(2 * np.pi * hz * t)
    return noise * np.exp(-t / rng.uniform(0.001, 0.015))


def metronome(rng):
    """Beats of a drawn metronome, accented or not; its rate in Hz."""
    make, hz = rng.choice((beep, beep, block, block, tick)), np.exp(rng.uniform(np.log(400), np.log(3500)))
    seed, accent, group = rng.integers(1 << 30), rng.choice((1.0, 1.0, rng.uniform(1.1, 2.0))), rng.integers(2, 5)
    louder = rng.uniform(1.0, 2.0)
    period_s = 60 / rng.uniform(*BEATS_PER_MIN)
    samples = np.zeros(int((NUM_BEATS * period_s + 0.6) * RATE_HZ))
    t = np.arange(int(0.3 * RATE_HZ)) / RATE_HZ
    for k in range(NUM_BEATS):
        is_first = k % group == 0
        sound = make(t, hz * (accent if is_first else 1), np.random.default_rng(seed)) * (louder if is_first else 1)
        at = int((0.1 + k * period_s) * RATE_HZ)
        part = samples[at : at + len(t)]
        part += sound[: len(part)]
    return samples, RATE_HZ
