"""Lines of the voice-over found in mixes without stems: ``python -m tests.accuracy.lines``."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile
import soxr
from scipy import signal

from tests.accuracy.sections import write_section
from tests.material import music
from tests.material.demo_session import FOLDER
from tests.material.mixes import lead_lu
from vocheck.mix import LineInMix, LineTakes, find_lines

RATE = 48000
LEADS = (20.0, 15.0, 10.0, 6.0, 3.0, 0.0, -6.0)
START_S = 2.345
LINES = ("01_river", "02_kiln", "03_hands", "04_bowl")

Samples = npt.NDArray[np.float64]


def equalized(voice: Samples) -> Samples:
    """Return a voice without rumble below 100 Hz and with 5 dB more from 5 kHz on."""
    b, a = signal.butter(2, 100.0 / (RATE / 2), "high")
    taps = signal.firwin2(201, [0.0, 0.05, 0.2, 1.0], [1.0, 1.0, 1.8, 1.8])
    return np.convolve(signal.lfilter(b, a, voice), taps)[100 : 100 + len(voice)]


def compressed(voice: Samples) -> Samples:
    """Return it behind a compressor of 2:1, 12 dB below the loud syllables, of 20 ms."""
    voice = equalized(voice)
    level = np.sqrt(signal.lfilter([1 / 960], [1, 1 / 960 - 1], voice**2) + 1e-12)
    threshold = np.percentile(level, 90) / 4
    return voice * np.maximum(1.0, level / threshold) ** -0.5 * 2.0


def converted(voice: Samples) -> Samples:
    """Return it converted to 44.1 kHz and back: no sample lies where it lay."""
    return np.asarray(soxr.resample(soxr.resample(voice, RATE, 44100), 44100, RATE)[: len(voice)])


WAYS: dict[str, Callable[[Samples], Samples]] = {
    "as recorded": lambda voice: voice,
    "converted": converted,
    "equalized": equalized,
    "equalized, fast compressor": compressed,
}


def tried(
    mix: Path, voice: Samples, music_: Samples, lead: float, takes: list[Path], chosen: Path
) -> LineInMix:
    """Return what is said of a line whose voice stands so far over a piece of music."""
    frames = len(voice) + 6 * RATE
    bed = np.stack([np.resize(music_, frames), np.roll(np.resize(music_, frames), 300)], axis=1)
    placed = np.zeros_like(bed)
    at = round(START_S * RATE)
    placed[at : at + len(voice)] = voice[:, None]
    bed = bed * 10 ** ((lead_lu(placed, bed, RATE) - lead) / 20)
    soundfile.write(mix, 0.5 * (placed + bed), RATE, "FLOAT")
    others = tuple(str(take) for take in takes if take != chosen)
    (line,) = find_lines(mix, {"line": LineTakes(str(chosen), others)})
    return line


def main() -> None:
    """Make the mixes, and write the section."""
    pieces = [piece.astype(float) for _, piece in music.excerpts(RATE)]
    lines = [
        "| voice | over the bed, LU | found | off, LU: least .. greatest (median of its size) |",
        "|---|---|---|---|",
    ]
    identity = {"told": 0, "of": 0}
    absent = {"found": 0, "of": 0}
    with tempfile.TemporaryDirectory() as folder:
        mix = Path(folder, "mix.wav")
        for way, change in WAYS.items():
            for lead in LEADS:
                off = []
                for number, name in enumerate(LINES):
                    takes = sorted(FOLDER.glob(f"{name}_t*.flac"))
                    for k in (0, 1):
                        own = takes[(number + 2 * k) % len(takes)]
                        samples, _ = soundfile.read(own, always_2d=True)
                        piece = pieces[(3 * number + 7 * k) % len(pieces)]
                        voice = change(samples[:, 0])
                        line = tried(mix, voice, piece, lead, takes, own)
                        if line.state == "chosen" and line.voice_to_bed_lu is not None:
                            off.append(line.voice_to_bed_lu - lead)
                        if lead == 10.0 and k == 0:
                            other = next(take for take in takes if take != own)
                            line = tried(mix, voice, piece, lead, takes, other)
                            identity["of"] += 1
                            identity["told"] += line.found == str(own)
                            foreign = sorted(FOLDER.glob(f"{LINES[number - 1]}_t*.flac"))
                            line = tried(mix, voice, piece, lead, foreign, foreign[0])
                            absent["of"] += 1
                            absent["found"] += line.state != "missing"
                row = f"| {way} | {lead:g} | {len(off)} of {2 * len(LINES)} "
                if off:
                    row += f"| {min(off):+.1f} .. {max(off):+.1f} ({np.median(np.abs(off)):.1f}) |"
                else:
                    row += "| |"
                lines.append(row)
                print(row, flush=True)
    write_section(
        "lines",
        "Lines of the voice-over in a mix",
        "Eight takes of the demo session, each over an excerpt of music that differs left and "
        "right, mixed so that the voice stands as far over it as the table says (measured apart "
        "on voice and music by ITU-R BS.1770, over the places where the voice is active). What "
        "`vocheck mix --takes` says without the stems, less that. The method's constants were set "
        "before, and nothing was tuned on these mixes.\n\n"
        + "\n".join(lines)
        + f"\n\nAnother take of the line was chosen than the one in the mix: told in "
        f"{identity['told']} of {identity['of']}. The takes of another line, which is not in the "
        f"mix: found in {absent['found']} of {absent['of']}.",
    )


if __name__ == "__main__":
    main()
