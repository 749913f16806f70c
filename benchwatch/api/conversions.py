"""What an offset becomes at other frequencies."""

from collections.abc import Iterable

from benchwatch.api.quantities import Fraction, Frequency, fraction, hertz
from benchwatch.estimate.derived_frequencies import Elsewhere, elsewhere


def offset_elsewhere(
    offset: Fraction,
    nominal: Frequency,
    at: Frequency | Iterable[Frequency],
    *,
    u: Fraction | None = None,
) -> tuple[Elsewhere, ...]:
    """Return an offset of an oscillator at each of the frequencies that are derived from it.

    Hertz follow the frequency, the fraction stays (IEEE Std 1139-2008, clause 2).

    Args:
        offset: fractional, or text such as ``2.4ppb`` or ``-24mHz``.
        nominal: frequency of the oscillator.
        at: the frequency, or the frequencies, at which it is used.
        u: standard uncertainty of the offset; None: not known.

    Raises:
        UsageError: a quantity can't be read, or a frequency is not above zero.
    """
    own = hertz(nominal)
    others = list(at) if isinstance(at, Iterable) and not isinstance(at, str) else [at]
    known = None if u is None else abs(fraction(u, own))
    return elsewhere(
        fraction(offset, own), float(own), [float(hertz(one)) for one in others], known
    )
