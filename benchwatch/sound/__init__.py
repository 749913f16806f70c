"""Hearing the offset while the eyes are on the trimmer.

The language is small. A note says the side: low, middle, high, a fifth apart. Pulses say the
distance: the closer, the quicker. The middle note held is on target; the middle note ticking
is "can't tell yet, wait"; silence means that no number is current.
"""
