"""The cache: what is stored comes back, what is damaged is noticed, what is old goes first."""

from __future__ import annotations

import os

import numpy as np
import pytest
import soundfile

from layerpipe.audio_files import reader
from layerpipe.audio_files.reader import inspect
from layerpipe.core.errors import AudioError, DamagedFile, ParameterError
from layerpipe.core.files.atomic import write_whole
from layerpipe.render.cache import digests
from layerpipe.render.cache.cached_take import DamagedEntry
from layerpipe.render.cache.take_cache import TakeCache, cache_key

CHECKED_FRAMES = 48_000


@pytest.fixture
def cache(tmp_path):
    return TakeCache(tmp_path / "takes")


def _key(name):
    return cache_key({"name": name})


def _keep(cache, key, sound, cuts=(1000,)):
    table = np.arange(6, dtype=np.float32).reshape(3, 2)
    return cache.make_take(key, 48_000, np.split(sound, cuts), facts={"threshold_db": -20.5}, table=lambda: table)


def test_a_take_comes_back_as_it_was_kept(cache, rng):
    sound = rng.standard_normal(3 * CHECKED_FRAMES + 17)
    _keep(cache, _key("a"), sound, cuts=(5, 100_000, 100_001))
    take = cache.find_take(_key("a"))
    np.testing.assert_array_equal(take.read_float32(0, take.frames), sound.astype(np.float32))
    np.testing.assert_array_equal(take.read(70_000, 140_000), sound[70_000:140_000].astype(np.float32))
    assert (take.frames, take.rate_hz, take.facts["threshold_db"]) == (len(sound), 48_000, -20.5)
    np.testing.assert_array_equal(take.table(), [[0, 1], [2, 3], [4, 5]])
    assert not list(cache.folder.glob("*.partial"))


@pytest.mark.parametrize("at_byte", [0, 4 * CHECKED_FRAMES + 3, -1])
def test_a_flipped_bit_is_noticed_and_the_entry_removed(cache, rng, at_byte):
    take = _keep(cache, _key("a"), rng.standard_normal(2 * CHECKED_FRAMES))
    kept = bytearray(take.path.read_bytes())
    kept[at_byte] ^= 1
    take.path.write_bytes(kept)
    with pytest.raises(DamagedEntry, match="damaged cache entry; it will be rebuilt"):
        cache.find_take(_key("a")).read_float32(0, take.frames)
    assert cache.find_take(_key("a")) is None


def test_a_take_is_read_into_an_array_second_by_second_and_damage_is_noticed(cache, rng):
    sound = rng.standard_normal(2 * CHECKED_FRAMES + 17)
    take = _keep(cache, _key("a"), sound)
    room = np.zeros((2, CHECKED_FRAMES + 17), np.float32)
    take.read_into(CHECKED_FRAMES, room[1])
    np.testing.assert_array_equal(room[1], sound[CHECKED_FRAMES:].astype(np.float32))
    assert not room[0].any()
    kept = bytearray(take.path.read_bytes())
    kept[-1] ^= 1
    take.path.write_bytes(kept)
    with pytest.raises(DamagedEntry, match="damaged cache entry; it will be rebuilt"):
        cache.find_take(_key("a")).read_into(CHECKED_FRAMES, room[1])
    assert cache.find_take(_key("a")) is None


def test_a_shortened_or_half_described_entry_is_not_found(cache, rng):
    take = _keep(cache, _key("a"), rng.standard_normal(5000))
    take.path.write_bytes(take.path.read_bytes()[:-4])
    assert cache.find_take(_key("a")) is None
    take = _keep(cache, _key("b"), rng.standard_normal(5000))
    described = take.path.with_suffix(".json")
    described.write_bytes(described.read_bytes()[:-20])
    assert cache.find_take(_key("b")) is None
    take = _keep(cache, _key("c"), rng.standard_normal(5000))
    described = take.path.with_suffix(".json")
    described.write_bytes(described.read_bytes().replace(b"-20.5", b"-21.5"))
    assert cache.find_take(_key("c")) is None


