"""A high-pass is added to a chain wherever the chain stands, and everything else stays."""

from __future__ import annotations

import pytest

from layerpipe.recipe.edit.chain import add_high_pass
from layerpipe.recipe.reader import read_recipe

HEAD = '[song]\ntitle = "T"\n\n[[layer]]\nname = "a"  # mine\n'
TAKE = '\n[[layer.take]]\nname = "b"\nfile = "b.wav"\n'


@pytest.mark.parametrize(("chain", "hz"), [
    ("", [40]), ("\n[layer.chain]  # rolled off\nhigh_pass = [{ hz = 80 }]\n", [40, 80]),
    ("\n[layer.chain]\nbell = [{ hz = 900, gain_db = -1 }]  # boxy\n", [40]),
    ("chain = { shelf = [] }\n", [40]),
])
def test_a_high_pass_comes_before_the_others_once(tmp_path, chain, hz):
    path = tmp_path / "song.toml"
    path.write_text(HEAD + chain + TAKE)
    change = add_high_pass(path, ("layer", 0), 40.0)
    change.write()
    assert [one.hz for one in read_recipe(path).recipe.layer[0].chain.high_pass] == hz
    kept = {line for line in (HEAD + chain + TAKE).splitlines() if "high_pass" not in line and "chain =" not in line}
    assert kept <= set(path.read_text().splitlines())
    assert add_high_pass(path, ("layer", 0), 40.0).is_empty


def test_a_take_with_its_own_chain_gets_it_there(tmp_path):
    path = tmp_path / "song.toml"
    path.write_text(HEAD + TAKE + "[layer.take.chain]\nhigh_pass = [{ hz = 90 }]\n")
    change = add_high_pass(path, ("layer", 0, "take", 0), 40.0)
    layer = change.after.recipe.layer[0]
    assert [one.hz for one in layer.take[0].chain.high_pass] == [40, 90]
    assert layer.chain.high_pass == []
