"""The views of the screen, in the order of their tabs; other forms of a view come last."""

from benchwatch.screen.view import ViewList
from benchwatch.screen.views.bench_view import BENCH_VIEW
from benchwatch.screen.views.chain_view import CHAIN_VIEW
from benchwatch.screen.views.elsewhere_view import ELSEWHERE_VIEW
from benchwatch.screen.views.fill_view import FILL_VIEW
from benchwatch.screen.views.notes_view import NOTES_VIEW
from benchwatch.screen.views.stability_view import STABILITY_VIEW
from benchwatch.screen.views.trim_view import TRIM_VIEW
from benchwatch.screen.views.warm_up_view import WARM_UP_VIEW

VIEWS = ViewList(
    (
        BENCH_VIEW,
        TRIM_VIEW,
        WARM_UP_VIEW,
        STABILITY_VIEW,
        ELSEWHERE_VIEW,
        NOTES_VIEW,
        CHAIN_VIEW,
        FILL_VIEW,
    )
)
