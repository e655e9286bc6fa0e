"""Every heavy command with several songs: one table, one document, the highest exit code; and an album's view."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from layerpipe.jobs.album import measure_album_song
from layerpipe.jobs.levels import study_levels
from layerpipe.outputs.levels.album import AlbumSong, compare_album, mean_cents
from layerpipe.recipe.reader import read_recipe
from tests.support.command import run_command
from tests.support.songs import recipe_of, write_recipe, write_take


@pytest.fixture(scope="module")
def songs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two songs and one whose take is missing."""
    folder = tmp_path_factory.mktemp("songs")
    for n, name in enumerate(("amber", "birch", "cedar")):
        recipe = recipe_of(folder)
        recipe["song"]["title"] = name.title()
        recipe["layer"][1]["level_db"] = -9.0 - 4 * (n == 1)
        if name == "cedar":
            recipe["layer"][0]["take"][1]["file"] = "missing.wav"
        write_recipe(folder / f"{name}.toml", recipe)
    return folder


@pytest.fixture
def run(monkeypatch, tmp_path):
    """Run a command in an empty folder; returns (exit code, stdout, stderr)."""
    monkeypatch.chdir(tmp_path)

    def _run(*words):
        result = run_command(*words)
        assert result.exception is None or isinstance(result.exception, SystemExit), result.exc_info
        return result.exit_code, result.stdout, result.stderr

    return _run


@pytest.mark.parametrize(("words", "verdicts"), [
    (["check"], None), (["timing"], None), (["tempo"], None), (["levels", "--at", "-9"], ["measured", "measured"]),
    (["preview", "--section", "chorus"], ["written", "written"]), (["page", "--seconds", "1"], ["written", "written"]),
    (["bounce"], ["bounced", "bounced"]),
], ids=lambda words: words[0] if words else "")
def test_every_heavy_command_takes_a_folder_and_gives_one_document(run, songs, words, verdicts):
    code, out, err = run(*words, songs, "--json")
    told = json.loads(out)["songs"]
    assert [Path(song["recipe"]).name for song in told] == ["amber.toml", "birch.toml", "cedar.toml"]
    assert told[2]["verdict"] == "refused"
    assert "missing.wav" in told[2]["refused"]
    assert err.count("missing.wav: 1 fault") == 1
    assert code == max(song["exit_code"] for song in told) == 1
    if verdicts is not None:
        assert [song["verdict"] for song in told[:2]] == verdicts
    alone = json.loads(run(*words, songs / "amber.toml", "--json")[1])
    alone = alone["bounces"][0] if words[0] == "bounce" else alone
    assert {name: value for name, value in alone.items() if name != "recipe"}.items() <= told[0].items()


def test_the_table_of_songs_leaves_out_the_folders_they_share(run, tmp_path):
    deep = tmp_path / ("a folder whose name alone fills more than a whole line of the terminal " + "m" * 40)
    for name in ("side one/birch", "side two/amber"):
        recipe = deep / f"{name}.toml"
        recipe.parent.mkdir(parents=True)
        recipe.write_text("[song]\nlength = 1\n")
    code, out, _ = run("tempo", deep / "side one", deep / "side two")
    assert code == 2
    assert "side one/birch.toml" in out
    assert "side two/amber.toml" in out
    assert "m" * 40 not in out


def test_a_list_of_songs_ends_with_a_table_of_verdicts(run, songs, tmp_path):
    (tmp_path / "side one.txt").write_text(f"# side one\n{songs / 'birch.toml'}\n{songs / 'amber.toml'}\n")
    code, out, err = run("bounce", "side one.txt", "--jobs", "2")
    assert (code, err) == (0, "")
    table = out[out.rindex(" song "):]
    assert table.index("birch.toml") < table.index("amber.toml") < table.index("2 songs: 2 bounced")
    assert out.count("blend.wav") == 2
    code, out, _ = run("bounce", "side one.txt", "--continue")
    assert code == 0
    assert "2 songs: 2 skipped" in out
    assert run("bounce", "side one.txt", "--continue", "--quiet") == (0, "", "")


