"""How tests/bench.sh judges rounds: by the median, and 'noisy' where a round says otherwise."""

from figures import by_rounds, judged, middle

assert judged(1.0, 0.9, None) == ("pass", "")
assert judged(0.8, 0.9, None) == ("short", "")
assert judged([0.7, 0.95, 1.1], 0.9, None) == ("pass", " 0.7..1.1")
assert judged([0.7, 0.8, 0.95], 0.9, None)[0] == "noisy"
assert judged([0.7, 0.8, 0.85], 0.9, None)[0] == "short"
assert judged([3.5, 2.9, 4.0], None, 3)[0] == "noisy"
assert judged([3.5, 3.1, 4.0], None, 3)[0] == "short"
assert middle([3, 1, 2]) == 2

order = []
ratios = by_rounds(lambda: order.append("ours") or 6.0, lambda: order.append("peer") or 2.0, 2)
assert ratios == [3.0, 3.0] and order == ["ours", "peer"] * 2
print("judged as it should be")
