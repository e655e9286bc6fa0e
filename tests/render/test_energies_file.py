"""The file of energies: what comes back is what was written, and what was damaged is told."""

from __future__ import annotations

import gc
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from layerpipe.core.errors import ParameterError
from layerpipe.dsp.peaks.true_peak import true_peak
from layerpipe.render.energies import records
from layerpipe.render.energies.meter import Energies, EnergyMeter
from layerpipe.render.energies.mixes import Mix, read_mix
from layerpipe.render.energies.records import DamagedRecords

RATE_HZ = 48_000
LEFT, RIGHT = np.array([1.0, 0.2, 0.5]), np.array([0.0, 0.9, -0.5])


@pytest.fixture
def energies(rng) -> Energies:
    meter = EnergyMeter(3, RATE_HZ, alone=2)
    meter.add(rng.standard_normal((5, 5 * RATE_HZ + 777)) * 0.1)
    return meter.finish()


def whole(energies: Energies) -> list[np.ndarray]:
    """Everything in it: K-weighted by step, plain by hop."""
    return [np.concatenate(parts) for parts in
            zip(*([weighted, plain] for _, weighted, plain in energies.chunks(0, energies.steps)), strict=True)]


def test_energies_come_back_from_their_file_to_the_bit(energies, tmp_path):
    energies.save(tmp_path / "song.energies")
    found = Energies.load(tmp_path / "song.energies")
    assert (found.channels, found.alone, found.rate_hz, found.frames) == (3, 2, RATE_HZ, 5 * RATE_HZ + 777)
    assert found.steps == 501
    for one, other in zip(whole(energies), whole(found), strict=True):
        np.testing.assert_array_equal(one, other)
    assert read_mix(found, Mix(LEFT, RIGHT)) == read_mix(energies, Mix(LEFT, RIGHT))
    assert [path.name for path in tmp_path.iterdir()] == ["song.energies"]


def test_the_same_sound_gives_the_same_file(energies, tmp_path, rng):
    energies.save(tmp_path / "one")
    Energies.load(tmp_path / "one").save(tmp_path / "two")
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()


@pytest.mark.parametrize("channels", [1, 3])
def test_energies_of_nothing_have_a_file_too(channels, tmp_path):
    EnergyMeter(channels, 44_100).finish().save(tmp_path / "nothing")
    found = Energies.load(tmp_path / "nothing")
    assert (found.channels, found.steps, found.frames) == (channels, 0, 0)


def test_one_changed_byte_anywhere_is_noticed(energies, tmp_path, rng):
    energies.save(tmp_path / "song")
    content = (tmp_path / "song").read_bytes()
    for at in [*range(64), *rng.integers(64, len(content), 60), len(content) - 1]:
        changed = bytearray(content)
        changed[at] ^= 0x10
        (tmp_path / "song").write_bytes(changed)
        with pytest.raises(DamagedRecords, match="song"):
            Energies.load(tmp_path / "song")


@pytest.mark.parametrize("keep", [0, 10, 63, 64, 65, 4000, -1])
def test_a_file_cut_short_or_grown_is_noticed(keep, energies, tmp_path):
    energies.save(tmp_path / "song")
    content = (tmp_path / "song").read_bytes()
    (tmp_path / "song").write_bytes(content[:keep])
    with pytest.raises(DamagedRecords):
        Energies.load(tmp_path / "song")
    (tmp_path / "song").write_bytes(content + b"\0")
    with pytest.raises(DamagedRecords, match="bytes where"):
        Energies.load(tmp_path / "song")


def test_a_missing_file_is_missing_and_not_damaged(tmp_path):
    with pytest.raises(FileNotFoundError):
        Energies.load(tmp_path / "none")


def test_nothing_is_left_when_writing_fails(energies, tmp_path, monkeypatch):
    (tmp_path / "song").write_bytes(b"before")
    monkeypatch.setattr(Path, "replace", lambda *_: (_ for _ in ()).throw(OSError("disk full")))
    with pytest.raises(OSError, match="disk full"):
        energies.save(tmp_path / "song")
    assert [path.name for path in tmp_path.iterdir()] == ["song"]
    assert (tmp_path / "song").read_bytes() == b"before"


def test_many_channels_go_through_a_file_and_read_the_same(rng, tmp_path, monkeypatch):
    sound = rng.standard_normal((7, 3 * RATE_HZ)) * 0.1
    gains = rng.uniform(-1, 1, (2, 7))

    def measured() -> Energies:
        meter = EnergyMeter(7, RATE_HZ, spool_folder=tmp_path)
        meter.add(sound)
        return meter.finish()

    held = measured()
    monkeypatch.setattr(records, "_HELD_BYTES", 1000)
    monkeypatch.setattr(records, "_READ_BYTES", 10_000)
    spooled = measured()
    for one, other in zip(whole(held), whole(spooled), strict=True):
        np.testing.assert_array_equal(one, other)
    spooled.save(tmp_path / "song")
    from_disk = Energies.load(tmp_path / "song")
    for found in (spooled, from_disk):
        one, other = read_mix(held, Mix(*gains), 5000, 140_000), read_mix(found, Mix(*gains), 5000, 140_000)
        assert other.integrated_lufs == pytest.approx(one.integrated_lufs, abs=1e-9)
        assert other.correlation == pytest.approx(one.correlation, abs=1e-9)
        assert other.mono_loss_lu == pytest.approx(one.mono_loss_lu, abs=1e-9)
        by_step = read_mix(found, Mix(lambda first, stop: np.repeat(gains[0][None], stop - first, axis=0), gains[1]),
                           5000, 140_000)
        assert by_step.integrated_lufs == pytest.approx(one.integrated_lufs, abs=1e-9)