def test_a_folder_of_bounces_is_verified_with_one_table_and_the_highest_exit_code(run, songs, tmp_path):
    assert run("bounce", songs / "amber.toml", songs / "birch.toml", "--quiet")[0] == 0
    (tmp_path / "bounces" / "birch" / "blend.wav").unlink()
    code, out, _ = run("verify", "bounces")
    assert code == 1
    assert "2 songs: 1 unchanged, 1 missing" in out
    (tmp_path / "some.txt").write_text("bounces/birch\nbounces/gone\nbounces/amber\n")
    code, out, err = run("verify", "some.txt", "--json")
    told = json.loads(out)["songs"]
    assert [(one["bounce"], one["verdict"], one["exit_code"]) for one in told] == [
        ("bounces/birch", "missing", 1), ("bounces/gone", "refused", 2), ("bounces/amber", "unchanged", 0)]
    assert code == 2
    assert "bounces/gone: there is no such folder" in err
    alone = json.loads(run("verify", "bounces/amber", "--json")[1])
    assert alone.items() <= told[2].items()
    # In processes side by side, which are quick to refuse what is no bounce.
    (tmp_path / "none.txt").write_text("bounces/none\nbounces/gone\n")
    code, out, _ = run("verify", "none.txt", "--json", "--jobs", "2")
    assert [(one["bounce"], one["verdict"]) for one in json.loads(out)["songs"]] == [
        ("bounces/none", "refused"), ("bounces/gone", "refused")]
    assert code == 2
    # A folder in which nothing is a bounce is refused as before.
    assert run("verify", songs)[0] == 2
    assert run("verify", "bounces", "--recipe", songs / "amber.toml")[0] == 2


@pytest.mark.slow
def test_bounces_are_verified_side_by_side(run, songs):
    assert run("bounce", songs / "amber.toml", songs / "birch.toml", "--quiet")[0] == 0
    code, out, _ = run("verify", "bounces", "--json", "--jobs", "2")
    assert (code, json.loads(out)) == (0, json.loads(run("verify", "bounces", "--json")[1]))


def test_folders_of_takes_are_drafted_into_one_folder(run, tmp_path):
    for name in ("elm", "fir"):
        (tmp_path / name).mkdir()
        for n, side in enumerate(("left", "right")):
            write_take(tmp_path / name / f"regular {side}.wav", 0.1 * np.random.default_rng(n).standard_normal(16_000))
    (tmp_path / "empty").mkdir()
    assert run("draft", "elm", "fir")[0] == 2
    code, out, err = run("draft", "elm", "empty", "fir", "--out", "recipes", "--json")
    told = json.loads(out)["songs"]
    assert [(one["folder"], one["verdict"]) for one in told] == [
        ("elm", "drafted"), ("empty", "refused"), ("fir", "drafted")]
    assert code == max(one["exit_code"] for one in told)
    assert "contains no usable audio file" in err
    assert {path.name for path in (tmp_path / "recipes").iterdir()} == {"elm.toml", "fir.toml"}
    assert len(read_recipe(tmp_path / "recipes" / "elm.toml").recipe.layer[0].take) == 2
    # What exists is left as it is; folders of one name would write one file.
    assert "exists and was left as it is" in run("draft", "elm", "fir", "--out", "recipes", "--quiet")[2]
    (tmp_path / "side" / "elm").mkdir(parents=True)
    assert "another folder has this name" in run("draft", "elm", "side/elm", "--out", "more")[2]


@pytest.mark.slow
def test_pictures_and_pages_of_several_songs_get_their_names(run, songs, tmp_path):
    (tmp_path / "all").mkdir()
    two = [songs / "amber.toml", songs / "birch.toml"]
    run("timing", *two, "--picture", "all/timing.svg", "--listen", "spots")
    run("levels", *two, "--at", "-9,-6", "--picture", "all/levels.svg", "--section", "chorus")
    run("check", *two, "--pictures", "all/checked")
    run("page", *two, "--out", "pages here", "--seconds", "1")
    names = {path.relative_to(tmp_path / "all").as_posix() for path in (tmp_path / "all").rglob("*")}
    assert {"timing-amber.svg", "timing-birch.svg", "levels-amber.svg", "levels-birch.svg", "checked/amber",
            "checked/birch"} <= names
    assert {path.name for path in (tmp_path / "pages here").iterdir()} == {"amber.html", "birch.html"}


