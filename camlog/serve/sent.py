"""What the page's script sends for a callback, looked at before Dash and the callback rely on its form."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from typing import Any

import flask
from dash import Dash

from camlog.errors import InputError

CALLBACK_ROUTE = "/_dash-update-component"


def check_sent(app: Dash) -> None:
    """Refuse, with 400, a callback's request whose parts or values are not of the kind that `app` gave the page."""

    def checked() -> flask.Response | None:
        if (flask.request.path, flask.request.method) != (CALLBACK_ROUTE, "POST"):
            return None
        try:
            if _is_right(flask.request.get_json(), app.callback_map):
                return None
        except RecursionError:
            pass  # nested deeper than anything of the page
        return flask.Response("That is not what this page sends. Load it again.\n", 400, mimetype="text/plain")

    app.server.before_request(checked)


def whole_number(text: str | None) -> int | None:
    """A count in a query, such as "12"; None for anything else."""
    return int(text) if text and len(text) <= 15 and text.isascii() and text.isdecimal() else None


def number(value: object, what: str) -> float:
    """A finite number from a value of the page. Raises InputError."""
    try:
        found = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        found = math.nan
    if not math.isfinite(found):
        raise InputError(f"{what} {str(value)[:20]!r} is no number", remedy="Load the page again.")
    return found


# ---------------------------------------------------------------- kinds of values


def _text(value: object) -> bool:
    return isinstance(value, str)


def _count(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _flag(value: object) -> bool:
    return isinstance(value, bool)


def _texts(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(one, str) for one in value)


def _texts_by_name(value: object) -> bool:
    return isinstance(value, dict) and all(isinstance(one, str) for one in value.values())


def _anything(_value: object) -> bool:
    return True


# By property, and by place where that is of another kind. None is right for all but `_NEEDED`.
_KINDS: Mapping[str, Callable[[object], bool]] = {
    "n_clicks": _count,
    "n_submit": _count,
    "n_intervals": _count,
    "pathname": _text,
    "search": _text,
    "value": _text,
    "data": _text,
    "hidden": _flag,
    "children": _anything,  # no callback does more with it than to ask for its type
    "vin.value": _texts,
    "looked.data": _texts,
    "strips-of.data": _texts,
    "replay-strips-of.data": _texts,
    "recording-jobs.data": _texts_by_name,
    "recording-told.data": _texts_by_name,
    "convert-number.data": _count,
}
_NEEDED = frozenset({"recording-name.data", "convert-name.data", "speed.value"})


def _is_right(body: Any, callbacks: Mapping[str, Mapping[str, Any]]) -> bool:
    """Whether a request's JSON is that of one of `callbacks`, as Dash keeps them."""
    if not isinstance(body, dict):
        return False
    output = body.get("output")
    callback = callbacks.get(output) if isinstance(output, str) else None
    if callback is None or "callback" not in callback:
        return False
    inputs, state = body.get("inputs", []), body.get("state", [])
    changed = body.get("changedPropIds", [])
    if not _texts(changed) or not _all_right(inputs, callback["inputs"]) or not _all_right(state, callback["state"]):
        return False
    places = {
        f"{_name(one['id'])}.{one['property']}"
        for given in inputs
        for one in (given if isinstance(given, list) else [given])
    }
    return places.issuperset(changed) and _outputs_right(body.get("outputs"), output, callback)


def _all_right(given: Any, declared: list[dict[str, str]]) -> bool:
    return (
        isinstance(given, list)
        and len(given) == len(declared)
        and all(_one_right(one, place) for one, place in zip(given, declared, strict=True))
    )


def _one_right(given: Any, place: dict[str, str]) -> bool:
    id_, property_ = place["id"], place["property"]
    if id_.startswith("{"):  # as many as the page has: each with an id of its own, of the same keys
        keys = set(json.loads(id_))
        return isinstance(given, list) and all(
            isinstance(one, dict)
            and isinstance(one.get("id"), dict)
            and set(one["id"]) == keys
            and all(_number(value) for value in one["id"].values())
            and one.get("property") == property_
            and _value_right(one.get("value"), property_, id_)
            for one in given
        )
    return (
        isinstance(given, dict)
        and given.get("id") == id_
        and given.get("property") == property_
        and _value_right(given.get("value"), property_, id_)
    )


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e9


def _value_right(value: object, property_: str, id_: str) -> bool:
    place = f"{id_}.{property_}"
    if value is None:
        return place not in _NEEDED
    return _KINDS.get(place, _KINDS[property_])(value)


def _name(id_: str | dict) -> str:
    return id_ if isinstance(id_, str) else json.dumps(id_, sort_keys=True, separators=(",", ":"))


def _outputs_right(given: Any, output: str, callback: Mapping[str, Any]) -> bool:
    """Whether the outputs are those that their common name says: `a.b`, or `..a.b...c.d..`."""
    if callback.get("no_output"):
        return given is None or isinstance(given, list)
    several = output.startswith("..")
    names = output[2:-2].split("...") if several else [output]
    found = given if several else [given]
    return (
        isinstance(found, list)
        and len(found) == len(names)
        and all(
            isinstance(one, dict)
            and [one.get("id"), str(one.get("property")).split("@")[0]] == name.split("@")[0].rsplit(".", 1)
            for one, name in zip(found, names, strict=True)
        )
    )
