"""A room as a picture: decay curves and noise spectrum, as PNG, PDF or SVG."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from vocheck.errors import VocheckError
from vocheck.files import replacing
from vocheck.plain import shown_plainly
from vocheck.room import RoomBand, RoomNoise, RoomResult
from vocheck.wording.vocabulary import hertz

SUFFIXES = (".png", ".pdf", ".svg")
_LINES_DB = {"T20": (-5.0, -25.0), "T30": (-5.0, -35.0)}
# One hue from low to high, dark to light, so that neighbours differ and grey prints still order.
_COLORMAP = "viridis"


def draw_room(result: RoomResult, path: Path) -> None:
    """Draw what a room measurement holds: decays, reverberation times and noise.

    Raises
    ------
    VocheckError
        If the suffix is none of .png, .pdf and .svg, or the file cannot be written.
    """
    if path.suffix.lower() not in SUFFIXES:
        raise VocheckError(f"{path}: a picture is written as {', '.join(SUFFIXES)}")
    figure = room_figure(result)
    with replacing(path) as temporary:
        # No date in the file: the same measurement gives the same bytes.
        metadata = {".pdf": {"CreationDate": None}, ".svg": {"Date": None}}.get(path.suffix.lower())
        figure.savefig(temporary, dpi=150, metadata=metadata)


@shown_plainly
def room_figure(result: RoomResult) -> Any:
    """Return the matplotlib figure of a room measurement, without touching pyplot's state."""
    from matplotlib.figure import Figure

    decays = [band for band in result.bands if band.valid and band.decay_db]
    panels: list[Any] = []
    if decays:
        panels += [_draw_decays, _draw_times]
    if result.noise:
        panels.append(_draw_noise)
    width = 4.2 * max(1, len(panels)) + 0.6
    figure = Figure(figsize=(width, 4.2), layout="constrained")
    figure.suptitle(_title(result), x=0.01, ha="left", fontsize=11, parse_math=False)
    if not panels:
        figure.text(0.5, 0.45, "nothing could be measured", ha="center", color="0.4")
    for index, draw in enumerate(panels):
        axes = figure.add_subplot(1, len(panels), index + 1)
        axes.grid(color="0.88", linewidth=0.8)
        axes.set_axisbelow(True)
        axes.spines[["top", "right"]].set_visible(False)
        draw(axes, result)
    return figure


def _title(result: RoomResult) -> str:
    path = result.responses[0].path if result.responses else result.path
    name = Path(path).name if path else "room"
    if result.mid_t_s is None:
        return name
    return f"{name}: mid-band RT60 {result.mid_t_s:.2f} s (T20)"


def _draw_decays(axes: Any, result: RoomResult) -> None:
    import matplotlib as mpl
    import numpy as np

    shown = [band for band in result.bands if band.valid and band.decay_db]
    colors = mpl.colormaps[_COLORMAP](np.linspace(0.0, 0.9, len(shown)))
    longest = 0.0
    every = 1 + (len(shown) - 1) // 9  # of many bands not all are named
    for index, (band, color) in enumerate(zip(shown, colors, strict=True)):
        label = hertz(band.centre_hz) if index % every == 0 else None
        times = 1000.0 * (band.decay_step_s or 0.0) * np.arange(len(band.decay_db))
        axes.plot(times, band.decay_db, color=color, linewidth=1.6, label=label)
        reached = min(int(np.searchsorted(-np.array(band.decay_db), 60.0)), len(times) - 1)
        longest = max(longest, float(times[reached]))
    for bottom in (-5.0, -25.0, -35.0):
        axes.axhline(bottom, color="0.6", linewidth=0.8, linestyle=":")
    axes.set(
        xlabel="time after the direct sound, ms",
        ylabel="energy still to come, dB",
        ylim=(-62.0, 2.0),
        xlim=(0.0, 1.05 * longest),
        title="Decay",
        yticks=(0.0, -5.0, -15.0, -25.0, -35.0, -45.0, -60.0),
    )
    axes.legend(fontsize=8, frameon=False, loc="upper right")


def _draw_times(axes: Any, result: RoomResult) -> None:
    bands = result.bands
    places = range(len(bands))
    for name, marker, color in (("t20_s", "o", "#1f5a99"), ("t30_s", "s", "#c25a00")):
        points = [(x, getattr(b, name)) for x, b in zip(places, bands, strict=True)]
        known = [(x, y) for x, y in points if y is not None]
        if known:
            axes.plot(
                *zip(*known, strict=True), marker=marker, color=color, linewidth=1.4,
                markersize=5, label=name[:3].upper(),
            )  # fmt: skip
    for x, band in zip(places, bands, strict=True):
        if band.t20_s is not None and band.t20_spread_s is not None:
            axes.errorbar(x, band.t20_s, band.t20_spread_s, color="#1f5a99", capsize=3, lw=1)
    _label_missing(axes, bands)
    axes.set(
        title="Reverberation time",
        ylabel="seconds",
        xlabel="band, Hz",
        xlim=(-0.5, len(bands) - 0.5),
    )
    axes.set_ylim(0.0, 1.25 * axes.get_ylim()[1])
    axes.set_xticks(list(places), [_short(band.centre_hz) for band in bands])
    if len(bands) > 12:
        axes.tick_params(axis="x", rotation=90)
    axes.legend(fontsize=8, frameon=False, loc="upper right")


def _label_missing(axes: Any, bands: tuple[RoomBand, ...]) -> None:
    for x, band in enumerate(bands):
        if not band.valid:
            axes.annotate(
                "not measured", (x, 0.02), xycoords=("data", "axes fraction"), rotation=90,
                fontsize=7, color="0.45", ha="center", va="bottom",
            )  # fmt: skip


def _draw_noise(axes: Any, result: RoomResult) -> None:
    noise = result.noise
    if noise is None:
        return
    calibrated = noise.full_scale_db is not None
    places = list(range(len(noise.bands)))
    levels = [(b.level_db if calibrated else b.level_dbfs) or 0.0 for b in noise.bands]
    bottom = 10.0 * (min(levels) // 10.0) - 10.0
    axes.bar(
        places, [level - bottom for level in levels], bottom=bottom, width=0.7, color="#7d97ad"
    )
    if calibrated:
        _draw_curves(axes, noise)
    axes.set(
        title="Background noise",
        ylabel="dB re 20 µPa" if calibrated else "dBFS",
        xlabel="octave, Hz",
        ylim=(bottom, max(levels) + 12.0),
    )
    axes.set_xticks(places, [_short(band.centre_hz) for band in noise.bands])


def _draw_curves(axes: Any, noise: RoomNoise) -> None:
    from vocheck.policy.noise_curves import nc_curves

    places = {band.centre_hz: x for x, band in enumerate(noise.bands)}
    for number, curve in nc_curves().items():
        if number > max(20.0, (noise.nc or 0.0) + 5.0):
            break
        known = [(places[hz], level) for hz, level in curve.items() if hz in places]
        axes.plot(*zip(*known, strict=True), color="0.35", linewidth=0.9)
        axes.annotate(f"NC-{number:.0f}", known[-1], fontsize=7, color="0.35", va="bottom")


def _short(frequency_hz: float) -> str:
    return f"{frequency_hz / 1000:g}k" if frequency_hz >= 1000 else f"{frequency_hz:g}"
