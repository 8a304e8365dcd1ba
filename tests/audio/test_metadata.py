"""What a recorder wrote beside the sound, held against ``wavinfo`` (PyPI)."""

from __future__ import annotations

import struct
import time
import tracemalloc
from pathlib import Path

import pytest
import soundfile
from wavinfo import WavInfoReader

from tests.audio.files import RATE, tones
from vocheck.audio import read, read_metadata
from vocheck.audio.metadata import TakeMetadata

IXML = """<?xml version="1.0" encoding="{encoding}"?>
<BWFXML>
  <IXML_VERSION>1.61</IXML_VERSION>
  <PROJECT>River Town</PROJECT>
  <SCENE>03A</SCENE>
  <TAKE>5</TAKE>
  <TAPE>DAY2</TAPE>
  <CIRCLED>TRUE</CIRCLED>
  <NOTE>the potter &amp; her caf\N{LATIN SMALL LETTER E WITH ACUTE}, plane at the end</NOTE>
  <SPEED>
    <FILE_SAMPLE_RATE>48000</FILE_SAMPLE_RATE>
    <TIMESTAMP_SAMPLE_RATE>48000</TIMESTAMP_SAMPLE_RATE>
    <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>1</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>
    <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>705032704</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>
  </SPEED>
  <TRACK_LIST>
    <TRACK_COUNT>2</TRACK_COUNT>
    <TRACK><CHANNEL_INDEX>4</CHANNEL_INDEX><INTERLEAVE_INDEX>2</INTERLEAVE_INDEX>
      <NAME>Lav</NAME></TRACK>
    <TRACK><CHANNEL_INDEX>1</CHANNEL_INDEX><INTERLEAVE_INDEX>1</INTERLEAVE_INDEX>
      <NAME>Boom</NAME></TRACK>
  </TRACK_LIST>
</BWFXML>
"""


def bext(description: bytes = b"sSCENE=03A") -> bytes:
    """Return the chunk of Tech 3285, version 1."""
    return struct.pack(
        "<256s32s32s10s8sQH64s190s",
        *(description, b"a recorder", b"ref 1", b"2026-05-04", b"10:15:30"),
        *(48000 * 3600, 1, b"", b""),
    )


def take(path: Path, *chunks: tuple[bytes, bytes]) -> Path:
    """Write a WAV with chunks behind its samples."""
    soundfile.write(path, tones(2, 0.5), RATE, subtype="PCM_24")
    raw = path.read_bytes()
    for name, body in chunks:
        raw += struct.pack("<4sI", name, len(body)) + body + b"\0" * (len(body) % 2)
    path.write_bytes(raw[:4] + struct.pack("<I", len(raw) - 8) + raw[8:])
    return path


@pytest.mark.parametrize("encoding", ["utf-8", "iso-8859-1", "utf-16"])
def test_ixml_as_wavinfo_reads_it(tmp_path: Path, encoding: str) -> None:
    """Scene, take, circled, note, tape, project and the names of the tracks."""
    path = take(tmp_path / "take.wav", (b"iXML", IXML.format(encoding=encoding).encode(encoding)))
    found = read_metadata(path)
    outside = WavInfoReader(str(path)).ixml
    assert (found.scene, found.take) == (outside.scene, outside.take) == ("03A", "5")
    assert (found.tape, found.project) == (outside.tape, outside.project)
    assert found.circled is True
    names = {int(track.interleave_index): track.name for track in outside.track_list}
    assert found.track_names == (names[1], names[2]) == ("Boom", "Lav")
    assert found.note == "the potter & her caf\xe9, plane at the end"
    assert found.time_reference_samples == (1 << 32) + 705032704


def test_bext_as_wavinfo_reads_it(tmp_path: Path) -> None:
    """Description, originator, date, time and samples since midnight."""
    path = take(tmp_path / "take.wav", (b"bext", bext()))
    found, outside = read_metadata(path), WavInfoReader(str(path)).bext
    assert found.description == outside.description == "sSCENE=03A"
    assert found.originator == outside.originator
    assert (found.date, found.time) == (outside.originator_date, outside.originator_time)
    assert found.time_reference_samples == outside.time_reference == 48000 * 3600
    assert (found.scene, found.circled) == ("03A", None)


def test_the_description_of_bext_holds_what_field_recorders_write(tmp_path: Path) -> None:
    """A line each, with a letter in front (common practice, no source); iXML counts before it."""
    lines = (
        b"sSPEED=025.000-ND\r\nsTAKE=3 PU\r\nzSCENE=12 B\r\nsCIRCLED=TRUE\r\nsNOTE=plane, late\r\n"
    )
    path = take(tmp_path / "take.wav", (b"bext", bext(lines)))
    found = read_metadata(path)
    assert (found.scene, found.take, found.note) == ("12 B", "3 PU", "plane, late")
    assert found.circled is True
    xml = b"<BWFXML><SCENE>13</SCENE></BWFXML>"
    found = read_metadata(take(tmp_path / "both.wav", (b"bext", bext(lines)), (b"iXML", xml)))
    assert (found.scene, found.take) == ("13", "3 PU")


def test_a_file_without_metadata_says_nothing(tmp_path: Path) -> None:
    """A plain WAV, and a file that is no WAV."""
    assert read_metadata(take(tmp_path / "take.wav")) == TakeMetadata()
    (tmp_path / "notes.wav").write_text("take 3")
    assert read_metadata(tmp_path / "notes.wav") == TakeMetadata()


