"""The choice as a JSON document."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from layerpipe.analysis.choose.choice import Choice
from layerpipe.outputs.choose.words import figures_of, place_of, reasons, throughout
from layerpipe.recipe.edit.comps import NewPart


def document_of(choices: Sequence[Choice], comps: Sequence[Sequence[Sequence[NewPart]]]) -> dict[str, Any]:
    """The document.

    Parameters
    ----------
    choices : sequence of Choice
    comps : sequence of sequence of sequence of NewPart
        By choice and take.

    Returns
    -------
    dict
        takes (layer, take, passes, play, comp) and pairs (layer, passes by take, score, reasons), the pairs of a double
        best first. Scores are 0 to 100, 100 is best; that of a pass is the one of the best pair it is part of.
    """
    takes, pairs = [], []
    for choice, comp in zip(choices, comps, strict=True):
        for number, opened in enumerate(choice.takes):
            if opened.take.passes:
                takes.append({
                    "layer": choice.layer, "take": opened.take.name,
                    "passes": [_pass(choice, number, k) for k in range(len(choice.passes[number]))],
                    "play": choice.passes[number][choice.played(number)].name,
                    "comp": [part.keys for part in comp[number]]})
        if len(choice.takes) == 2:
            pairs += [{"layer": choice.layer,
                       "passes": {opened.take.name: choice.passes[n][ranked.numbers[n]].name
                                  for n, opened in enumerate(choice.takes)},
                       "score": round(ranked.score, 2), "reasons": reasons(choice, ranked.numbers)}
                      for ranked in choice.ranking]
    return {"takes": takes, "pairs": pairs}


def _pass(choice: Choice, take: int, number: int) -> dict[str, Any]:
    """One pass."""
    one = choice.passes[take][number]
    noise = one.checked.noise
    figures = figures_of(choice, throughout(choice, [number if k == take else 0 for k in range(len(choice.takes))]))
    return {"pass": one.name, "spread_ms": figures.spreads_ms[take], "offset_ms": one.aligned.average_offset_ms,
            "tuning_cents": one.cents, "noise_dbfs": None if noise is None else noise.level_db,
            "faults": [{"kind": fault.kind, "at_s": fault.at_s,
                        "place": None if fault.at_s is None else place_of(choice, fault.at_s)} for fault in one.faults],
            "score": round(choice.score_of_pass(take, number), 2)}
