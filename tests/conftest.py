"""Settings of all tests."""

from hypothesis import settings

# A busy machine makes no test fail: speed is measured in benchmarks, never in a test.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
