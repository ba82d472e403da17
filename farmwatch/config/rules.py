"""What must hold between the values of a configuration, beyond each value for itself.

The rules read raw tables and skip whatever is not sound, so that one fault does not hide the next.
"""

from __future__ import annotations

import math
from collections.abc import Mapping as AnyMapping
from collections.abc import Sequence
from typing import Any

from farmwatch.config import fields
from farmwatch.config.faults import KeyPath, Notes, Place, shown
from farmwatch.config.settings import LimitsSection, Machine, Mail, Mapping, Pages, Section, ServiceSection
from farmwatch.model import Model
from farmwatch.text import nearest

__all__ = [
    "check_limits", "check_machines", "check_mail", "check_mapping", "check_model", "check_name", "check_person",
    "check_places", "check_serving", "check_webhook",
]  # fmt: skip

MOST_SCREWS = 8
SAME_PLACE_MM = 1.0
# A height there would be the plane drawn out by more than half of what was measured.
FAR_OUTSIDE_SHARE = 0.5

Point = tuple[float, float]
Rectangle = tuple[float, float, float, float]


def check_name(at: KeyPath, name: str, notes: Notes) -> None:
    """The name of a model or a mapping is a name like any other."""
    try:
        fields.name(name)
    except ValueError as error:
        wanted = f"wanted a name of 1 to {fields.LONGEST_NAME} printable characters"
        notes.fault(at, shown(name), f"{error}; {wanted}")


def check_limits(limits: Section | None, notes: Notes) -> None:
    """What is ideal cannot lie above what is usable."""
    if isinstance(limits, LimitsSection) and limits.ideal_mm > limits.usable_mm:
        wanted = f"wanted at most usable_mm, which is {limits.usable_mm:g}"
        notes.fault(("limits", "ideal_mm"), f"{limits.ideal_mm:g}", wanted)


def check_mail(mail: Section | None, notes: Notes) -> None:
    """No password and no report crosses a network in the open."""
    if not isinstance(mail, Mail):
        return
    if mail.security == "none-on-loopback" and not fields.is_loopback(mail.host):
        wanted = 'wanted "starttls" or "tls": without them a mail may only go to this computer itself'
        notes.fault(("mail", "security"), shown(mail.security), wanted)
    if (mail.user is None) != (mail.password is None):
        missing = "password" if mail.password is None else "user"
        notes.fault(("mail", missing), "", "is missing; user and password are given together or not at all")


def check_serving(service: Section | None, pages: Section | None, people: AnyMapping[str, Any], notes: Notes) -> None:
    """Nobody beyond this computer reads or changes anything without a name and a password, or in the open."""
    service = service if isinstance(service, ServiceSection) else ServiceSection.model_validate({})
    for one, other in (("certificate", "key"), ("key", "certificate")):
        if getattr(service, one) is None and getattr(service, other) is not None:
            notes.fault(("service", one), "", "is missing; certificate and key are given together or not at all")
    served = service.certificate is not None and service.key is not None
    if service.behind_proxy and served:
        wanted = "takes the place of certificate and key; leave one of the two out"
        notes.fault(("service", "behind_proxy"), "true", wanted)
    at: KeyPath = ("service", "behind_proxy") if service.behind_proxy and service.on_loopback else ("service", "listen")
    beyond = service.behind_proxy or not service.on_loopback
    got = "true" if at[-1] == "behind_proxy" else shown(service.listen)
    if beyond and not people:
        wanted = "others than this computer can ask then; wanted [people.NAME] with a role and a password for each"
        notes.fault(at, got, wanted)
    if not service.on_loopback and not served and not service.behind_proxy:
        wanted = "beyond this computer wanted certificate and key too, or behind_proxy = true where a proxy speaks TLS"
        notes.fault(at, got, wanted)
    url = pages.url if isinstance(pages, Pages) else None
    if beyond and url is not None and not url.lower().startswith("https:"):
        notes.fault(("pages", "url"), shown(url), "wanted https:// since people sign in beyond this computer")


