"""Second-order sections, one or several at a time."""

from __future__ import annotations

from layerpipe.core.sound import FloatArray
from layerpipe.dsp.kernels.jit import kernel


@kernel("f8 f8 f8 f8 f8 f8[] f8[] f8[]")
def run_one_section(b0: float, b1: float, b2: float, a1: float, a2: float,
                    samples: FloatArray, state: FloatArray, out: FloatArray) -> None:
    """One biquad, transposed direct form II, in scipy.signal.sosfilt's order of operations; state is (2,)."""
    z0, z1 = state[0], state[1]
    for n in range(len(samples)):
        x = samples[n]
        y = b0 * x + z0
        z0 = b1 * x - a1 * y + z1
        z1 = b2 * x - a2 * y
        out[n] = y
    state[0], state[1] = z0, z1


@kernel("f8[] f8[] f8[] f8[][] f8[]")
def run_two_sections(first: FloatArray, second: FloatArray, samples: FloatArray, state: FloatArray,
                     out: FloatArray) -> None:
    """Two biquads in series; their latencies overlap. state: (2, 2)."""
    b0, b1, b2, a1, a2 = first[0], first[1], first[2], first[4], first[5]
    c0, c1, c2, d1, d2 = second[0], second[1], second[2], second[4], second[5]
    z0, z1, w0, w1 = state[0, 0], state[0, 1], state[1, 0], state[1, 1]
    for n in range(len(samples)):
        x = samples[n]
        y = b0 * x + z0
        z0 = b1 * x - a1 * y + z1
        z1 = b2 * x - a2 * y
        v = c0 * y + w0
        w0 = c1 * y - d1 * v + w1
        w1 = c2 * y - d2 * v
        out[n] = v
    state[0, 0], state[0, 1], state[1, 0], state[1, 1] = z0, z1, w0, w1


@kernel("f8[] f8[] Af8[][] f8[][] Af8[][]")
def run_two_sections_of_four(first: FloatArray, second: FloatArray, samples: FloatArray, state: FloatArray,
                out: FloatArray) -> None:
    """Two biquads in series for four channels, in the order of operations of `run_two_sections`.

    Four recursions take as long as one, which waits for its own result. samples, out: (4, frames); state: (4, 4).
    """
    b0, b1, b2, a1, a2 = first[0], first[1], first[2], first[4], first[5]
    c0, c1, c2, d1, d2 = second[0], second[1], second[2], second[4], second[5]
    p0, q0, r0, s0 = state[0, 0], state[0, 1], state[0, 2], state[0, 3]
    p1, q1, r1, s1 = state[1, 0], state[1, 1], state[1, 2], state[1, 3]
    p2, q2, r2, s2 = state[2, 0], state[2, 1], state[2, 2], state[2, 3]
    p3, q3, r3, s3 = state[3, 0], state[3, 1], state[3, 2], state[3, 3]
    for n in range(samples.shape[1]):
        x0, x1, x2, x3 = samples[0, n], samples[1, n], samples[2, n], samples[3, n]
        y0, y1, y2, y3 = b0 * x0 + p0, b0 * x1 + p1, b0 * x2 + p2, b0 * x3 + p3
        p0, p1 = b1 * x0 - a1 * y0 + q0, b1 * x1 - a1 * y1 + q1
        p2, p3 = b1 * x2 - a1 * y2 + q2, b1 * x3 - a1 * y3 + q3
        q0, q1, q2, q3 = b2 * x0 - a2 * y0, b2 * x1 - a2 * y1, b2 * x2 - a2 * y2, b2 * x3 - a2 * y3
        v0, v1, v2, v3 = c0 * y0 + r0, c0 * y1 + r1, c0 * y2 + r2, c0 * y3 + r3
        r0, r1 = c1 * y0 - d1 * v0 + s0, c1 * y1 - d1 * v1 + s1
        r2, r3 = c1 * y2 - d1 * v2 + s2, c1 * y3 - d1 * v3 + s3
        s0, s1, s2, s3 = c2 * y0 - d2 * v0, c2 * y1 - d2 * v1, c2 * y2 - d2 * v2, c2 * y3 - d2 * v3
        out[0, n], out[1, n], out[2, n], out[3, n] = v0, v1, v2, v3
    state[0, 0], state[0, 1], state[0, 2], state[0, 3] = p0, q0, r0, s0
    state[1, 0], state[1, 1], state[1, 2], state[1, 3] = p1, q1, r1, s1
    state[2, 0], state[2, 1], state[2, 2], state[2, 3] = p2, q2, r2, s2
    state[3, 0], state[3, 1], state[3, 2], state[3, 3] = p3, q3, r3, s3
