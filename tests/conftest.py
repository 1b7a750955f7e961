"""What holds for all tests: no property is judged by the clock of the machine that it happens to run on."""

from hypothesis import settings

settings.register_profile("any machine", parent=settings.default, deadline=None)
settings.load_profile("any machine")