def check_person(at: KeyPath, raw: object, notes: Notes) -> None:
    """Whoever is named can sign in or read."""
    if isinstance(raw, dict) and not {"password", "token"} & set(raw):
        wanted = 'is missing; wanted "file:PATH" of what `farmwatch password` printed (or a token, for a program)'
        notes.fault((*at, "password"), "", wanted)


# --- models ---------------------------------------------------------------------------------------------------------


def check_model(at: KeyPath, raw: object, notes: Notes) -> None:
    """Screws: two to eight, named apart, one reference, no two at one place, not all in a line; a bed with an area."""
    if not isinstance(raw, dict):
        return
    _check_bed((*at, "bed"), raw.get("bed"), notes)
    _check_stock((*at, "shim_stock_mm"), raw.get("shim_stock_mm"), notes)
    screws = raw.get("screws")
    if not isinstance(screws, list) or not all(isinstance(screw, dict) for screw in screws):
        return
    here = (*at, "screws")
    if not 2 <= len(screws) <= MOST_SCREWS:
        notes.fault(here, f"{len(screws)}", f"wanted two to {MOST_SCREWS} screws")
    _check_reference(here, screws, notes)
    seen: dict[object, int] = {}
    for number, screw in enumerate(screws):
        name = screw.get("name")
        if isinstance(name, str) and seen.setdefault(name, number) != number:
            notes.fault((*here, number, "name"), shown(name), f"screw {seen[name] + 1} has this name too")
    _check_layout(here, [_point(screw.get("at")) for screw in screws], notes)


def _check_reference(here: KeyPath, screws: list[dict[str, Any]], notes: Notes) -> None:
    references = [number for number, screw in enumerate(screws) if screw.get("reference") is True]
    if not references and all(isinstance(screw.get("reference", False), bool) for screw in screws):
        wanted = "none is the reference; wanted reference = true at the one screw that is never turned"
        notes.fault(here, "", wanted)
    for number in references[1:]:
        wanted = f"screw {references[0] + 1} is the reference already; wanted exactly one"
        notes.fault((*here, number, "reference"), "true", wanted)


def _check_layout(here: KeyPath, points: list[Point | None], notes: Notes) -> None:
    together = False
    for number, point in enumerate(points):
        for before, other in enumerate(points[:number]):
            if point and other and math.dist(point, other) < SAME_PLACE_MM:
                together = True
                notes.fault((*here, number, "at"), shown(list(point)), f"screw {before + 1} stands at this place too")
                break
    sound = [point for point in points if point]
    if len(points) >= 3 and len(sound) == len(points) and not together and _in_a_line(sound):
        notes.fault(here, "", "all stand in a line; wanted screws that span an area (two screws may stand in a line)")


def _in_a_line(points: Sequence[Point]) -> bool:
    """Whether every point lies within 1 mm of the line through the two that are farthest apart."""
    _, start, end = max((math.dist(p, q), p, q) for p in points for q in points)
    length = math.dist(start, end)
    return all(
        abs((end[0] - start[0]) * (start[1] - p[1]) - (start[0] - p[0]) * (end[1] - start[1])) / length < SAME_PLACE_MM
        for p in points
    )


def _point(value: object) -> Point | None:
    try:
        x, y = fields.numbers(2, 2)(value)
    except ValueError:
        return None
    return x, y


def _check_bed(at: KeyPath, value: object, notes: Notes) -> None:
    try:
        x0, y0, x1, y1 = fields.numbers(4, 4)(value)
    except ValueError:
        return
    if x1 <= x0 or y1 <= y0:
        notes.fault(at, shown(value), "wanted x0, y0, x1, y1 with x0 < x1 and y0 < y1")


def _check_stock(at: KeyPath, value: object, notes: Notes) -> None:
    try:
        stock = fields.numbers(0)(value)
    except ValueError:
        return
    if any(not 0 < thickness <= 20 for thickness in stock) or len(set(stock)) < len(stock):
        notes.fault(at, shown(value), "wanted different thicknesses above 0, at most 20 mm")