def test_an_entry_removed_while_it_is_read_can_be_read_to_its_end(cache, rng):
    sound = rng.standard_normal(CHECKED_FRAMES * 2)
    take = _keep(cache, _key("a"), sound)
    cache.empty()
    np.testing.assert_array_equal(take.read_float32(CHECKED_FRAMES, take.frames), sound[CHECKED_FRAMES:].astype("f4"))


def test_a_stream_that_breaks_leaves_nothing(cache):
    def blocks():
        yield np.zeros(100_000)
        raise OSError("the disk is gone")

    with pytest.raises(OSError, match="the disk is gone"):
        cache.make_take(_key("a"), 48_000, blocks(), facts={}, table=lambda: np.zeros((3, 0), np.float32))
    assert cache.size_bytes() == 0


def test_the_longest_unused_goes_first(tmp_path, rng):
    cache = TakeCache(tmp_path / "takes", limit_bytes=100_000)
    for key in ("a", "b", "c"):
        _keep(cache, _key(key), rng.standard_normal(10_000))
        for path in cache.folder.glob(f"{_key(key)}.*"):
            os.utime(path, (1_000_000 + ord(key), 1_000_000 + ord(key)))
    cache.find_take(_key("a"))
    cache.prune()
    assert cache.find_take(_key("b")) is None
    assert cache.find_take(_key("a")) is not None
    assert cache.size_bytes() <= 100_000


def test_a_source_is_digested_again_only_when_it_changes(cache, tmp_path, monkeypatch):
    source, asked = tmp_path / "take.wav", []

    def digest(path):
        asked.append(path)
        return f"{len(asked):064d}"

    # Files that were written a moment ago are not noted; here they count as settled.
    monkeypatch.setattr(digests, "_SETTLED_S", -60.0)
    source.write_bytes(b"one")
    assert cache.notes.digest_of(source, digest) == cache.notes.digest_of(source, digest)
    source.write_bytes(b"other")
    assert cache.notes.digest_of(source, digest) == f"{2:064d}"


def test_facts_of_a_source_are_read_again_only_when_it_changes(cache, tmp_path, monkeypatch):
    source, opened = tmp_path / "take.wav", []

    def inspected(path):
        opened.append(path)
        return inspect(path)

    monkeypatch.setattr(digests, "_SETTLED_S", -60.0)
    monkeypatch.setattr(digests, "inspect", inspected)
    soundfile.write(source, np.zeros(4800), 48_000, subtype="PCM_24")
    assert cache.notes.facts_of(source) == cache.notes.facts_of(source) == inspect(source)
    assert len(opened) == 1
    # A note that is not what was written counts as none.
    (note,) = cache.folder.glob("*.facts")
    note.write_bytes(note.read_bytes().replace(b"4800", b"4900", 1))
    assert cache.notes.facts_of(source).frames == 4800
    soundfile.write(source, np.zeros(2400), 48_000, subtype="PCM_16")
    assert (cache.notes.facts_of(source).frames, cache.notes.facts_of(source).bits) == (2400, 16)
    assert len(opened) == 3
    source.unlink()
    with pytest.raises(AudioError, match="there is no such file"):
        cache.notes.facts_of(source)


def test_a_header_that_is_too_short_is_told_from_the_notes_too(cache, rng, tmp_path, monkeypatch, caplog):
    source = tmp_path / "take.wav"
    monkeypatch.setattr(digests, "_SETTLED_S", -60.0)
    soundfile.write(source, rng.uniform(-0.5, 0.5, 48_000), 48_000, subtype="PCM_16")
    content = bytearray(source.read_bytes())
    at = content.index(b"data") + 4
    content[at : at + 4] = (2 * 24_000).to_bytes(4, "little")
    source.write_bytes(content)
    cache.notes.facts_of(source)
    reader._warn_once_of_extra.cache_clear()
    caplog.clear()
    cache.notes.facts_of(source)
    assert "0.500 s more audio follow" in caplog.text


