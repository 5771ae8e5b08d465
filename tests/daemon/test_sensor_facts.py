"""What a light sensor's profile says of the sensor, and what the bench makes of it."""

import pytest
from lampwarden.daemon.sensor_facts import SensorFacts
from lampwarden.protocol.errors import ConfigurationError
from support.benches import bench_config


def test_sensor_slower_than_the_longest_wait_is_refused_at_the_start() -> None:
    config = bench_config()
    facts = SensorFacts(response_time_s=40.0)
    with pytest.raises(ConfigurationError, match="takes 200 s to settle, longer than 180 s"):
        facts.settled(config)
    assert SensorFacts(response_time_s=6.0).settled(config) is config, "30 s are enough"


def test_settle_time_becomes_five_time_constants() -> None:
    """A first-order lag leaves e⁻⁵ of a step."""
    config = SensorFacts(response_time_s=8.0).settled(bench_config())
    assert config.procedure.settle_minimum_s == 40.0
    assert config.procedure.settle_longest_s == 180.0
