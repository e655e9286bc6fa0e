"""Takes beside each other over seconds: which onsets belong together, how far apart takes are, which notes differ.

One function for each question, in the order they are asked:

- `events.events_of(heard)` and `profiles.ProfilesInParts(sound, tuned_cents)`: what a take is compared by.
  Both depend on the take alone and can be kept.
- `song_takes.compare_pairs(takes, tempo_map)`: each pair of takes that is worth comparing, once.
- `song_offsets.judge_offsets(takes, pairs, tempo_map)`: which take is misplaced, by how much, and its `shift_ms`.
- `notes.compared.judge_notes(takes, pairs, tempo_map)`: which take plays other notes, in which bars.
"""
