"""Linear prediction: Levinson's and Burg's methods, and extrapolation."""

from __future__ import annotations

from layerpipe.core.sound import FloatArray
from layerpipe.dsp.kernels.jit import kernel


@kernel("f8[][] f8 f8[][] f8[]")
def solve_predictors(correlations: FloatArray, ridge: float, predictors: FloatArray, room: FloatArray) -> None:
    """Linear predictors of many frames by Levinson's recursion (Levinson, J. Math. Phys. 25, 1946).

    correlations: (frames, order + 1), lag 0 first, ridge is added to each frame's lag 0; predictors, the result:
    (frames, order + 1), the first is 1; filtering with it leaves the prediction error. room: (2 order + 2,).
    Four partial sums, because one would wait for itself. Everything is read forwards, so that it can be vectorised:
    the lags are reversed in the second half of `room`, the backward predictor moves towards the start of the first.
    """
    frames, order = correlations.shape[0], correlations.shape[1] - 1
    flipped = room[order + 1 :]
    for f in range(frames):
        r = correlations[f]
        a = predictors[f]
        a[:] = 0.0
        a[0] = 1.0
        room[order] = 1.0
        for i in range(order + 1):
            flipped[i] = r[order - i]
        error = r[0] + ridge
        for m in range(1, order + 1):
            lag = flipped[order - m :]
            back = room[order - m :]
            s0, s1, s2, s3 = 0.0, 0.0, 0.0, 0.0
            fours = m // 4
            for four in range(fours):
                j = 4 * four
                s0 += a[j] * lag[j]
                s1 += a[j + 1] * lag[j + 1]
                s2 += a[j + 2] * lag[j + 2]
                s3 += a[j + 3] * lag[j + 3]
            for j in range(4 * fours, m):
                s0 += a[j] * lag[j]
            k = -((s0 + s1) + (s2 + s3)) / error
            for i in range(1, m):
                x = a[i]
                y = back[i]
                a[i] = x + k * y
                back[i] = y + k * x
            a[m] = k
            back[0] = k
            error *= 1.0 - k * k
            if error <= 0.0:
                break


@kernel("f8[] f8[] f8[] f8[]")
def burg_predictor(forward: FloatArray, backward: FloatArray, predictor: FloatArray, room: FloatArray) -> None:
    """Linear predictor of one piece by Burg's method, which needs no window (Burg, 37th SEG meeting, 1967).

    forward, backward: two copies of the piece, both overwritten; predictor, the result: (order + 1,), the first is 1;
    room: (order + 1,). Four partial sums. The backward error is not shifted: frame n of one goes with frame n - m of
    the other.
    """
    order = len(predictor) - 1
    predictor[:] = 0.0
    predictor[0] = 1.0
    for m in range(1, order + 1):
        left = len(forward) - m
        ahead = forward[m:]
        n0, n1, n2, n3 = 0.0, 0.0, 0.0, 0.0
        d0, d1, d2, d3 = 0.0, 0.0, 0.0, 0.0
        fours = left // 4
        for four in range(fours):
            j = 4 * four
            n0 += ahead[j] * backward[j]
            n1 += ahead[j + 1] * backward[j + 1]
            n2 += ahead[j + 2] * backward[j + 2]
            n3 += ahead[j + 3] * backward[j + 3]
            d0 += ahead[j] * ahead[j] + backward[j] * backward[j]
            d1 += ahead[j + 1] * ahead[j + 1] + backward[j + 1] * backward[j + 1]
            d2 += ahead[j + 2] * ahead[j + 2] + backward[j + 2] * backward[j + 2]
            d3 += ahead[j + 3] * ahead[j + 3] + backward[j + 3] * backward[j + 3]
        for j in range(4 * fours, left):
            n0 += ahead[j] * backward[j]
            d0 += ahead[j] * ahead[j] + backward[j] * backward[j]
        power = (d0 + d1) + (d2 + d3)
        if power <= 0.0:
            break
        k = -2.0 * ((n0 + n1) + (n2 + n3)) / power
        for i in range(m):
            room[i] = predictor[i]
        for i in range(1, m):
            predictor[i] = room[i] + k * room[m - i]
        predictor[m] = k
        for j in range(left):
            x = ahead[j]
            y = backward[j]
            ahead[j] = x + k * y
            backward[j] = y + k * x


@kernel("f8[] f8[]")
def extrapolate(predictor: FloatArray, sound: FloatArray) -> None:
    """Extrapolate a sound by linear prediction: frames after the first `order` are written.

    predictor: (order + 1,), the first is 1; sound: (order + frames,).
    """
    order = len(predictor) - 1
    for n in range(order, len(sound)):
        total = 0.0
        for k in range(1, order + 1):
            total += predictor[k] * sound[n - k]
        sound[n] = -total
