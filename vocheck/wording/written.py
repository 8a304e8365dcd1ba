"""A copy at the target in sentences: what was done to it, how it stands, or why there is none."""

from __future__ import annotations

from vocheck.mix.results import EncodedPeak, Refusal, WrittenMix
from vocheck.policy.destinations import FACTS
from vocheck.wording.delivery import check_source, check_words
from vocheck.wording.vocabulary import file_name, inside, listed, number


def headline(written: WrittenMix) -> str:
    """Return which copy was written, or that none was."""
    if written.path is None:
        return f"No copy was written for {written.destination}."
    return f"{file_name(written.path)} was written for {written.destination}."


def means(written: WrittenMix) -> str:
    """Return what was done to the sound."""
    if written.refused is not None:
        return refusal(written.refused)
    if written.means == "none":
        return "The mix is at the target already: its samples were copied as they are."
    gain = f"{written.gain_db or 0.0:+.1f} dB"
    limiting = written.limiting
    if limiting is None:
        return f"{gain} of plain gain; no peak had to be limited."
    share = limiting.share
    part = f"{share:.0%}" if share >= 0.01 else "less than 1%"
    return (
        f"{gain}, and a limiter turned {part} of the mix down, by {limiting.most_db:.1f} dB at "
        f"most: ceiling {limiting.ceiling_dbtp:.1f} dBTP, attack {limiting.attack_ms:g} ms, hold "
        f"{limiting.hold_ms:g} ms, release {limiting.release_db_per_s:g} dB/s."
    )


def changes(written: WrittenMix) -> str:
    """Return level and true peak before and after."""
    fact = FACTS.get(written.level or "")
    said = []
    if fact is not None:
        before, after = (number(v, 1) for v in (written.level_before, written.level_after))
        said.append(f"{fact.what} {before} → {after} {fact.unit}")
    before, after = (number(v, 1) for v in (written.dbtp_before, written.dbtp_after))
    said.append(f"true peak {before} → {after} dBTP")
    return ", ".join(said)


def after_codec(peak: EncodedPeak) -> str:
    """Return the true peak after one codec, as the prediction that it is."""
    if peak.reason:
        return peak.reason
    return f"{number(peak.level_dbtp, 1, 'dBTP')}, a prediction with {peak.encoder}"


def stored(written: WrittenMix) -> str:
    """Return how the copy is stored, and what of its source it carries on."""
    said = [written.coding]
    if written.dithered:
        said.append("dithered")
    if written.carried:
        said.append(f"with {listed(written.carried)} of the source")
    if written.left_out:
        said.append(f"without {listed(written.left_out)}, which it cannot take")
    return ", ".join(filter(None, said))


def verdict(written: WrittenMix) -> str:
    """Return how the copy stands, with what is still not in order."""
    poor = [check for check in written.checks if check.verdict in ("fail", "warn")]
    if not poor:
        return "Measured again: in order."
    words = (inside(check_words(check)) for check in poor)
    return f"Measured again; still to look at: {'; '.join(words)}."


def refusal(refused: Refusal) -> str:
    """Return why no copy was written, and what to do."""
    if refused.kind == "no level":
        return "There is no level that a gain could bring to a target."
    if refused.kind == "checks":
        words = (f"{inside(check_words(c))} ({check_source(c)})" for c in refused.checks)
        return f"At the target it would still fail: {'; '.join(words)}. Mix it again for this."
    if refused.kind == "not reached":
        return "Target and ceiling were not reached together. Limit in the mix, and check again."
    where = ", so that it passes once it is encoded" if refused.kind == "encoding" else ""
    return (
        f"The peaks would have to be limited by {refused.value or 0.0:.1f} dB{where}; at most "
        f"{refused.limit or 0.0:g} dB are ({refused.source}; {refused.status}). Tame the peaks in "
        "the mix, or aim at a softer target."
    )
