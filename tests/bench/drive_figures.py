"""Drive answers with intervals against SciPy's brentq with a thousand draws each."""

import numpy
import scipy.optimize

from figures import SCALE, by_rounds, figure, seconds

DRAWS = 1000


def peer_answer(random):
    """One answer the usual way: draw both curves, solve each crossing, take percentiles."""
    a, w0, wx = 4.2e4, 280.0, 260.0
    c0, c1, c2 = 0.15, 2e-3, 6e-6
    ratio = 6.0
    motor = random.normal([a, w0, wx], numpy.array([a, w0, wx]) * 0.01, (DRAWS, 3))
    machine = random.normal([c0, c1, c2], numpy.array([c0, c1, c2]) * 0.01, (DRAWS, 3))
    speeds = numpy.empty(DRAWS)
    for k in range(DRAWS):
        p, q = motor[k], machine[k]

        def spare(w):
            wheel = w / ratio
            return ratio * p[0] / ((w + p[1]) ** 2 + p[2] ** 2) - (
                q[0] + wheel * (q[1] + wheel * q[2]))

        speeds[k] = scipy.optimize.brentq(spare, 0, 3000)
    return numpy.percentile(speeds / ratio, [2.5, 50, 97.5])


@figure("drive-answers/scipy-brentq-1000-draws", at_least=100)
def drive_answers(bench):
    side = max(20, int(200 * SCALE))
    random = numpy.random.default_rng(1)
    return by_rounds(lambda: seconds(lambda: peer_answer(random)) * 1e6,
                     lambda: float(bench.call("drive_answers", side, side, 20).split()[0]), 3)
