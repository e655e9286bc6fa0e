"""The bench's own tools: a sound font is read as the specification says, and onsets lie where they were asked for."""

from __future__ import annotations

import hashlib
import struct
from pathlib import Path

import numpy as np
import pytest

from tests.bench.material import outside_material
from tests.bench.material.human_hands import Note, doubled, follow_click, melody_notes, strummed_notes
from tests.bench.material.outside_instruments import INSTRUMENTS, NEVER_LOOKED_AT, TUNED_ON
from tests.bench.material.sampler import audible_at

RATE_HZ = 48_000
SILENT_MS = 12.0
ROOT = 69


def _chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def _flute_font(path: Path) -> None:
    """A sound font of one preset (bank 0, program 73), laid out as in sections 5 and 7 of the specification 2.04.

    Its sound is 440 Hz at 44.1 kHz that begins at full level after 12 ms of silence; its root key is 69.
    """
    t = np.arange(44_100) / 44_100
    sound = np.where(t >= SILENT_MS / 1000, np.cos(2 * np.pi * 440 * (t - SILENT_MS / 1000)), 0) * 20_000
    samples = np.r_[sound, np.zeros(46)].astype("<i2").tobytes()
    none = b"EOS".ljust(20, b"\0")
    # Generators: 43 key range (low, high), 54 sample mode, 53 sample; 41 instrument in the preset.
    presets = struct.pack("<20sHHHIII", b"Flute", 73, 0, 0, 0, 0, 0) + struct.pack("<20sHHHIII", none, 0, 0, 1, 0, 0, 0)
    lists = [
        (b"phdr", presets),
        (b"pbag", struct.pack("<4H", 0, 0, 1, 0)), (b"pmod", bytes(10)),
        (b"pgen", struct.pack("<4H", 41, 0, 0, 0)),
        (b"inst", struct.pack("<20sH", b"Flute", 0) + struct.pack("<20sH", none, 1)),
        (b"ibag", struct.pack("<4H", 0, 0, 3, 0)), (b"imod", bytes(10)),
        (b"igen", struct.pack("<8H", 43, 127 << 8, 54, 0, 53, 0, 0, 0)),
        (b"shdr", struct.pack("<20sIIIIIBbHH", b"A", 0, 44_100, 100, 200, 44_100, ROOT, 0, 0, 1)
         + struct.pack("<20sIIIIIBbHH", none, 0, 0, 0, 0, 0, 0, 0, 0, 0))]
    body = b"sfbk" + _chunk(b"LIST", b"INFO" + _chunk(b"ifil", struct.pack("<2H", 2, 4)))
    body += _chunk(b"LIST", b"sdta" + _chunk(b"smpl", samples))
    body += _chunk(b"LIST", b"pdta" + b"".join(_chunk(name, rows) for name, rows in lists))
    path.write_bytes(_chunk(b"RIFF", body))


