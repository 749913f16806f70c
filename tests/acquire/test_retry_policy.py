"""How long a reading may take until it is overdue."""

from benchwatch.acquire.retry_policy import UNKNOWN_GATE_TIMEOUT_S, RetryPolicy


def test_without_a_gate_a_reading_may_take_three_times_the_longest_pace() -> None:
    """The wait for the first one, until the signal was connected, is no pace once there is one."""
    policy = RetryPolicy(margin_s=1.5)
    before_any = policy.timeout_s(None)
    policy.succeeded(20.0)
    after_first = policy.timeout_s(None)
    policy.succeeded(1.0)
    after_second = policy.timeout_s(None)
    policy.succeeded(2.0)
    policy.succeeded(1.0)

    assert (before_any, after_first) == (UNKNOWN_GATE_TIMEOUT_S, 61.5)
    assert (after_second, policy.timeout_s(None)) == (4.5, 7.5)


def test_a_pause_after_a_failure_is_no_pace() -> None:
    """A reading after failed tries came later than the counter's pace."""
    policy = RetryPolicy(margin_s=1.5)
    policy.succeeded(1.0)
    policy.succeeded(1.0)
    policy.failed()
    policy.succeeded(60.0)

    assert policy.timeout_s(None) == 4.5


def test_a_known_gate_decides_alone() -> None:
    """The gate and the margin, or a tenth of a long gate."""
    policy = RetryPolicy(margin_s=1.5)
    policy.succeeded(9.0)

    assert policy.timeout_s(1.0) == 2.5
    assert policy.timeout_s(100.0) == 110.0
