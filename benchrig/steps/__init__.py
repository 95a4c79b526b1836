"""The kinds of step, one file each: keys, what they mean, what is looked at before a job, and how it runs.

A new kind is one more file with a class over `benchrig.procedure.step.Step` whose `kind` is its word in a file, and the
test of it. `benchrig.procedure.step.kinds` finds it; nothing else names it.
"""