def test_a_run_that_adds_nothing_does_not_look_through_the_cache(cache, rng, monkeypatch):
    _keep(cache, _key("a"), rng.standard_normal(30_000))
    again = TakeCache(cache.folder, limit_bytes=10)
    assert again.find_take(_key("a")) is not None
    again.prune()
    assert again.find_take(_key("a")) is not None
    _keep(again, _key("b"), rng.standard_normal(30_000))
    again.prune()
    assert again.size_bytes() <= 10


def test_keys_depend_on_content_not_on_order():
    assert cache_key({"a": 1, "b": [2.5]}) == cache_key({"b": [2.5], "a": 1})
    assert cache_key({"a": 1}) != cache_key({"a": 2})


def test_an_entry_that_cannot_be_read_is_rebuilt(cache, rng, monkeypatch):
    sound = rng.standard_normal(2 * CHECKED_FRAMES)
    _keep(cache, _key("a"), sound)
    tries = []

    def work():
        tries.append(1)
        take = cache.find_take(_key("a")) or _keep(cache, _key("a"), sound)
        if len(tries) == 1:
            def refuse(start, count):
                raise OSError(5, "Input/output error")
            monkeypatch.setattr(take.file, "read", refuse)
        return take.read_float32(0, take.frames)

    np.testing.assert_array_equal(cache.retried(work), sound.astype("f4"))
    assert len(tries) == 2


class _Text:
    """What `find_or_make` stores here."""

    def __init__(self, text):
        self.text = text

    def save(self, path):
        write_whole(path, self.text.encode())


@pytest.mark.parametrize("plant", [
    lambda path: path.symlink_to(path.name),
    lambda path: path.symlink_to("/etc/hostname"),
    lambda path: os.mkfifo(path),
    lambda path: path.write_bytes(b"\xff"),
], ids=["a looping link", "a link", "a pipe", "not what was written"])
def test_what_is_no_plain_file_of_ours_is_never_opened_and_is_replaced(cache, rng, plant):
    cache.folder.mkdir(parents=True)

    def load(path):
        try:
            return _Text(path.read_text())
        except UnicodeDecodeError as refusal:
            raise DamagedFile(f"{path}: damaged") from refusal

    plant(cache.folder / f"{_key('x')}.text")
    assert cache.find_or_make(_key("x"), "text", load, lambda: _Text("made")).text == "made"
    sound = rng.standard_normal(CHECKED_FRAMES)
    for kind in ("json", "f32"):
        key = _key(f"take {kind}")
        plant(cache.folder / f"{key}.{kind}")
        assert cache.find_take(key) is None
        np.testing.assert_array_equal(_keep(cache, key, sound).read_float32(0, len(sound)), sound.astype("f4"))


def test_a_stored_file_that_cannot_be_read_is_made_again(cache):
    cache.make_file(_key("x"), "text", _Text("old").save)

    def load(path):
        raise PermissionError(13, "Permission denied", str(path))

    assert cache.find_or_make(_key("x"), "text", load, lambda: _Text("made")).text == "made"
    assert cache.find_file(_key("x"), "text").read_text() == "made"


@pytest.mark.parametrize("asked", ["\u00b2", "-1", "1e3", "many", "9" * 30])
def test_a_limit_that_is_no_number_of_mebibytes_is_refused(monkeypatch, tmp_path, asked):
    monkeypatch.setenv("LAYERPIPE_CACHE_LIMIT_MB", asked)
    with pytest.raises(ParameterError, match="LAYERPIPE_CACHE_LIMIT_MB"):
        TakeCache(tmp_path)


def test_without_a_limit_the_default_holds(monkeypatch, tmp_path):
    monkeypatch.setenv("LAYERPIPE_CACHE_LIMIT_MB", "")
    assert TakeCache(tmp_path).limit_bytes == 8192 << 20