# --- mappings -------------------------------------------------------------------------------------------------------


def check_webhook(raw: object, notes: Notes) -> None:
    """No literal secret in its headers."""
    if isinstance(raw, dict):
        _check_literals(("webhook",), "headers", raw.get("headers"), notes)


def _check_literals(at: KeyPath, kind: str, values: object, notes: Notes) -> None:
    for key, value in values.items() if isinstance(values, dict) else ():
        wrong = fields.literal_fault(kind, key, value)
        if wrong:
            # A name that is no name may be a secret in the wrong place.
            unfit = not fields.named_rightly(kind, key)
            notes.fault(
                (*at, kind) if unfit else (*at, kind, key), "", f"one of its names: {wrong}" if unfit else wrong
            )


def check_mapping(at: KeyPath, raw: object, notes: Notes) -> None:
    """What each layout needs and cannot use; no literal secret; each `also` brings something."""
    if not isinstance(raw, dict):
        return
    for kind in ("headers", "query"):
        _check_literals(at, kind, raw.get(kind), notes)
    if raw.get("answer") == "text":
        _check_text(at, raw, notes)
    elif raw.get("answer", "json") == "json":
        _check_layout_needs(at, raw, notes)
    also = raw.get("also")
    for number, table in enumerate(also if isinstance(also, list) else ()):
        if isinstance(table, dict) and not set(table) - {"path"}:
            notes.fault((*at, "also", number), "", "brings nothing; wanted taken_at, bed_celsius, plate or identity")


_POINTS = ("point_x", "point_y", "point_z")
_NEEDS = {"rows": ("heights", "x", "y"), "flat": ("heights", "columns", "x", "y"), "points": ("heights", *_POINTS)}
_CANNOT_USE = {"rows": ("columns", *_POINTS), "flat": _POINTS, "points": ("columns", "x", "y")}
_IN_JSON_ONLY = ("heights", "columns", *_POINTS, "taken_at", "bed_celsius", "plate", "identity")


def _check_layout_needs(at: KeyPath, raw: dict[str, Any], notes: Notes) -> None:
    layout = raw.get("layout", "rows")
    if layout not in _NEEDS:
        return
    for key in _NEEDS[layout]:
        if key not in raw:
            notes.fault((*at, key), "", f'is missing; layout = "{layout}" needs it')
    for key in _CANNOT_USE[layout]:
        if key in raw:
            notes.fault((*at, key), "", f'layout = "{layout}" has no use for it')
    if layout == "points":
        for key in ("first", "order", "serpentine"):
            if key in raw:
                notes.warn((*at, key), "points carry their own coordinates; this changes nothing")


def _check_text(at: KeyPath, raw: dict[str, Any], notes: Notes) -> None:
    if raw.get("layout", "rows") != "rows":
        notes.fault((*at, "layout"), shown(raw["layout"]), 'answer = "text" is read row by row; wanted "rows"')
    for key in _IN_JSON_ONLY:
        if key in raw:
            more = ", or under also" if key in ("taken_at", "bed_celsius", "plate", "identity") else ""
            notes.fault((*at, key), "", f'answer = "text" has no JSONPath to read it by; leave it out{more}')
    for key in ("x", "y"):
        if key not in raw:
            notes.fault((*at, key), "", 'is missing; answer = "text" needs it')
        elif (isinstance(raw[key], str) and not raw[key].startswith(fields.FILL_IN)) or (
            isinstance(raw[key], list) and any(isinstance(item, str) for item in raw[key])
        ):
            wanted = 'answer = "text" has no JSONPath to read it by; wanted numbers: every coordinate or the two ends'
            notes.fault((*at, key), "", wanted)


# --- machines -------------------------------------------------------------------------------------------------------


Row = AnyMapping[str, Any]


