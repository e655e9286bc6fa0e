"""The artist's page is kept below a size: sections are shortened at downbeats first, then sound is coded smaller."""

from __future__ import annotations

import dataclasses
import math
from types import SimpleNamespace

import msgspec
import numpy as np
import pytest

from layerpipe.outputs.artist_page import build_page
from layerpipe.outputs.artist_page.build import make_page_song
from layerpipe.outputs.artist_page.fit import SizeLimits, fit_page
from layerpipe.outputs.artist_page.loops import PagePart, parts_of
from layerpipe.recipe.reader import read_recipe
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.energies.meter import EnergyMeter
from layerpipe.render.pipeline import measure_song, process_takes
from tests.outputs.artist_page.test_artist_sound import LANTERN, decoded, layers_at_0_db
from tests.support.songs import RATE_HZ


@pytest.fixture(scope="module")
def lantern():
    """The demo song and its energies."""
    cache = TakeCache()
    song = process_takes(read_recipe(LANTERN), cache)
    return song, measure_song(song, cache)


@pytest.fixture(scope="module")
def making(lantern):
    """Makes pages of the demo, each combination of parts and bits once."""
    song, energies = lantern
    made = {}

    def make(parts, bits, on_progress):
        key = (tuple((part.start, part.stop) for part in parts), bits)
        if key not in made:
            made[key] = make_page_song(song, energies, parts, "0" * 16, bits=bits, workers=2)
        return made[key]

    return make


def fitted(song, making, **limits):
    """The demo's page within limits, and the seconds that were tried."""
    tried = []

    def parts_within(seconds):
        tried.append(seconds)
        return parts_of(song, [], seconds)

    return fit_page(parts_within, 20.0, making, limits=SizeLimits(**limits)), tried


@pytest.mark.slow
def test_a_page_that_fits_is_left_as_it_is(lantern, making):
    page, tried = fitted(lantern[0], making)
    assert (page.bits, page.shortened, tried) == (16, (), [20.0])


@pytest.mark.slow
def test_long_sections_are_shortened_at_downbeats_before_sound_is_coded_smaller(lantern, making):
    song, _ = lantern
    most = 6_500_000
    page, _ = fitted(song, making, most_bytes=most, shortest_s=4.0)
    assert page.bits == 16
    assert len(build_page(page.song)) <= most
    assert page.shortened
    bar_s = 120 / 58  # 6/8 at 58 dotted quarters
    for name, asked_s, kept_s in page.shortened:
        assert kept_s < asked_s, name
        assert kept_s / bar_s == pytest.approx(round(kept_s / bar_s), abs=1e-3)
        assert kept_s >= 4.0


@pytest.mark.slow
def test_below_the_shortest_length_sound_is_coded_smaller(lantern, making):
    song, _ = lantern
    shortest, _ = fitted(song, making, most_bytes=1_000_000, shortest_s=4.0)
    assert shortest.bits == 14
    size = len(build_page(shortest.song))
    assert size > 1_000_000
    page, _ = fitted(song, making, most_bytes=size + 450_000, shortest_s=4.0)
    assert page.bits in (14, 15)
    assert [kept_s for _, _, kept_s in page.shortened] == [kept_s for _, _, kept_s in shortest.shortened]


@pytest.mark.slow
def test_coarser_sound_has_its_own_dither(lantern):
    song, _ = lantern
    # The demo's own sound as a third layer: the octave pair again under another name.
    third = msgspec.structs.replace(song.layers[1], name="rakes")
    voices = (*song.takes, *(dataclasses.replace(song.takes[n], layer=third) for n in song.takes_of(song.layers[1])))
    recipe = msgspec.structs.replace(song.recipe, layer=[*song.recipe.layer, third], section=[])
    longer = dataclasses.replace(song, recipe=recipe, takes=voices)
    meter = EnergyMeter(longer.channels, song.rate_hz, alone=len(longer.summed_takes))
    for at, blocks in longer.blocks(0, longer.frames, 1 << 16):
        meter.add(longer.rows_of(blocks, at))
    parts = [PagePart(f"part {n}", longer.whole, at, at + 20 * song.rate_hz, ())
             for n, at in enumerate(np.linspace(0, longer.frames - 20 * song.rate_hz, 4).astype(int).tolist())]
    made = {}

    def make(parts, bits, on_progress):
        made[bits] = make_page_song(longer, energies, parts, "0" * 16, bits=bits, workers=2)
        return made[bits]

    energies = meter.finish()
    limits = SizeLimits(most_bytes=25_000_000, shortest_s=20.0)
    page = fit_page(lambda seconds: parts, 20.0, make, limits=limits)
    page_song, bits = page.song, page.bits
    assert len(build_page(page_song)) <= limits.most_bytes
    assert bits in (14, 15)
    samples = decoded(page_song.sections[0].sounds[0])
    steps = samples / page_song.sections[0].sounds[0].gain * 2 ** (bits - 1)
    np.testing.assert_allclose(steps, np.rint(steps), atol=1e-6)
    # Triangular dither: error power of a quarter step (Lipshitz, Wannamaker, Vanderkooy 1992), at 14 bits -84.3 dB.
    error = samples[: -song.rate_hz] - layers_at_0_db(song, 0, 20 * song.rate_hz)[0][: -song.rate_hz]
    assert 20 * math.log10(np.sqrt(np.mean(error**2))) == pytest.approx(20 * math.log10(2.0**-bits), abs=0.1)


@pytest.mark.parametrize(("most_bytes", "kept_s", "bits"), [
    (1_000_000, [20, 8], 16), (480_000, [20, 8], 16), (400_000, [16, 8], 16), (310_000, [10, 8], 16),
    (200_000, [6, 6], 16), (130_000, [4, 4], 16), (115_000, [4, 4], 14), (1_000, [4, 4], 14)])
def test_the_longest_are_cut_to_bars_first_and_bits_are_saved_after(most_bytes, kept_s, bits):
    """Bars of two seconds, a thousand bytes for each bit of a second: what is kept follows from that."""
    def parts_within(seconds):
        return [SimpleNamespace(name=name, frames=min(asked_s, int(seconds / 2) * 2) * RATE_HZ)
                for name, asked_s in (("verse", 20), ("chorus", 8))]

    def make(parts, bits, on_progress):
        texts = ["x" * (part.frames // RATE_HZ * bits * 1000) for part in parts]
        sections = [SimpleNamespace(player="", sounds=[SimpleNamespace(pieces=[SimpleNamespace(text=text)])])
                    for text in texts]
        return SimpleNamespace(rate_hz=RATE_HZ, sections=sections)

    page = fit_page(parts_within, 20.0, make, limits=SizeLimits(most_bytes, besides_bytes=0, shortest_s=4.0))
    assert [part.sounds[0].pieces[0].text.count("x") for part in page.song.sections] == [
        seconds * page.bits * 1000 for seconds in kept_s]
    assert page.bits == bits
    assert page.shortened == tuple((name, asked_s, seconds) for name, asked_s, seconds in zip(
        ("verse", "chorus"), (20, 8), kept_s, strict=True) if seconds < asked_s)
