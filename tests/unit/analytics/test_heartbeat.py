"""What probes are told about a worker."""

from analytics.worker import Heartbeat


def test_a_worker_is_ready_after_its_first_step_until_the_database_goes() -> None:
    heartbeat = Heartbeat()
    assert heartbeat.not_alive() == ""
    assert "starting" in heartbeat.not_ready()
    heartbeat.beat()
    assert heartbeat.not_ready() == ""
    heartbeat.lost("the database does not answer")
    assert heartbeat.not_ready() == "the database does not answer"
    assert heartbeat.not_alive() == ""
    heartbeat.beat()
    assert heartbeat.not_ready() == ""


def test_a_worker_that_takes_no_step_is_not_alive() -> None:
    heartbeat = Heartbeat(stuck_after_s=0.0)
    heartbeat.beat()
    assert "no step for" in heartbeat.not_alive()
    assert heartbeat.not_ready() == heartbeat.not_alive()
