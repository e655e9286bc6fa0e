"""Checked takes beside each other: listen to each once, then say which is misplaced and which plays other notes."""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

from layerpipe.analysis.checked_take import CheckedTake
from layerpipe.analysis.takes_compared.events import events_of
from layerpipe.analysis.takes_compared.notes.compared import WrongNotes, judge_notes
from layerpipe.analysis.takes_compared.notes.profiles import (
    ProfilesInParts,
    TakeProfiles,
    hear_notes,
    note_profiles,
    step_times_s,
)
from layerpipe.analysis.takes_compared.song_offsets import TakePlace, judge_offsets
from layerpipe.analysis.takes_compared.song_takes import ComparedTake, compare_pairs
from layerpipe.core.sound import made_of
from layerpipe.recipe.tempo_map import TempoMap


def compare_checked(takes: Sequence[CheckedTake], muted: Sequence[bool],
                    tempo_map: TempoMap | None) -> tuple[list[TakePlace], list[WrongNotes]]:
    """Compare the takes of a song.

    Parameters
    ----------
    takes : sequence of CheckedTake
    muted : sequence of bool
        Nothing is compared with a muted take.
    tempo_map : TempoMap, optional

    Returns
    -------
    places : list of TakePlace
        One for each take.
    wrong : list of WrongNotes
        Both name takes by their index, as text: titles may be equal.
    """

    def listen(n: int) -> ComparedTake:
        take = takes[n]
        detected = take.heard
        events = events_of(detected, detected.onsets.at_s + take.starts_s)
        cents = take.tuning.cents if take.tuning is not None else 0.0
        profiles: TakeProfiles
        if made_of(take.sound) is None:
            # Nothing is kept of a sound that is only here: its parts would be heard for each pair of takes.
            profiles = note_profiles(take.sound, step_times_s(take.sound), cents)
        else:
            profiles = ProfilesInParts(take.sound, cents)
            take.ask(hear_notes, take.sound, cents)
        return ComparedTake(str(n), take.layer, events, profiles, muted[n], take.starts_s)

    with ThreadPoolExecutor(max(1, min(len(takes), os.cpu_count() or 1))) as pool:
        heard = list(pool.map(listen, range(len(takes))))
    ask = takes[0].ask
    pairs = compare_pairs(heard, tempo_map, ask=ask)
    # Nothing else looks at the harmony of onsets; of long takes it is large.
    heard = [replace(one, events=replace(one.events, chroma=one.events.chroma[:0])) for one in heard]
    return judge_offsets(heard, pairs, tempo_map), judge_notes(heard, pairs, tempo_map, ask=ask)