def test_an_equal_caution_of_several_songs_is_printed_once(run, songs):
    _, _, err = run("page", songs / "amber.toml", songs / "birch.toml", "--seconds", "1", "--quiet")
    assert err.count("start with the volume low") == 1


def test_a_folder_without_recipes_and_wrong_options_are_refused(run, songs, tmp_path):
    (tmp_path / "pyproject.toml").write_text("[project]\n")
    for words, said in (([tmp_path], "is a folder without recipes"), ([songs, "--jobs", "0"], "--jobs"),
                        ([songs, "--jobs", "2", "--cluster", "tcp://127.0.0.1:9"], "--cluster decide")):
        code, _, err = run("bounce", *words)
        assert code == 2
        assert said in err
    code, _, err = run("levels", songs, "--accept", "x")
    assert code == 2
    assert "one recipe" in err


def test_an_album_names_the_song_whose_octave_pair_is_further_under(run, songs, tmp_path):
    for n in range(3):
        recipe = recipe_of(songs)
        recipe["song"]["title"] = f"Dune {n}"
        write_recipe(songs / f"dune{n}.toml", recipe)
    code, out, _ = run("levels", songs, "--album", "--json", "--picture", "album.png")
    found = {song.get("title"): song for song in json.loads(out)["songs"]}
    assert code == 1
    assert found["Birch"]["stands_out"] == ["4.0 LU further under"]
    assert found["Amber"]["stands_out"] == found["Dune 1"]["stands_out"] == []
    assert (tmp_path / "album.png").stat().st_size > 10_000
    table = run("levels", songs, "--album")[1]
    assert all(word in table for word in ("Birch", "further", "under", "median"))
    for n in range(3):
        (songs / f"dune{n}.toml").unlink()


def test_an_album_measures_what_levels_measures(songs):
    file = read_recipe(songs / "amber.toml")
    measured = measure_album_song(file)
    (row,) = study_levels(file, [-9.0], sections=["chorus"]).rows
    assert measured.sections_lu["chorus"] == pytest.approx(row.relative_lu, abs=1e-3)  # the ramp
    assert measured.sections_lu["verse"] is None
    assert (measured.tempo, measured.tempo_estimated, measured.meter) == (120.0, False, "4/4")


def test_the_tuning_of_an_album_is_that_of_its_strings(tmp_path):
    import numpy as np

    t = np.arange(8 * 48_000) / 48_000
    takes = []
    for n, octave in enumerate((1, 2)):
        # Equal temperament on A4 = 443 Hz, 11.8 cents above 440: 1200 log2(443 / 440).
        sound = sum(0.05 / k * np.sin(2 * np.pi * 443 / 4 * octave * 2 ** (step / 12) * k * t)
                    for step in (0, 5, 10) for k in (1, 2, 4))
        takes.append({"name": "only", "file": write_take(tmp_path / f"{n}.wav", sound).name})
    recipe = recipe_of(tmp_path)
    recipe["layer"] = [{"name": name, "take": [take]} for name, take in zip(("low", "high"), takes, strict=True)]
    recipe["section"] = []
    measured = measure_album_song(read_recipe(write_recipe(tmp_path / "tuned.toml", recipe)))
    assert measured.tuning_cents == pytest.approx(1200 * math.log2(443 / 440), abs=1.5)


def _song(**found) -> AlbumSong:
    return AlbumSong(**{"title": "x", "layer": "octave", "reference": None, "distance_lu": -9.0, "sections_lu": {},
                        "lufs": -16.0, "range_lu": 5.0, "tempo": 100.0, "tempo_estimated": False, "meter": "4/4",
                        "tuning_cents": 0.0, **found})


def test_what_stands_out_is_said_in_words():
    album = compare_album([_song(), _song(distance_lu=-7.0), _song(lufs=-17.5), _song(tuning_cents=-49.0),
                           _song(distance_lu=None, lufs=None, tuning_cents=None)])
    assert album.stands_out == ((), ("2.0 LU closer",), ("1.5 LU quieter",), ("49.0 cents flat",), ())


def test_tunings_repeat_every_hundred_cents():
    assert abs(mean_cents([49.0, -49.0])) == pytest.approx(50.0)
    assert mean_cents([None]) is None
    album = compare_album([_song(tuning_cents=49.0), _song(tuning_cents=-49.0), _song(tuning_cents=48.0)])
    assert album.stands_out == ((), (), ())
