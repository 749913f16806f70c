"""The offset as sound, for someone whose eyes are on the trimmer.

In: a snapshot ten times a second. Out: samples for the loudspeaker, or rings of the bell.

The note shows the side: low, middle or high, a fifth apart. Its pulses show the distance: the
closer, the faster. A held middle note means on target; a ticking middle note means that the side is
not known yet; silence means that there is no current offset.
"""
