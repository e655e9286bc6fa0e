"""Linear predictors: what a sound foretells of itself."""

from __future__ import annotations

from layerpipe.dsp.kernels import kernel
from layerpipe.sound import FloatArray


@kernel
def solve_predictors(correlations: FloatArray, ridge: float, predictors: FloatArray, room: FloatArray) -> None:
    """Linear predictors of many frames by Levinson's recursion (Levinson, J. Math. Phys. 25, 1946).

    correlations: (frames, order + 1), lag 0 first, ridge is added to each frame's lag 0; predictors, the result:
    (frames, order + 1), the first is 1, the rest turn a sound into what could not be foretold. room: (order + 1,).
    Sums run in four lanes, because one lane waits for itself.
    """
    frames, order = correlations.shape[0], correlations.shape[1] - 1
    for f in range(frames):
        r = correlations[f]
        a = predictors[f]
        a[:] = 0.0
        a[0] = 1.0
        error = r[0] + ridge
        for m in range(1, order + 1):
            s0, s1, s2, s3 = 0.0, 0.0, 0.0, 0.0
            j = 0
            while j + 4 <= m:
                s0 += a[j] * r[m - j]
                s1 += a[j + 1] * r[m - j - 1]
                s2 += a[j + 2] * r[m - j - 2]
                s3 += a[j + 3] * r[m - j - 3]
                j += 4
            while j < m:
                s0 += a[j] * r[m - j]
                j += 1
            k = -((s0 + s1) + (s2 + s3)) / error
            for i in range(m):
                room[i] = a[i]
            for i in range(1, m):
                a[i] = room[i] + k * room[m - i]
            a[m] = k
            error *= 1.0 - k * k
            if error <= 0.0:
                break


@kernel
def burg_predictor(forward: FloatArray, backward: FloatArray, predictor: FloatArray, room: FloatArray) -> None:
    """Linear predictor of one piece by Burg's method, which needs no window (Burg, 37th SEG meeting, 1967).

    forward, backward: the piece twice, both are used up; predictor, the result: (order + 1,), the first is 1; room:
    (order + 1,). Sums run in four lanes.
    """
    order = len(predictor) - 1
    length = len(forward)
    predictor[:] = 0.0
    predictor[0] = 1.0
    for m in range(1, order + 1):
        n0, n1, n2, n3 = 0.0, 0.0, 0.0, 0.0
        d0, d1, d2, d3 = 0.0, 0.0, 0.0, 0.0
        n = m
        while n + 4 <= length:
            n0 += forward[n] * backward[n - 1]
            n1 += forward[n + 1] * backward[n]
            n2 += forward[n + 2] * backward[n + 1]
            n3 += forward[n + 3] * backward[n + 2]
            d0 += forward[n] * forward[n] + backward[n - 1] * backward[n - 1]
            d1 += forward[n + 1] * forward[n + 1] + backward[n] * backward[n]
            d2 += forward[n + 2] * forward[n + 2] + backward[n + 1] * backward[n + 1]
            d3 += forward[n + 3] * forward[n + 3] + backward[n + 2] * backward[n + 2]
            n += 4
        while n < length:
            n0 += forward[n] * backward[n - 1]
            d0 += forward[n] * forward[n] + backward[n - 1] * backward[n - 1]
            n += 1
        power = (d0 + d1) + (d2 + d3)
        if power <= 0.0:
            break
        k = -2.0 * ((n0 + n1) + (n2 + n3)) / power
        for i in range(m):
            room[i] = predictor[i]
        for i in range(1, m):
            predictor[i] = room[i] + k * room[m - i]
        predictor[m] = k
        # Stored shifted by one, so that both sides stay where they are read.
        for i in range(length - 1, m - 1, -1):
            ahead = forward[i]
            behind = backward[i - 1]
            forward[i] = ahead + k * behind
            backward[i] = behind + k * ahead


@kernel
def go_on(predictor: FloatArray, sound: FloatArray) -> None:
    """Let a sound ring on as it is foretold: the frames past the first `order` are written.

    predictor: (order + 1,), the first is 1; sound: (order + frames,).
    """
    order = len(predictor) - 1
    for n in range(order, len(sound)):
        total = 0.0
        for k in range(1, order + 1):
            total += predictor[k] * sound[n - k]
        sound[n] = -total
