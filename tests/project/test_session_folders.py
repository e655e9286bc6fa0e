"""The generators of session folders, passes and microphones hold what they promise; lines are counted right."""

from __future__ import annotations

import dataclasses
import struct
import subprocess
import tomllib

import imageio_ffmpeg
import numpy as np
import pytest
import soundfile

from tests.support import passes
from tests.support.sessions.recipe_score import changed_lines
from tests.support.sessions.session_folders import FOLDERS, plan_folder, write_folder
from tests.support.sessions.session_names import HABITS, LANGUAGES
from tests.support.sessions.session_truth import right_recipe
from tests.support.sounds.stamped_wave import FLOAT, PCM_16, PCM_24, bext_body, write_wave

PLANS = [plan_folder(number) for number in range(FOLDERS)]


def test_the_folders_cover_what_sessions_leave():
    files = [file for plan in PLANS for file in plan.truth.files]
    assert {file.role for file in files} == {"take", "pass", "mic", "bed", "click", "skipped"}
    assert {file.rate_hz for file in files} == {44_100, 48_000, 96_000}
    assert {file.subtype for file in files} == {PCM_16, PCM_24, FLOAT}
    assert {plan.truth.title for plan in PLANS} == {language.title for language in LANGUAGES.values()}
    assert len(HABITS) == 10
    most = {max(len(take.passes) for layer in plan.truth.layers for take in layer.takes) for plan in PLANS}
    assert most == {1, 2, 3, 4, 5}
    for wanted, least in (("overdub that begins later", 12), ("rough mix", 20), ("click track", 18), ("bass", 12),
                          ("high-strung guitar", 8), ("high-strung guitar, told by its sound alone", 8),
                          ("two microphones of one performance in one file", 6), ("voice memo of a phone", 12),
                          ("one of two microphones of one performance", 6), ("talk between takes", 3),
                          ("overdub that begins later, untold", 3), ("one take, the same in both channels", 3)):
        assert sum(any(file.why == wanted for file in plan.truth.files) for plan in PLANS) >= least, wanted


@pytest.mark.parametrize("plan", PLANS, ids=lambda plan: str(plan.number))
def test_the_truth_of_a_folder_agrees_with_itself(plan):
    truth = plan.truth
    assert plan_folder(plan.number).truth == truth
    assert len({file.name.casefold() for file in truth.files}) == len(truth.files)
    assert 20 <= plan.song.seconds <= 40
    for layer in truth.layers:
        assert sorted(take.pan for take in layer.takes) in ([0.0], [-100.0, 100.0])
        assert all(take.passes for take in layer.takes)
    for file in truth.files:
        assert (file.layer == "") == (file.role in ("bed", "click", "skipped"))
        if file.stamp_s is not None and truth.time_reference_s is not None:
            assert file.stamp_s - truth.time_reference_s == pytest.approx(file.start_s, abs=1e-6)
    assert (truth.time_reference_s is None) == (not any(file.start_s and file.stamp_s for file in truth.files))
    assert changed_lines(right_recipe(truth), truth) == 0


@pytest.mark.slow
@pytest.mark.parametrize("number", [10, 29])
def test_a_folder_is_written_as_its_truth_says(tmp_path, number):
    plan = PLANS[number]
    folder = write_folder(plan, tmp_path)
    assert {path.name for path in folder.iterdir()} == {file.name for file in plan.truth.files} | set(plan.texts)
    lasts_s = []
    for file in plan.truth.files:
        heard = soundfile.info(folder / file.name)
        assert (heard.samplerate, heard.channels, heard.subtype) == (file.rate_hz, file.channels, file.subtype)
        if file.layer:
            lasts_s.append(file.start_s + heard.duration)
        samples = soundfile.read(folder / file.name)[0]
        assert 0.05 < np.abs(samples).max() < 1
    # Whatever place a file begins at, it ends with the song.
    assert np.ptp(lasts_s) < 0.01


