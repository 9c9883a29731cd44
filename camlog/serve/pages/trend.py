"""One car over time: its drives in the library, since when a figure changed, when it would reach its limit."""

from __future__ import annotations

from camlog.errors import InputError
from camlog.library.compare import trends
from camlog.serve.desk import Desk
from camlog.serve.names import told
from camlog.serve.pages.template import PIECES, Pieces, Sent, Template
from camlog.serve.words import sentence

SHOWN = 200
_PAGE = Template("trend.html")


def layout(desk: Desk, name: str = "") -> str:
    """The page of a car of the library."""
    try:
        with desk.library() as library:
            drives = library.recordings(vehicle=name, most=SHOWN) if library is not None and name else []
            if library is None or not drives:
                return PIECES.trouble(sentence("no_car"), sentence("no_car_kept", car=name))
            try:
                lines, wrong = trends(library, name), ""
            except InputError as error:  # the package that finds changes is not installed
                lines, wrong = [], told(error)
        names = {e.trace_sha256: e.name for e in desk.folder.recordings()}
    except InputError as error:
        return PIECES.trouble(sentence("no_car"), told(error))
    return _PAGE.layout(name, lines, wrong, drives, names)


def pieces(desk: Desk, name: str, sent: Sent) -> Pieces:
    """Nothing of the page changes while it is open."""
    return {}


def act(desk: Desk, name: str, button: str, sent: Sent) -> Pieces:
    """The page has no buttons."""
    return {}
