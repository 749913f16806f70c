"""The offset as sound, for someone whose eyes are on the trimmer.

In: a snapshot ten times a second. Out: samples for the loudspeaker, or rings of the bell.

The note shows the side: low, middle, high, a fifth apart. Its pulses show the distance: the
closer, the quicker. The middle note held means on target; the middle note ticking means that the
side is unknown yet; silence means that no number is current.
"""
