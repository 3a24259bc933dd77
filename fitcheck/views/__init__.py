"""The kinds of photograph that can be measured, by name."""

from fitcheck.views.seat import SEAT
from fitcheck.views.sight import SIGHT
from fitcheck.views.view import Scene, View, ViewResult

VIEWS: dict[str, View] = {
    view.name: view
    for view in (
        SEAT,
        SIGHT,
    )
}

__all__ = ["VIEWS", "Scene", "View", "ViewResult"]