def check_machines(
    rows: Sequence[tuple[Place, Row]], models: Sequence[str], mappings: AnyMapping[str, Any], notes: Notes
) -> None:
    """Names apart; model and mapping known; an address where there is a mapping, and the other way about."""
    seen: dict[str, Place] = {}
    asked: dict[tuple[str, str], str] = {}
    for place, row in rows:
        name, model, mapping, address = (_text(row, key) for key in ("name", "model", "mapping", "address"))
        first = seen.setdefault(name, place) if name else place
        if first is not place:
            notes.fault(place.under("name"), shown(name), f"{_where(first)} has this name too")
        if model is not None:
            _check_known(notes, place, "model", model, models)
        if mapping is not None:
            _check_known(notes, place, "mapping", mapping, list(mappings))
        if "address" in row and "mapping" not in row:
            notes.fault(place.under("mapping"), "", "is missing; a machine with an address needs one")
        elif "mapping" in row and "address" not in row:
            notes.warn(place.under("mapping"), f"{shown(name)} has a mapping and no address: it is never polled")
        elif name and mapping and address and not _names_machine(mappings.get(mapping)):
            other = asked.setdefault((address.rstrip("/").lower(), mapping), name)
            if other != name:
                text = f"{shown(name)} has the address and the mapping of {shown(other)}: are they two machines?"
                notes.warn(place.under("address"), text)


def _names_machine(mapping: object) -> bool:
    """Whether the path of a mapping (as written) tells the machines of one address apart."""
    return isinstance(mapping, dict) and "{machine}" in str(mapping.get("path"))


def _text(row: Row, key: str) -> str | None:
    value = row.get(key)
    return value if isinstance(value, str) else None


def _check_known(notes: Notes, place: Place, key: str, name: str, known: Sequence[str]) -> None:
    if name in known:
        return
    like = nearest(name, known)
    hint = f"did you mean {like}?" if like else (f"known: {', '.join(known)}" if known else f"no {key} is described")
    notes.fault(place.under(key), shown(name), f"no such {key}; {hint}")


def _where(place: Place) -> str:
    if place.line is not None:
        return f"line {place.line}"
    number = place.path[-1]
    return f"[[machines]] number {number + 1}" if isinstance(number, int) else str(number)


# --- screws and the bed they carry ----------------------------------------------------------------------------------


def check_places(
    models: dict[str, Model], mappings: dict[str, Mapping], machines: Sequence[Machine], notes: Notes
) -> None:
    """Warn of a screw far outside the bed, or, where no bed is given, outside a mesh whose numbers are given."""
    for name, model in models.items():
        box, what = model.bed, "the bed"
        if box is None:
            used = sorted({m.mapping for m in machines if m.model == name and m.mapping in mappings} - {None})
            boxes = [(key, _box(mappings[key])) for key in used if key is not None]
            first = next(((key, found) for key, found in boxes if found is not None), None)
            if first is None:
                continue
            what, box = f"the mesh of mapping {first[0]}", first[1]
        _warn_of_far_screws(name, model, box, what, notes)


def _warn_of_far_screws(name: str, model: Model, box: Rectangle | None, what: str, notes: Notes) -> None:
    if box is None:
        return
    x0, y0, x1, y1 = box
    far = FAR_OUTSIDE_SHARE * max(x1 - x0, y1 - y0)
    for number, screw in enumerate(model.screws):
        off = math.hypot(max(x0 - screw.x_mm, 0, screw.x_mm - x1), max(y0 - screw.y_mm, 0, screw.y_mm - y1))
        if off > far:
            text = f"{screw.name} stands {off:.0f} mm outside {what}: is the position in mm from the front left?"
            notes.warn(("models", name, "screws", number, "at"), text)


def _box(mapping: Mapping) -> Rectangle | None:
    spans = []
    for axis in (mapping.x, mapping.y):
        if not isinstance(axis, tuple) or any(isinstance(value, str) for value in axis):
            return None
        spans.append((min(float(v) for v in axis), max(float(v) for v in axis)))
    return spans[0][0], spans[1][0], spans[0][1], spans[1][1]
