"""What the page's script sends for a callback, looked at before Dash and the callback rely on its form."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from typing import Any

import flask
from dash import Dash

from camlog.serve.words import problem, sentence

CALLBACK_ROUTE = "/_dash-update-component"


def check_sent(app: Dash) -> None:
    """Refuse, with 400, a callback's request whose parts or values are not of the kind that `app` gave the page."""

    def check() -> flask.Response | None:
        if (flask.request.path, flask.request.method) != (CALLBACK_ROUTE, "POST"):
            return None
        try:
            right = _is_right(flask.request.get_json(), app.callback_map)
        except RecursionError:
            right = False  # nested deeper than anything of the page
        return None if right else flask.Response(sentence("not_sent_by_page") + "\n", 400, mimetype="text/plain")

    app.server.before_request(check)


def whole_number(text: str | None) -> int | None:
    """A count in a query, such as "12"; None for anything else."""
    return int(text) if text and len(text) <= 15 and text.isascii() and text.isdecimal() else None


def number(value: object, what: str) -> float:
    """A finite number from a value of the page. Raises InputError."""
    try:
        figure = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        figure = math.nan
    if not math.isfinite(figure):
        raise problem("no_number", what=what, value=str(value)[:20])
    return figure


# ---------------------------------------------------------------- kinds of values


def _is_text(value: object) -> bool:
    return isinstance(value, str)


def _is_count(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _are_texts(value: object) -> bool:
    return isinstance(value, list) and all(map(_is_text, value))


def _are_texts_by_name(value: object) -> bool:
    return isinstance(value, dict) and all(map(_is_text, value.values()))


# By property, and by place where that is of another kind. None is right for all but `_NEEDED`.
_KINDS: Mapping[str, Callable[[object], bool]] = {
    "n_clicks": _is_count,
    "n_submit": _is_count,
    "n_intervals": _is_count,
    "pathname": _is_text,
    "search": _is_text,
    "value": _is_text,
    "data": _is_text,
    "hidden": lambda value: isinstance(value, bool),
    "children": lambda value: True,  # no callback does more with it than to ask for its type
    "vin.value": _are_texts,
    "looked.data": _are_texts,
    "strips-of.data": _are_texts,
    "replay-strips-of.data": _are_texts,
    "recording-jobs.data": _are_texts_by_name,
    "recording-told.data": _are_texts_by_name,
    "convert-number.data": _is_count,
}
_NEEDED = frozenset({"job-name.data", "recording-name.data", "convert-name.data", "speed.value"})


def _is_right(body: Any, callbacks: Mapping[str, Mapping[str, Any]]) -> bool:
    """Whether a request's JSON is that of one of `callbacks`, as Dash keeps them."""
    output = body.get("output") if isinstance(body, dict) else None
    callback = callbacks.get(output) if isinstance(output, str) else None
    if callback is None or "callback" not in callback:
        return False
    changed = body.get("changedPropIds", [])
    if not _are_texts(changed) or not all(
        _all_right(body.get(part, []), callback[part], _is_input) for part in ("inputs", "state")
    ):
        return False
    inputs = [one for given in body.get("inputs", []) for one in (given if isinstance(given, list) else [given])]
    places = {f"{_name(one['id'])}.{one['property']}" for one in inputs}
    if not places.issuperset(changed):
        return False
    # The outputs are those that their common name says: `a.b`, or `..a.b...c.d..`.
    outputs = body.get("outputs")
    if callback.get("no_output"):
        return outputs is None or isinstance(outputs, list)
    several = output.startswith("..")
    names = output[2:-2].split("...") if several else [output]
    return _all_right(outputs if several else [outputs], [n.split("@")[0] for n in names], _is_output)


def _all_right(given: Any, declared: list, right: Callable[[Any, Any], bool]) -> bool:
    return isinstance(given, list) and len(given) == len(declared) and all(map(right, given, declared))


def _is_output(given: Any, name: str) -> bool:
    if not isinstance(given, dict):
        return False
    return name.rsplit(".", 1) == [given.get("id"), str(given.get("property")).split("@")[0]]


def _is_input(given: Any, place: Mapping[str, str]) -> bool:
    id_, property_ = place["id"], place["property"]
    if not id_.startswith("{"):
        return isinstance(given, dict) and given.get("id") == id_ and _is_value(given, id_, property_)
    keys = set(json.loads(id_))  # as many as the page has: each with an id of its own, of the same keys
    return isinstance(given, list) and all(
        isinstance(one, dict)
        and isinstance(one.get("id"), dict)
        and set(one["id"]) == keys
        and all(isinstance(v, int | float) and not isinstance(v, bool) and abs(v) < 1e9 for v in one["id"].values())
        and _is_value(one, id_, property_)
        for one in given
    )


def _is_value(given: Mapping[str, Any], id_: str, property_: str) -> bool:
    place, value = f"{id_}.{property_}", given.get("value")
    if given.get("property") != property_ or value is None:
        return given.get("property") == property_ and place not in _NEEDED
    return _KINDS.get(place, _KINDS[property_])(value)


def _name(id_: str | dict) -> str:
    return id_ if isinstance(id_, str) else json.dumps(id_, sort_keys=True, separators=(",", ":"))
