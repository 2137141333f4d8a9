"""Lines through ticks: running sums over their times, and the best line or curve. Pure arithmetic.

The sums are whole numbers, so nothing is lost to rounding however long the night, and the sums of
any latest stretch are one subtraction. Places on a line are counted from its latest tick: -1 is
the tick before. Source: least squares by orthogonal polynomials, as in any text on regression.
"""

from __future__ import annotations

# Ticks whose sums are kept: the longest line, and what may have to be taken back.
RING = 256
MASK = RING - 1
# A curve is followed no further than a bar of 4/4 ahead.
AHEAD = 96

# A line or curve at its latest tick: the time there in ns, the period in ns a tick, and half the
# change of the period a tick.
Line = tuple[float, float, float]


class Sums:
    """Running sums over the times (ns) of ticks numbered from 1; remembers the latest ones."""

    __slots__ = ("n", "s0", "s1", "s2", "squares")

    def __init__(self) -> None:
        self.n = 0
        # Sums up to each tick of the time, of it times the number, and times its square.
        self.s0 = [0] * RING
        self.s1 = [0] * RING
        self.s2 = [0] * RING
        self.squares = [0] * RING

    def put(self, t: int) -> None:
        """Add the next tick's time."""
        last = self.n & MASK
        n = self.n + 1
        i = n & MASK
        self.s0[i] = self.s0[last] + t
        nt = n * t
        self.s1[i] = self.s1[last] + nt
        self.s2[i] = self.s2[last] + n * nt
        self.squares[i] = self.squares[last] + t * t
        # Last, so that whoever reads meanwhile finds whole sums.
        self.n = n

    def replace(self, times: list[int]) -> None:
        """Put these times in the place of as many latest ones."""
        self.n -= len(times)
        for t in times:
            self.put(t)

    def latest(self, count: int) -> list[int]:
        """The latest `count` times, oldest first."""
        s0 = self.s0
        return [s0[k & MASK] - s0[(k - 1) & MASK] for k in range(self.n - count + 1, self.n + 1)]

    def line(self, count: int, curved: bool = False) -> Line:
        """The line of least squares through the latest `count` ticks, or the parabola.

        Through a single tick it has period 0; through fewer than six it is always straight.
        """
        n = self.n
        i, j = n & MASK, (n - count) & MASK
        t0 = self.s0[i] - self.s0[j]
        if count < 2:
            return float(t0), 0.0, 0.0
        d1 = self.s1[i] - self.s1[j]
        size = count * count - 1
        end = count - 1
        # The place u = -end ... end, in steps of 2, has mean 0.
        c1 = 3 * (2 * (d1 - n * t0) + end * t0) / (count * size)
        if not curved or count < 6:
            return t0 / count + c1 * end, 2 * c1, 0.0
        d2 = self.s2[i] - self.s2[j]
        u2 = 4 * (d2 - 2 * n * d1 + n * n * t0) + 4 * end * (d1 - n * t0) + end * end * t0
        c2 = 15 * (3 * u2 - size * t0) / (4 * count * size * (size - 3))
        at = t0 / count + c1 * end + c2 * (end * end - size / 3)
        return at, 2 * (c1 + 2 * c2 * end), 4 * c2

    def residual(self, count: int, curve: float = 0.0) -> float:
        """Sum of squares (ns^2) of the latest `count` ticks about their line.

        `curve` is that of their parabola, if it is the parabola that is meant.
        """
        n = self.n
        i, j = n & MASK, (n - count) & MASK
        t0 = self.s0[i] - self.s0[j]
        u1 = 2 * (self.s1[i] - self.s1[j] - n * t0) + (count - 1) * t0
        # count (count^2 - 1) times the sum of squares, exactly.
        size = count * count - 1
        whole = size * (count * (self.squares[i] - self.squares[j]) - t0 * t0) - 3 * u1 * u1
        return max(0.0, whole / (count * size) - curve * curve * parabola(count))


def parabola(count: int) -> float:
    """Sum of squares of x^2 over `count` ticks, less what a line takes up of it."""
    size = count * count - 1
    return count * size * (size - 3) / 180


def width(sums: Sums, count: int, line: Line) -> float:
    """Width of the strip along the line that holds all the latest `count` ticks, in ns."""
    at, period, curve = line
    offs = [
        t - (at - period * back + curve * back * back)
        for back, t in enumerate(reversed(sums.latest(count)))
    ]
    return max(offs) - min(offs)


def scatter(times: list[int]) -> float:
    """Variance (ns^2) of three or more times about a line of their own."""
    sums = Sums()
    for t in times:
        sums.put(t)
    return sums.residual(sums.n) / (sums.n - 2)


def along(line: Line, ticks: int) -> float:
    """The time on the line so many ticks (0 or more) after its latest."""
    at, period, curve = line
    bent = min(ticks, AHEAD)
    return at + period * bent + curve * bent * bent + (period + 2 * curve * bent) * (ticks - bent)
