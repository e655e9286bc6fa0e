"""The energies of every stem, calculated in one pass over those of the takes and read one stem at a time.

All stems of a long song would fill the memory: past 8 MB they go into a temporary file. The file holds the song piece
by piece; in each piece the stems in their order; of each stem the 10 ms steps in stereo and in mono, then 100 ms hops.
"""

from __future__ import annotations

import tempfile
import weakref
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import IO

import numpy as np

from layerpipe.outputs.bounce.stem import Stem
from layerpipe.render.energies.meter import Energies
from layerpipe.render.energies.mixes import Alone, Mix, measure_mixes_by_piece
from layerpipe.render.energies.readings import Blend
from layerpipe.render.song import ProcessedSong

_HELD_BYTES = 8 << 20
_STEP_BYTES, _HOP_BYTES = 2 * 8, 3 * 8


class StemEnergies(Mapping[str, Blend]):
    """Blends by the path of their stem; each is read from the file when it is looked up.

    Parameters
    ----------
    song : ProcessedSong
    stems : sequence of Stem
        From `write_stems`.
    energies : Energies
        Of the song's layers and takes (and bed).
    spool_folder : Path, optional
        For the temporary file; default: the system's temporary folder.
    """

    def __init__(self, song: ProcessedSong, stems: Sequence[Stem], energies: Energies, *,
                 spool_folder: Path | None = None) -> None:
        self._spool_folder = spool_folder
        self._places = {stem.path: n for n, stem in enumerate(stems)}
        self._mixes, self._energies = _mixes(song, stems), energies
        self._file: IO[bytes] | None = None
        self._pieces: list[tuple[int, int, int]] = []

    def __getitem__(self, path: str) -> Blend:
        file = self._file = self._file or self._calculate()
        place = self._places[path]
        steps, hops = (sum(piece[n] for piece in self._pieces) for n in (1, 2))
        stereo, mono, plain = np.zeros(steps), np.zeros(steps), np.zeros((hops, 3))
        step = hop = 0
        for at, steps, hops in self._pieces:
            size = steps * _STEP_BYTES + hops * _HOP_BYTES
            file.seek(at + place * size)
            numbers = np.frombuffer(file.read(size))
            stereo[step : step + steps] = numbers[:steps]
            mono[step : step + steps] = numbers[steps : 2 * steps]
            plain[hop : hop + hops] = numbers[2 * steps :].reshape(hops, 3)
            step, hop = step + steps, hop + hops
        return Blend(self._energies.rate_hz, 0, stereo, mono, plain)

    def __iter__(self) -> Iterator[str]:
        return iter(self._places)

    def __len__(self) -> int:
        return len(self._places)

    def _calculate(self) -> IO[bytes]:
        """Calculate all stems, piece by piece."""
        file: IO[bytes] = tempfile.SpooledTemporaryFile(  # noqa: SIM115 - closed by a finalizer
            max_size=_HELD_BYTES, dir=str(self._spool_folder) if self._spool_folder else None)
        weakref.finalize(self, file.close)
        for pieces in measure_mixes_by_piece(self._energies, self._mixes):
            self._pieces.append((file.tell(), len(pieces[0][0]), len(pieces[0][2])))
            for piece in pieces:
                for part in piece:
                    file.write(part.tobytes())
        return file


def _mixes(song: ProcessedSong, stems: Sequence[Stem]) -> list[Mix | Alone]:
    """The mix of every stem."""
    takes, layers = iter(range(len(song.takes))), iter(song.layers)
    return [song.mix_of_take(next(takes)) if stem.kind == "take" else
            song.mix([next(layers)] if stem.kind == "layer" else song.layers) for stem in stems]
