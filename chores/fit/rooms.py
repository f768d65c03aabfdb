"""Takes as another room, microphone or player would have had them: reverberated, faster, softer, noisy, coded.

Every way begins a few milliseconds later, adds a little noise and turns the level down; some add hum. What is drawn hangs on the name of the take only, so a
take that is missing changes nothing in the others.
"""
import zlib

import numpy as np
from scipy import signal

SEED = 5
MOST_LEAD_S = 0.020
SOUND_M_S, EARLY_S, WHOLE_S = 343.0, 0.060, 1.2
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


def mirrored(size, place):
    """Where the images of a place lie along one axis of a room, m, and how often the wall at 0 and the other were met
    (Allen & Berkley 1979, JASA 65:943-950)."""
    most = int(SOUND_M_S * EARLY_S / (2 * size)) + 1
    n, side = np.meshgrid(np.arange(-most, most + 1), (0, 1), indexing="ij")
    n, side = n.ravel(), side.ravel()
    return (1 - 2 * side) * place + 2 * n * size, np.abs(n - side), np.abs(n)


def over_axes(join, x, y, z):
    """One value for every image, joined of one for each axis."""
    return join(join(x[:, None, None], y[None, :, None]), z[None, None, :])


def first_reflections(size, kept, mic, player, rate_hz, damp):
    """What the walls send back within the first moments after the direct sound, each meeting of a wall damping the treble once
    more; the direct sound of a place 1 m away has a gain of 1 and is left out."""
    axes = [mirrored(size[i], player[i]) for i in range(3)]
    far = np.sqrt(over_axes(np.add, *((axes[i][0] - mic[i]) ** 2 for i in range(3))))
    gain = over_axes(np.multiply, *(kept[i, 0] ** axes[i][1] * kept[i, 1] ** axes[i][2] for i in range(3))) / far
    met = over_axes(np.add, *(axis[1] + axis[2] for axis in axes))
    late_s = (far - np.linalg.norm(mic - player)) / SOUND_M_S
    near = late_s < EARLY_S
    walls = np.zeros(int(rate_hz * WHOLE_S))
    for k in range(int(met[near].max()), 0, -1):
        of = near & (met == k)
        np.add.at(walls, (late_s[of] * rate_hz).astype(int), gain[of])
        walls = signal.lfilter(*damp, walls)
    return walls


def with_decay(walls, size, kept, rate_hz, damp, rng):
    """The reflections followed by the decay they lead to, as long as the walls' absorption makes it (Eyring 1930)."""
    absorbed, volume = (1 - kept**2).mean(), size.prod()
    area = 2 * (size[0] * size[1] + size[0] * size[2] + size[1] * size[2])
    decay_s = min(1.5, 0.161 * volume / (-np.log(1 - absorbed) * area))
    t = np.arange(len(walls)) / rate_hz
    tail = signal.lfilter(*damp, rng.standard_normal(len(walls))) * 10 ** (-3 * t / decay_s) * (t >= EARLY_S)
    last, first = (t >= 0.6 * EARLY_S) & (t < EARLY_S), (t >= EARLY_S) & (t < 1.2 * EARLY_S)
    level = lambda samples, span: np.sqrt((samples[span] ** 2).mean())
    wanted = level(walls, last) * 10 ** (-3 * 0.2 * EARLY_S / decay_s)
    return walls + tail * wanted / max(1e-9, level(tail, first))


def shoebox(rate_hz, rng):
    """A room with plane walls, from a kitchen to a classroom. The player sits 1 m and more from the microphone, and the bell need
    not point at it."""
    size = rng.uniform((2.2, 2.5, 2.3), (9.0, 7.0, 3.6))
    kept = np.sqrt(1 - rng.uniform(0.04, 0.5, (3, 2)))
    mic, player = (rng.uniform(0.15, 0.85, 3) * size for _ in range(2))
    while np.linalg.norm(mic - player) < 1:
        player = rng.uniform(0.15, 0.85, 3) * size
    damp = signal.butter(1, rng.uniform(4000, 12000) / (rate_hz / 2))
    walls = first_reflections(size, kept, mic, player, rate_hz, damp)
    response = with_decay(walls, size, kept, rate_hz, damp, rng)
    response[0] += 10 ** (-rng.uniform(0, 10) / 20) / np.linalg.norm(mic - player)
    return response


def in_a_room(samples, rate_hz, rng, response):
    which = rng.random()
    h = measured(*response, rate_hz) if which < 0.2 else drawn(rate_hz, rng) if which < 0.4 else shoebox(rate_hz, rng)
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