BOMB = "<!DOCTYPE a [" + "".join(
    f'<!ENTITY x{k + 1} "{f"&x{k};" * 10}">' if k else '<!ENTITY x1 "river river river">'
    for k in range(12)
)
HOSTILE = {
    "entities": f"{BOMB}]><BWFXML><SCENE>&x12;</SCENE></BWFXML>".encode(),
    "a file of this machine": b'<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
    b"<BWFXML><SCENE>&x;</SCENE></BWFXML>",
    "deep": b"<a>" * 100_000,
    "many": b"<BWFXML>" + b"<a/>" * 200_000 + b"</BWFXML>",
    "long": b"<BWFXML><NOTE>" + b"x" * 900_000 + b"</NOTE></BWFXML>",
    "huge": b"<BWFXML><NOTE>" + b"x" * 5_000_000 + b"</NOTE></BWFXML>",
    "cut": IXML.encode()[:300],
    "zeros": bytes(10_000),
    "noise": bytes(range(256)) * 40,
    "unknown encoding": b'<?xml version="1.0" encoding="klingon"?><BWFXML></BWFXML>',
    "controls": b"<BWFXML><SCENE>3\x9b31m</SCENE><NOTE>a&#10;b</NOTE></BWFXML>",
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_xml_costs_nothing(tmp_path: Path, name: str) -> None:
    """Whatever stands in the chunk, the take is read, in little time and memory."""
    path = take(tmp_path / "take.wav", (b"iXML", HOSTILE[name]), (b"bext", bext()[:300]))
    start = time.monotonic()
    tracemalloc.start()
    try:
        found = read_metadata(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert time.monotonic() - start < 10
    assert peak < 2e7
    assert found.scene in ("", "3 31m", "3?31m")
    assert len(found.note) <= 4096
    assert all(text.isprintable() for text in (found.scene, found.note, found.description))
    assert len(read(path).samples) == RATE // 2


@pytest.mark.parametrize(("word", "circled"), [("TRUE", True), ("false", False), ("maybe", None)])
def test_a_take_is_circled_or_it_is_not_or_nobody_says(tmp_path: Path, word: str, circled) -> None:
    """In capitals or not; anything else says nothing."""
    xml = f"<BWFXML><CIRCLED>{word}</CIRCLED></BWFXML>".encode()
    assert read_metadata(take(tmp_path / "take.wav", (b"iXML", xml))).circled is circled


@pytest.mark.parametrize(
    ("places", "names"),
    [
        (("2", "1"), ("Boom", "Lav")),
        (("100", "99"), ("Boom", "Lav")),
        (("2", "x"), ("Lav", "Boom")),
        (("2", "1000"), ("Lav", "Boom")),
        (("2",), ("Lav", "Boom")),
        ((), ("Lav", "Boom")),
    ],
)
def test_tracks_are_named_by_their_place(tmp_path: Path, places, names) -> None:
    """By the index between the channels, where each track has one that is a number."""
    tracks = "".join(
        f"<TRACK>{f'<INTERLEAVE_INDEX>{places[i]}</INTERLEAVE_INDEX>' if i < len(places) else ''}"
        f"<NAME>{name}</NAME></TRACK>"
        for i, name in enumerate(("Lav", "Boom"))
    )
    xml = f"<BWFXML><TRACK_LIST>{tracks}</TRACK_LIST></BWFXML>".encode()
    assert read_metadata(take(tmp_path / "take.wav", (b"iXML", xml))).track_names == names


@pytest.mark.parametrize(
    ("high", "low", "samples"),
    [
        ("0", "4294967295", 4294967295), ("", "48000", 48000), ("1", "0", 1 << 32),
        ("", "12345678901", 172800000), ("12345678901", "1", 172800000), ("x", "1", 172800000),
        ("1", "", 172800000), ("1234567890", "1", (1234567890 << 32) + 1),
    ],
)  # fmt: skip
def test_the_time_of_ixml_counts_where_it_is_one(
    tmp_path: Path, high: str, low: str, samples: int
) -> None:
    """Two words of 32 bits, ten digits each at most; else that of bext counts."""
    name = "TIMESTAMP_SAMPLES_SINCE_MIDNIGHT"
    xml = (
        f"<BWFXML><SPEED><{name}_HI>{high}</{name}_HI><{name}_LO>{low}</{name}_LO></SPEED></BWFXML>"
    )
    path = take(tmp_path / "take.wav", (b"bext", bext()), (b"iXML", xml.encode()))
    assert read_metadata(path).time_reference_samples == samples


@pytest.mark.parametrize(("more", "scene"), [(0, "7"), (1, "")])
def test_a_chunk_of_xml_is_read_up_to_its_bound(tmp_path: Path, more: int, scene: str) -> None:
    """A megabyte (2^20 bytes) is read, a byte more is not: recorders write some 10 kB."""
    text = b"<BWFXML><SCENE>7</SCENE></BWFXML>"
    path = take(tmp_path / "take.wav", (b"iXML", text + b"\n" * ((1 << 20) + more - len(text))))
    assert read_metadata(path).scene == scene


@pytest.mark.parametrize(("more", "scene"), [(0, "7"), (1, "")])
def test_so_many_elements_are_read(tmp_path: Path, more: int, scene: str) -> None:
    """20 000 elements, the root and the scene among them; one more is an attack."""
    text = b"<BWFXML><SCENE>7</SCENE>" + b"<A/>" * (19_998 + more) + b"</BWFXML>"
    path = take(tmp_path / "take.wav", (b"iXML", text))
    assert read_metadata(path).scene == scene
