"""The offset as sound, for someone whose eyes are on the trimmer.

In: a snapshot ten times a second. Out: samples for the loudspeaker, or rings of the bell.

A note says the side: low, middle, high, a fifth apart. Pulses say the
distance: the closer, the quicker. The middle note held is on target; the middle note ticking
is "can't tell yet, wait"; silence means that no number is current.
"""
