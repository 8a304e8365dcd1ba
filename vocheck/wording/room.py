"""A room in sentences: how long it rings, how quiet it is, and what to know about the numbers."""

from __future__ import annotations

from collections.abc import Mapping

from vocheck.room import Comparison, Notice, RoomBand, RoomNoise, RoomResult
from vocheck.room.positions import PositionsResult
from vocheck.room.results import NoticeKind
from vocheck.wording.vocabulary import file_name, hertz, listed, number

_RESPONSE = "{file}: the response at {time:.2f} s"
_SENTENCES: Mapping[NoticeKind, str] = {
    "few responses": "{few} only: the mean of three or more is worth more.",
    "near source": "The microphone stood nearer to the source than ISO 3382 allows: T20 and T30 "
    "are those of the decay after the direct sound; EDT, C50, D50 and Ts include it.",
    "next sound too soon": "{file}: the next sound comes before the response at {time:.2f} s has "
    "died away: wait two seconds between claps.",
    "gated": _RESPONSE + " is cut off by digital silence: switch the recorder's gate off.",
    "overloaded": _RESPONSE + " overloads the input: lower the gain. EDT, C50, D50 and Ts of it "
    "are too long or too low.",
    "sweep cut": _RESPONSE + " does not begin out of silence: the recording or the reference does "
    "not hold the whole sweep.",
    "sound before": _RESPONSE + " does not begin out of silence: something else sounds right "
    "before it.",
    "short range": "range {value:.0f} dB; ISO 3382-2 asks for {limit:.0f} dB for {quantity}, "
    "given here because the noise is subtracted",
    "reversed filter": "filtered backwards in time, the decay being as short as the filter's",
    "direct sound removed": "direct sound left out of T20 and T30: the microphone stood near the "
    "source",
    "bent decay": "the decay is bent: T30 differs from T20 by {value:+.0f} %",
    "lengths differ": "The recordings differ in length by more than {share:.0%}: the same words?",
    "same gain": "Room tone compares only where the gain was the same.",
}


def notice_sentence(notice: Notice) -> str:
    """Return in words what to know about a measurement; of a band without a full stop."""
    return _SENTENCES[notice.kind].format(
        few="One response" if notice.value == 1 else "Two responses",
        file=file_name(notice.path, "the recording"),
        time=notice.time_s,
        value=notice.value,
        limit=notice.limit,
        share=(notice.limit or 1.0) - 1.0,
        quantity=notice.quantity,
    )


def comparison_name(comparison: Comparison) -> str:
    """Return which rooms a reverberation time is laid beside: ``Studio of 30 m3``."""
    if comparison.volume_m3 is None:
        return comparison.title
    return f"{comparison.title} of {comparison.volume_m3:g} m3"


def excitation_words(result: RoomResult) -> str:
    """Return what was measured: ``3 impulses``, ``room tone``."""
    count = len(result.responses)
    if result.excitation == "room tone":
        return "room tone"
    return f"{count} {result.excitation}{'' if count == 1 else 's'}"


def answers(result: RoomResult) -> list[str]:
    """Return in sentences how long a room rings and how quiet it is."""
    said = []
    if result.mid_t_s is not None:
        spread = f", {result.mid_spread_s:.2f} s between responses" if result.mid_spread_s else ""
        scatter = f" ± {result.mid_scatter_s:.2f}" if result.mid_scatter_s else ""
        bands = "500 Hz and 1 kHz" if result.fraction == 1 else "400 Hz to 1.25 kHz"
        said.append(
            f"Mid-band RT60 {result.mid_t_s:.2f}{scatter} s (T20, {bands}{spread}): "
            f"{result.character}."
        )
    elif result.bands:
        said.append(f"Mid-band RT60: cannot tell, {result.not_measured.get('mid_t_s', '')}.")
        if result.voice_t_s is not None:
            heard = listed(map(hertz, result.voice_bands_hz))
            said.append(f"At {heard} it is {result.voice_t_s:.2f} s (T20): {result.character}.")
    if result.mid_c50_db is not None:
        said.append(f"Clarity C50 {result.mid_c50_db:.0f} dB where the microphone stood.")
    if result.noise:
        said += _noise_answers(result.noise, result)
    elif "noise" in result.not_measured:
        said.append(f"Noise: cannot tell, {result.not_measured['noise']}.")
    return said


def _noise_answers(noise: RoomNoise, result: RoomResult) -> list[str]:
    level = f"{number(noise.floor_dbfs, 0, 'dBFS')} ({number(noise.floor_a_dbfs, 0)} A-weighted)"
    said = [f"Background noise {level}, from {noise.duration_s:.1f} s of quiet."]
    if noise.nc is not None and noise.nc_hz is not None:
        bound = f"{noise.nc_bound} " if noise.nc_bound else ""
        ratings = [f"{bound}NC-{noise.nc} (set by {hertz(noise.nc_hz)})"]
        if noise.nr is not None and noise.nr_hz is not None:
            ratings.append(f"NR-{noise.nr} (set by {hertz(noise.nr_hz)})")
        said.append(f"In the room that is {number(noise.level_a_db, 0)} dB(A): {listed(ratings)}.")
    else:
        said.append(f"NC and NR class: {result.not_measured.get('noise.nc', '')}.")
    if noise.mains_hz is not None:
        said.append(f"Mains hum of {noise.mains_hz:g} Hz, {number(noise.hum_dbfs, 0, 'dBFS')}.")
    return said


def notes(result: RoomResult) -> list[str]:
    """Return what to know about the numbers; what concerns bands once, with the bands."""
    said = [notice_sentence(notice) for notice in result.notices]
    about: dict[str, list[str]] = {}
    for band in result.bands:
        for notice in band.notices:
            if notice.kind != "direct sound removed":  # said once for the whole measurement
                about.setdefault(notice_sentence(notice), []).append(hertz(band.centre_hz))
    return [*said, *(f"{', '.join(centres)}: {words}." for words, centres in about.items())]


def remarks(result: RoomResult | RoomBand | PositionsResult) -> list[str]:
    """Return the notices of a room, of one of its bands or of two positions in words."""
    return [notice_sentence(notice) for notice in result.notices]