def test_files_are_closed_when_nobody_reads_them_any_more(rng, tmp_path, monkeypatch):
    # An open file would be a ResourceWarning, and warnings are errors here.
    monkeypatch.setattr(records, "_HELD_BYTES", 100)
    meter = EnergyMeter(2, RATE_HZ)
    meter.add(rng.standard_normal((2, RATE_HZ)))
    meter.finish().save(tmp_path / "song")
    found = Energies.load(tmp_path / "song")
    abandoned = EnergyMeter(2, RATE_HZ)
    abandoned.add(rng.standard_normal((2, RATE_HZ)))
    assert found.steps == 100
    del found, meter, abandoned
    gc.collect()


@pytest.mark.parametrize(("channels", "rate_hz", "alone"),
                         [(0, 48_000, 0), (4097, 48_000, 0), (1, 48_000, 4096), (2, 48_000, -1), (2, 7_000, 0)])
def test_a_meter_refuses_what_it_cannot_measure(channels, rate_hz, alone):
    with pytest.raises(ParameterError, match="must be inside"):
        EnergyMeter(channels, rate_hz, alone=alone)


def test_a_block_of_another_number_of_rows_is_refused():
    with pytest.raises(ParameterError, match=r"must be \(2, frames\)"):
        EnergyMeter(2, RATE_HZ).add(np.zeros((3, 100)))
    with pytest.raises(ParameterError, match=r"must be \(2, frames\)"):
        EnergyMeter(1, RATE_HZ, alone=1).add(np.zeros(100))


def test_readings_from_a_file_need_neither_the_compiler_nor_scipy(energies, tmp_path):
    energies.save(tmp_path / "song")
    true_peak(np.ones((1000, 2)))  # compiles its loop, where that has not been done yet
    script = (
        "import sys, numpy as np\n"
        "from pathlib import Path\n"
        "from layerpipe.render.energies.meter import Energies\n"
        "from layerpipe.render.energies.mixes import Mix, read_mix\n"
        "from layerpipe.render.energies.sweep import sweep\n"
        "from layerpipe.dsp.peaks.true_peak import true_peak\n"
        "found = Energies.load(Path(sys.argv[1]))\n"
        "print(read_mix(found, Mix(np.ones(3), np.ones(3))).integrated_lufs)\n"
        "print(sweep(found, Mix(np.ones(3), np.ones(3)), Mix(np.ones(3), np.ones(3)), [0.0]).added_lu[0])\n"
        "true_peak(np.ones((1000, 2)))\n"
        "print(sorted({'numba', 'scipy', 'pyloudnorm'} & set(sys.modules)))\n"
    )
    run = subprocess.run([sys.executable, "-c", script, str(tmp_path / "song")], capture_output=True, text=True,
                         check=True)
    lufs, adds, loaded = run.stdout.splitlines()
    assert float(lufs) == read_mix(energies, Mix(np.ones(3), np.ones(3))).integrated_lufs
    assert float(adds) == pytest.approx(20 * np.log10(2))
    assert loaded == "[]"


MANY_CHANNELS = """
import resource, sys
from pathlib import Path
import numpy as np
from layerpipe.render.energies.meter import EnergyMeter
from layerpipe.render.energies.mixes import Mix, read_mix
from layerpipe.render.energies.sweep import level_for_difference, sweep

meter = EnergyMeter(64, 8_000, spool_folder=Path(sys.argv[1]))
block = np.random.default_rng(1).standard_normal((64, 8_000)).astype(np.float32)
meter.add(block)
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
for _ in range(59):
    meter.add(block)
energies = meter.finish()
assert energies.steps == 6_000
ones = np.ones(64)
rest, layer = ones * (np.arange(64) < 32), ones * (np.arange(64) >= 32)
assert read_mix(energies, Mix(ones, ones)).integrated_lufs > -70
assert len(sweep(energies, Mix(rest, rest), Mix(layer, layer), np.arange(-20, 0)).added_lu) == 20
assert level_for_difference(energies, Mix(rest, rest), Mix(layer, layer), 9.0) is not None
rising = lambda first, stop: np.linspace(1, 2, stop - first)[:, None] * ones
assert read_mix(energies, Mix(rising, ones)).integrated_lufs > -70
energies.save(Path(sys.argv[1]) / "song")
print(Path(sys.argv[1], "song").stat().st_size, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


@pytest.mark.slow
def test_memory_does_not_grow_with_the_song(tmp_path):
    # 64 channels: the products of a minute are 110 MB; the spool's room of 8 MB and working room may be held.
    run = subprocess.run([sys.executable, "-c", MANY_CHANNELS, str(tmp_path)], capture_output=True, text=True,
                         check=True)
    size, grown = map(int, run.stdout.split())
    assert size > 100e6
    # ru_maxrss counts in kB, on macOS in bytes.
    assert grown / (1024 if sys.platform == "darwin" else 1) < 60_000