def test_time_references_are_read_by_another_program(tmp_path):
    # ffmpeg reads `bext` and prints the samples since midnight as it finds them.
    sound = 0.1 * np.sin(np.arange(4_800) / 10)
    for subtype, frames in ((PCM_16, 0), (PCM_24, 36_000 * 48_000 + 12_345), (FLOAT, (1 << 32) + 7)):
        path = write_wave(tmp_path / f"{subtype}.wav", sound, 48_000, subtype, time_reference_frames=frames)
        told = subprocess.run([imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-i", path, "-f", "ffmetadata", "-"],
                              capture_output=True, text=True, check=True).stdout
        assert f"time_reference={frames}\n" in told
        tolerance = 1e-7 if subtype == FLOAT else 0.51 / (1 << (15 if subtype == PCM_16 else 23))
        np.testing.assert_allclose(soundfile.read(path)[0], sound, atol=tolerance)


def test_a_time_reference_stands_where_the_standard_puts_it(tmp_path):
    # EBU Tech 3285 v2: 256 + 32 + 32 + 10 + 8 bytes stand before TimeReferenceLow; the fixed part has 602 bytes.
    body = bext_body((3 << 32) + 5)
    assert len(body) == 602
    assert struct.unpack_from("<IIH", body, 338) == (5, 3, 1)
    path = write_wave(tmp_path / "last.wav", np.zeros(101), 44_100, PCM_24, time_reference_frames=9, stamp_last=True)
    whole = path.read_bytes()
    assert len(whole) == 8 + struct.unpack_from("<I", whole, 4)[0]
    assert whole.index(b"bext") > whole.index(b"data")
    assert soundfile.info(path).frames == 101


def _with_lines(text: str, changes: dict[str, str | None]) -> str:
    """A recipe with the first of each of some lines changed or, for None, taken out."""
    lines = text.split("\n")
    for old, new in changes.items():
        at = lines.index(old)
        lines[at : at + 1] = [] if new is None else [new]
    return "\n".join(lines)


def test_changed_lines_are_counted_as_a_user_would():
    truth = PLANS[12].truth
    right = right_recipe(truth)
    clock = f"tempo = {truth.tempo}"
    assert changed_lines(_with_lines(right, {"pan = -100": "pan = 100"}), truth) == 1
    assert changed_lines(_with_lines(right, {"pan = -100": "pan = -60"}), truth) == 0
    assert changed_lines(_with_lines(right, {"pan = -100": "pan = -100\nmute = true"}), truth) == 1
    assert changed_lines(_with_lines(right, {clock: f"tempo = {truth.tempo * 2}"}), truth) == 1
    assert changed_lines(_with_lines(right, {clock: None, f'meter = "{truth.meter}"': 'meter = "5/4"'}), truth) == 2
    assert changed_lines(_with_lines(right, {'starts = "time reference"': None}), truth) == 1
    assert changed_lines(_with_lines(right, {'starts = "time reference"': "starts = 3.0"}), truth) == 1
    assert changed_lines(_with_lines(right, {'name = "choir"': 'name = "what they sang"'}), truth) == 0
    assert changed_lines(_with_lines(right, {'name = "octave high strung"': 'name = "guitar two"'}), truth) == 1
    assert changed_lines(_with_lines(right, {'name = "choir"': 'name = "choir octave"'}), truth) == 1
    assert changed_lines(_with_lines(right, {"time_reference_s = 36000.0": None}), truth) == 1
    assert changed_lines(_with_lines(right, {f'file = "{truth.bed}"': f'file = "{truth.click}"'}), truth) == 1
    assert changed_lines(_with_lines(right, {"[bed]": None, f'file = "{truth.bed}"': None}), truth) == 2
    one_pass = next(line for line in right.split("\n") if line.startswith('  { name = "2"'))
    assert changed_lines(_with_lines(right, {one_pass: None}), truth) == 1
    assert changed_lines(_with_lines(right, {"passes = [": 'play = "9"\npasses = ['}), truth) == 1
    # The choir's two takes end up in the layer before: head and name must be put in again.
    joined = right.replace('[[layer]]\nname = "choir"\n', "")
    assert changed_lines(joined, truth) == 2
    # Each voice of the choir is a layer of its own: the second head and its name must go.
    at = right.rindex("[[layer.take]]")
    divided = right[:at] + '[[layer]]\nname = "more"\n' + right[at:]
    assert changed_lines(divided, truth) == 2
    # The last take stands in the first layer: its block is moved.
    second = right.index("[[layer]]", right.index("[[layer]]") + 1)
    assert changed_lines(right[:second] + right[at:] + "\n" + right[second:at], truth) == 4
    # The click is played as a take hard right: head, name, file, pan; muted it does no harm.
    extra = f'\n[[layer.take]]\nname = "x"\nfile = "{truth.click}"\npan = 100\n'
    assert changed_lines(right + extra, truth) == 4
    assert changed_lines(right + extra + "mute = true\n", truth) == 1
    # The last take is missing: head, name, file, pan.
    assert changed_lines(right[: right.rindex("[[layer.take]]")], truth) == 4


def test_sides_that_names_do_not_tell_may_be_exchanged():
    plan = next(plan for plan in PLANS if plan.truth.unsided_layers)
    doc = tomllib.loads(right_recipe(plan.truth))
    assert {len(layer["take"]) for layer in doc["layer"]} <= {1, 2}
    name = next(iter(plan.truth.unsided_layers))
    head, tail = right_recipe(plan.truth).split(f'name = "{name}"\n')
    mirrored = tail.replace("pan = -100", "pan = x", 1).replace("pan = 100", "pan = -100", 1).replace("x", "100", 1)
    assert changed_lines(f'{head}name = "{name}"\n{mirrored}', plan.truth) == 0
    told = dataclasses.replace(plan.truth, unsided_layers=frozenset())
    assert changed_lines(f'{head}name = "{name}"\n{mirrored}', told) == 2


@pytest.mark.slow
@pytest.mark.parametrize("seed", [4, 12])
def test_planted_passes_are_what_their_kinds_say(seed):
    made = passes.make_passes(seed)
    side, name, source = made.copy
    assert made.comp_needed == (seed == 12)
    for one_side in passes.SIDES:
        spread = {one.kind: [one.played.spread_ms(made.song, first, last) for _, first, last in made.song.sections]
                  for one in made.passes[one_side]}
        assert len(spread) == 5
        best = made.best_comp[one_side]
        by_name = {one.name: one for one in made.passes[one_side]}
        assert all(by_name[best[n]].fit[n] for n in range(len(best)))
        chosen = [spread[by_name[best[n]].kind][n] for n in range(len(best))]
        assert max(chosen) < 6.5
        assert max(spread["detuned"]) < 5
        assert max(spread["loose"]) > 15
        assert made.comp_needed == (len(set(best)) > 1)
        assert 16 <= abs(made.pass_of(one_side, "detuned").cents) <= 24
    cents = [made.pass_of(one_side, "detuned").cents for one_side in passes.SIDES]
    assert cents[0] * cents[1] < 0
    assert made.comp_is_right(made.best_comp)
    assert not made.doubles_a_copy(made.best_comp)
    there = passes.SIDES[1 - passes.SIDES.index(side)]
    copied = {side: [name] * len(made.song.sections), there: [source] * len(made.song.sections)}
    assert made.doubles_a_copy(copied)
    assert not made.comp_is_right(copied)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 8])
def test_planted_microphones_are_as_far_apart_as_told(seed):
    # The phase of the cross-spectrum of a delay is a line through 0 whose slope is the delay (textbook).
    mics = passes.make_mics(seed, seconds=4.0)
    near, far = np.fft.rfft(mics.samples, axis=0).T
    hz = np.fft.rfftfreq(len(mics.samples), 1 / mics.rate_hz)
    cross = far * np.conj(near)
    inside = (hz > 200) & (hz < 6000)
    tried_ms = np.arange(-3.2, 3.2, 0.01)
    lined = [np.real(np.sum(cross[inside] * np.exp(2j * np.pi * hz[inside] * ms / 1000))) for ms in tried_ms]
    at = int(np.argmax(np.abs(lined)))
    assert tried_ms[at] == pytest.approx(mics.delay_ms, abs=0.02)
    assert (lined[at] < 0) == mics.inverted
