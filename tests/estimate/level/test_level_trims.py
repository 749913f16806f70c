"""After a warm-up and after turns u covers the truth, and turns are confirmed as nudges."""

import numpy as np
from trim_quality import trim_quality


def test_u_comes_back_after_a_warm_up_and_turns_are_nudges() -> None:
    """On three made benches u covers the truth, and is not much larger than the error.

    Limits are the project's own; invented data with known truth (`trim_quality`).
    """
    quality = trim_quality(20, 3)

    assert quality.settled.ratio < 4.0
    assert quality.judged.ratio < 2.5
    assert quality.settled.covered > 0.9
    assert quality.judged.covered > 0.9
    assert quality.seen == quality.groups > 5
    assert np.median(quality.late_readings) <= 4.0
    assert quality.false == 0