@pytest.fixture
def flute(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    _flute_font(tmp_path / "TimGM6mb.sf2")
    monkeypatch.setenv(outside_material.PLACE, str(tmp_path))
    outside_material._note.cache_clear()
    return "tim/flute"


@pytest.mark.parametrize("pitch", [62, 69, 81])
def test_a_note_begins_where_it_was_asked_for_and_has_its_pitch(flute: str, pitch: int) -> None:
    part = outside_material.render_part(flute, [Note(0.5, 0.4, (float(pitch),), 120)], RATE_HZ, seed=1)
    first = int(np.argmax(np.abs(part.samples) > 0.05))
    assert first == pytest.approx(0.5 * RATE_HZ, abs=2)
    assert part.onsets_s == pytest.approx([0.5])
    piece = part.samples[first + 480 : first + 480 + 16_384] * np.hanning(16_384)
    found_hz = np.argmax(np.abs(np.fft.rfft(piece, 1 << 18))) * RATE_HZ / (1 << 18)
    # Equal temperament, A4 = 440 Hz (ISO 16). Takes and strokes are detuned by a few cents on purpose.
    assert 1200 * np.log2(found_hz / (440 * 2 ** ((pitch - 69) / 12))) == pytest.approx(0, abs=9)


def test_the_same_seed_gives_the_same_take_and_another_seed_another(flute: str) -> None:
    notes = [Note(0.5, 0.3, (62.0, 69.0), 90), Note(1.0, 0.3, (65.0, 72.0), 60)]
    one, same, other = (outside_material.render_part(flute, notes, RATE_HZ, seed=seed).samples for seed in (1, 1, 2))
    np.testing.assert_array_equal(one, same)
    assert not np.array_equal(one, other)


def test_a_note_out_of_reach_and_an_unknown_instrument_are_refused(flute: str) -> None:
    with pytest.raises(ValueError, match="none may start before"):
        outside_material.render_part(flute, [Note(0.0, 0.3, (60.0,), 90)], RATE_HZ, seed=1)
    with pytest.raises(ValueError, match="no instrument 'kazoo'"):
        outside_material.render_part("kazoo", [Note(0.5, 0.3, (60.0,), 90)], RATE_HZ, seed=1)


def test_without_a_folder_the_bench_says_what_to_install_and_ends_well(
        monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.delenv(outside_material.PLACE, raising=False)
    assert outside_material.instruments() == []
    assert outside_material.recordings() == []
    with pytest.raises(SystemExit) as ended:
        outside_material.main()
    assert ended.value.code == 0
    assert "fluid-soundfont-gm" in capsys.readouterr().out


@pytest.mark.parametrize("kind", ["plucked", "struck", "voice", "bowed", "wind"])
def test_the_halves_are_dealt_by_the_hash_of_the_name(kind: str) -> None:
    ours = sorted((one for one in INSTRUMENTS if one.kind == kind),
                  key=lambda one: hashlib.sha256(one.name.encode()).hexdigest())
    assert [one.split for one in ours] == [(TUNED_ON, NEVER_LOOKED_AT)[n % 2] for n in range(len(ours))]


@pytest.mark.parametrize("sd_ms", [5.0, 20.0])
def test_the_hand_scatters_as_much_as_asked_and_neighbours_resemble_each_other(sd_ms: float) -> None:
    late = follow_click(200_000, sd_ms, np.random.default_rng(3))
    assert np.std(late) * 1000 == pytest.approx(sd_ms, rel=0.03)
    assert abs(np.mean(late)) * 1000 < 0.05 * sd_ms
    assert np.corrcoef(late[1:], late[:-1])[0, 1] > 0.3


def test_a_double_that_is_late_and_drifts_is_late_and_drifts() -> None:
    notes = strummed_notes(4, bars=8, scatter_ms=0.0)
    again = doubled(notes, 5, scatter_ms=0.0, offset_ms=120.0, drift_percent=1.0)
    late = np.array([b.onset_s - a.onset_s for a, b in zip(notes, again, strict=True)])
    since_s = np.array([note.grid_s - notes[0].grid_s for note in notes])
    np.testing.assert_allclose(late, 0.12 + since_s * 0.01, atol=1e-9)


def test_light_strums_are_softer_and_melodies_play_one_note_at_a_time() -> None:
    strums = strummed_notes(4, bars=40, light_share=0.3)
    light = [note.velocity for note in strums if note.light]
    assert 0.2 < len(light) / len(strums) < 0.4
    assert max(light) < min(note.velocity for note in strums if not note.light) + 10
    assert all(len(note.pitches) == 1 for note in melody_notes(4))


def test_a_sound_is_audible_20_db_below_its_attack() -> None:
    rising = np.r_[np.zeros(50), np.linspace(0, 1, 1001), np.ones(5000)]
    # Rasch (1979) took onsets 15 to 20 dB below the maximum; a tenth of a straight rise of 1000 frames is frame 100.
    assert audible_at(rising, "wind", RATE_HZ) == pytest.approx(150, abs=1)
