"""What probes are told about a worker."""

from analytics.pulse import Pulse


def test_a_worker_is_ready_after_its_first_step_until_the_database_goes() -> None:
    pulse = Pulse()
    assert pulse.not_alive() == ""
    assert "starting" in pulse.not_ready()
    pulse.beat()
    assert pulse.not_ready() == ""
    pulse.lost("the database does not answer")
    assert pulse.not_ready() == "the database does not answer"
    assert pulse.not_alive() == ""
    pulse.beat()
    assert pulse.not_ready() == ""


def test_a_worker_that_takes_no_step_is_not_alive() -> None:
    pulse = Pulse(stuck_after_s=0.0)
    pulse.beat()
    assert "no step for" in pulse.not_alive()
    assert pulse.not_ready() == pulse.not_alive()
