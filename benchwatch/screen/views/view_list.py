"""The views of the screen, in the order of their tabs; other forms of a view come last."""

from benchwatch.screen.view import ViewList
from benchwatch.screen.views.elsewhere_view import ELSEWHERE
from benchwatch.screen.views.fill_view import FILL
from benchwatch.screen.views.notes_view import NOTES
from benchwatch.screen.views.stability_view import STABILITY
from benchwatch.screen.views.trim_view import TRIM
from benchwatch.screen.views.warm_up_view import WARM_UP

VIEWS = ViewList((TRIM, WARM_UP, STABILITY, ELSEWHERE, NOTES, FILL))
