"""The kinds of photograph that can be measured, by name."""

from fitcheck.views.joint import JOINT
from fitcheck.views.pad import PAD
from fitcheck.views.seat import SEAT
from fitcheck.views.sight import SIGHT
from fitcheck.views.view import Scene, View, ViewResult, Wording

VIEWS: dict[str, View] = {
    view.name: view
    for view in (
        SEAT,
        PAD,
        SIGHT,
        JOINT,
    )
}

__all__ = ["VIEWS", "Scene", "View", "ViewResult", "Wording"]
