"""Takes as another room, microphone or player would have had them: reverberated, faster, softer, noisy, coded.

Every way begins a few milliseconds later, adds a little noise and turns the level down; some add hum. What is drawn hangs on the name of the take only, so a
take that is missing changes nothing in the others.
"""
import zlib

import numpy as np
from scipy import signal

SEED = 5
MOST_LEAD_S = 0.020
FASTER, SLOWER = (1.25, 1.5, 1.75, 2.0), (0.75, 0.85)


def dice(name):
    """Chance of one take's own."""
    return np.random.default_rng([SEED, zlib.crc32(name.encode())])


def unit(response):
    return response / np.sqrt((response**2).sum())


def measured(response, response_hz, rate_hz):
    """A measured response from a millisecond before its direct sound on."""
    if rate_hz != response_hz:
        response = signal.resample_poly(response, rate_hz, response_hz)
    return unit(response[max(0, np.abs(response).argmax() - rate_hz // 1000):])


def drawn(rate_hz, rng):
    """A drawn response: a decay of 0.25 to 1.1 s behind a direct sound that is 6 dB softer to 14 dB louder."""
    decay_s = rng.uniform(0.25, 1.1)
    num = int(rate_hz * decay_s)
    tail = rng.standard_normal(num) * 10 ** (-3 * np.arange(num) / num)
    tail = signal.lfilter(*signal.butter(1, rng.uniform(3000, 8000) / (rate_hz / 2)), tail)
    tail[: int(rng.uniform(0.001, 0.008) * rate_hz)] = 0
    response = unit(tail) * 10 ** (-rng.uniform(-6, 14) / 20)
    response[0] += 1
    return response


def in_a_room(samples, rate_hz, rng, response):
    h = measured(*response, rate_hz) if rng.random() < 0.3 else drawn(rate_hz, rng)
    return signal.fftconvolve(samples, h)[: len(samples) + rate_hz // 4]


def with_noise(samples, rate_hz, rng):
    rms = np.sqrt((samples**2).mean())
    noise = rng.standard_normal(len(samples))
    if rng.random() < 0.5:  # as a fan has it
        noise = signal.lfilter(*signal.butter(1, 400 / (rate_hz / 2)), noise)
        noise /= noise.std()
    samples = samples + noise * rms * 10 ** (-rng.uniform(35, 70) / 20)
    if rng.random() < 0.3:
        hum = np.sin(2 * np.pi * 50 * np.arange(len(samples)) / rate_hz)
        samples = samples + rms * 10 ** (-rng.uniform(35, 55) / 20) * hum
    return samples


def coded(samples, rate_hz, rng):
    """A phone: a narrow band, levelled and clipped."""
    if rng.random() < 0.5:
        band = signal.butter(6, rng.uniform(5000, 8000) / (rate_hz / 2), output="sos")
        samples = signal.sosfiltfilt(band, samples)
    return 0.8 * np.tanh(samples / np.abs(samples).max() * rng.uniform(0.5, 2.5))


def altered(samples, rate_hz, way, rng, response):
    """The take in one way, how much faster it is, and how much later it begins, s.

    A way is plain, codec, slow, or what has room, fast or both in its name; `response` is a measured room's with its rate in Hz.
    """
    speed = 1.0
    if "fast" in way:
        speed = float(rng.choice(FASTER))
    elif way == "slow":
        speed = float(rng.choice(SLOWER))
    if speed != 1.0:
        samples = signal.resample_poly(samples, 100, round(100 * speed))
    if way.startswith("room"):
        samples = in_a_room(samples, rate_hz, rng, response)
    lead = int(rng.uniform(0, MOST_LEAD_S) * rate_hz)
    samples = np.concatenate([np.zeros(lead), samples])
    samples = samples / np.abs(samples).max() * 10 ** (-rng.uniform(1, 26) / 20)
    samples = with_noise(samples, rate_hz, rng)
    if way == "codec":
        samples = coded(samples, rate_hz, rng)
    return samples.astype("f4"), speed, lead / rate_hz
