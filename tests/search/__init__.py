"""The check from outside: an instrument of its own, stories, a search over states, nights.

Written against the words of docs/setlist.md and docs/faults.md and the contract of
`companion.follow` alone: `Follower` as it is called from outside, never what is inside of it.
"""
