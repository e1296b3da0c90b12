"""A choice among ten thousand candidates with every aim asked for, in seconds on two cores."""

from figures import SCALE, figure


@figure("choose-10000-candidates-seconds", at_most=1)
def choose(bench):
    belts = max(1, int(10 * SCALE))
    said = [bench.call("drawer_choices", 10, 20, 5, belts) for _ in range(3)]
    return min(float(line.split()[0]) for line in said) * 10 / belts
