"""A read-only page for the tablet beside the bench or the next room: what runs, how far off, what is wrong.

It shows and never acts: there is no route that changes anything. See `state` (pure) and `server`.
"""
