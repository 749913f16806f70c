"""All that is worked out from one counter's readings under one nominal, side by side."""

from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.estimate.results import Numbers, SettleLimit
from benchwatch.estimate.settle.warm_up_fit import WarmUpFit
from benchwatch.pipeline.history import History
from benchwatch.pipeline.slow_statistics import StabilityTracker
from benchwatch.pipeline.trim_tracker import TrimTracker
from benchwatch.reading import Gap, Reading
from benchwatch.snapshot import StabilityNow, Trace, TrimNow
from benchwatch.staleness import ReadingSpacing


class Analysis:
    """Readings and gaps in, numbers and trace out.

    Args:
        nominal_hz: of all of the readings; nan while it is unknown.
        tolerance: limit of the offset (fractional), None when none was asked for.
        settle: what settled means, None when not asked for.
    """

    def __init__(
        self, nominal_hz: float, tolerance: float | None, settle: SettleLimit | None
    ) -> None:
        self.nominal_hz, self._tolerance, self._settle = nominal_hz, tolerance, settle
        self.trimming = TrimTracker(tolerance, settle)
        self._buffer = History()
        self._estimate = LiveEstimate(tolerance=tolerance, settle=settle)
        self._deviations = StabilityTracker()
        self._spacing = ReadingSpacing()

    def under(self, nominal_hz: float, *, has_turned: bool) -> "Analysis":
        """Begin anew for the same oscillator under another nominal.

        What touches of the tool showed, and where it is, holds under any nominal near by.

        Args:
            nominal_hz: the other one.
            has_turned: somebody has turned already, or as found is on record: it can't be measured
                any more, and must not be kept by itself.
        """
        anew = Analysis(nominal_hz, self._tolerance, self._settle)
        was = self.trimming
        anew.trimming.resume(was.samples, None, known=has_turned, tool_on=was.tool.on)
        return anew

    @property
    def numbers(self) -> Numbers:
        """What the live estimate said last."""
        return self._estimate.numbers

    @property
    def spacing_s(self) -> float | None:
        """The usual time between two readings."""
        return self._spacing.usual_s

    def add(self, reading: Reading) -> tuple[Numbers, TrimNow]:
        """Take a reading; return what it makes of the numbers and of the turning."""
        elapsed_s, offset = reading.elapsed_s, reading.offset
        self._buffer.add(elapsed_s, offset)
        self._spacing.reading(elapsed_s)
        numbers = self._estimate.add(
            elapsed_s,
            offset,
            gate_s=reading.gate_s,
            resolution=reading.resolution_hz / self.nominal_hz if self.nominal_hz > 0 else 0.0,
        )
        trim = self.trimming.add(elapsed_s, offset, numbers)
        self._deviations.add(elapsed_s, offset, numbers)
        return numbers, trim

    def gap(self, gap: Gap, *, other_scale: bool = False) -> tuple[Numbers, TrimNow]:
        """Take `gap`; return what is left.

        Args:
            gap: readings are missing, or, with no length, there is a change between two of them.
            other_scale: the readings after it can't be compared with those before.
        """
        self._buffer.gap(gap.lasted_s)
        self._spacing.gap()
        goes_on = self._estimate.gap(None if other_scale else gap.lasted_s)
        self._deviations.gap(None if other_scale else gap.lasted_s)
        return self._estimate.numbers, self.trimming.gap(goes_on=goes_on)

    def touch(self, at_s: float, *, on: bool) -> TrimNow:
        """The operator says at `at_s` that the tool is on the trimmer, or off."""
        self._estimate.touch(at_s)
        return self.trimming.touch(at_s, self._estimate.numbers, on=on)

    def set_limits(self, tolerance: float | None, settle: SettleLimit | None) -> None:
        """Take new limits; nothing that was measured is lost."""
        self._tolerance, self._settle = tolerance, settle
        self._estimate.set_limits(tolerance, settle)
        self.trimming.set_limits(tolerance, settle)

    def trace(self, span_s: float, points: int) -> Trace:
        """Return the last `span_s` seconds in at most `points` points, nan at gaps."""
        return self._buffer.trace(span_s, points)

    def warm_up_fit(self) -> WarmUpFit | None:
        """The exponential that the oscillator comes in on; None when it shows none."""
        return self._estimate.warm_up_fit()

    def stability(self) -> StabilityNow:
        """Work out the deviations so far, and the dither of the last minute; takes a while."""
        return self._deviations.now(self._buffer)
