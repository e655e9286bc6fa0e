"""The same work by a general-purpose media filter graph: the ffmpeg that comes with imageio-ffmpeg."""

from __future__ import annotations

from pathlib import Path

import imageio_ffmpeg


def words(out: Path, takes: list[Path]) -> list[str]:
    """Command line: two high-passes, compressor, pan, sums; seven files; loudness and true peak of the blend alone."""
    chain = ("highpass=f=40,highpass=f=80,acompressor=threshold=-20dB:ratio=2:attack=10:release=120:knee=2,"
             "volume=-6dB,asplit")
    graph = [f"[{n}]{chain}[t{n}][a{n}]" for n in range(4)]
    graph += [f"[a{n}]pan=stereo|c{n % 2}={1 if n < 2 else 0.35}*c0[p{n}]" for n in range(4)]
    graph += ["[p0][p1]amix=2:normalize=0,asplit[l0][m0]", "[p2][p3]amix=2:normalize=0,asplit[l1][m1]",
              "[m0][m1]amix=2:normalize=0,ebur128=peak=true[b]"]
    out.mkdir(parents=True, exist_ok=True)
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-nostats", "-y"]
    for take in takes:
        command += ["-i", str(take)]
    command += ["-filter_complex", ";".join(graph)]
    for pad in ("t0", "t1", "t2", "t3", "l0", "l1", "b"):
        command += ["-map", f"[{pad}]", "-c:a", "pcm_s24le", str(out / f"{pad}.wav")]
    return command


def encode_words(source: Path, target: Path) -> list[str]:
    """Command line of the encoder alone, as previews use it."""
    return [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-y", "-i", str(source), "-b:a", "256k", str(target)]
