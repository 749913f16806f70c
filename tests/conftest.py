"""What holds for every test: a usual run draws nothing by chance (see also `seed_kit`)."""

import os

from hypothesis import settings

settings.register_profile("usual", derandomize=not os.environ.get("BENCHWATCH_FRESH_SEEDS"))
settings.load_profile("usual")
