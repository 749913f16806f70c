"""What holds for every test: a usual run draws nothing by chance (see also `seed_kit`)."""

import os

from hypothesis import settings

# No deadline for an example: a busy machine takes longer, and that is no fault.
settings.register_profile(
    "usual", derandomize=not os.environ.get("BENCHWATCH_FRESH_SEEDS"), deadline=None
)
settings.load_profile("usual")
