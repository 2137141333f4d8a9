"""The core that follows: what is heard goes in with its time, what is due comes out. Pure.

Others use the `Follower`; how it knows the count stands in `count`, which part plays in `belief`,
what is planned and wished in `conductor`.
"""

from companion.follow.follower import Follower as Follower
