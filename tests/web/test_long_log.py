"""A state older than what forecasts remember still opens."""

from __future__ import annotations

from bothheads import session


def test_the_first_of_many_states_opens(fresh):
    with session.open_log(fresh.app.state.desk.log_path) as log:
        last = log.last_state(1)
        for _ in range(125):
            log.add_state(1, drum=last.drum, turns=(), takes=(), reading=last.reading, fit=last.fit)
    assert "state 1," in fresh("GET", "/drums/1/states/1").text
    assert "state 128," in fresh("GET", "/drums/1").text
    assert fresh("GET", "/drums/1/states/129").status == 400
