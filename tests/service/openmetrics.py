"""A strict reader of OpenMetrics text, written from the published specification and knowing nothing of who writes it.

R. Hartmann, B. Kochie, B. Brazil, R. Skillington, "OpenMetrics, a cloud-native, highly scalable metrics protocol", IETF
draft-richih-opsawg-openmetrics-00, 2020: section 4.1 (ABNF), 4.2 (metric families) and 5 (types). From memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

__all__ = ["Family", "read"]

NAME = r"[a-zA-Z_:][a-zA-Z0-9_:]*"
LABEL = r"[a-zA-Z_][a-zA-Z0-9_]*"
VALUE = r'"((?:[^"\\\n]|\\[n"\\])*)"'
NUMBER = (
    r"[-+]?(?:[0-9]+(?:\.[0-9]*)?(?:[eE][-+]?[0-9]+)?|\.[0-9]+(?:[eE][-+]?[0-9]+)?|[iI][nN][fF](?:inity)?|[nN]a[nN])"
)
SAMPLE = re.compile(rf"({NAME})(?:\{{({LABEL}={VALUE}(?:,{LABEL}={VALUE})*)?\}})? ({NUMBER})(?: ([-+]?[0-9.]+))?")
META = re.compile(rf"# (TYPE|UNIT|HELP) ({NAME}) (.*)")
TYPES = ("unknown", "gauge", "counter", "stateset", "info", "histogram", "gaugehistogram", "summary")
SUFFIXES = {"counter": ("_total", "_created"), "info": ("_info",), "gauge": ("",), "stateset": ("",), "unknown": ("",)}


@dataclass
class Family:
    kind: str = "unknown"
    unit: str = ""
    help: str = ""
    samples: dict[tuple[str, tuple[tuple[str, str], ...]], float] = field(default_factory=dict)


def read(text: str) -> dict[str, Family]:
    """The families by name; raises AssertionError for whatever the specification forbids."""
    assert text.endswith("# EOF\n"), "the exposition must end with EOF and a line feed"
    families: dict[str, Family] = {}
    seen: set[tuple[str, str]] = set()
    current = ""
    for line in text[: -len("# EOF\n")].splitlines():
        assert line, "empty lines are not allowed"
        if line.startswith("#"):
            match = META.fullmatch(line)
            assert match, f"no metadata: {line}"
            what, name, rest = match.groups()
            assert (what, name) not in seen, f"{what} of {name} twice"
            seen.add((what, name))
            if name != current:
                assert name not in families, f"{name}: families must not be interleaved"
                families[name], current = Family(), name
            assert not families[name].samples, "metadata comes before the samples"
            _note(families[name], name, what, rest)
        else:
            _take(families, current, line)
    return families


def _note(family: Family, name: str, what: str, rest: str) -> None:
    if what == "TYPE":
        assert rest in TYPES, rest
        family.kind = rest
    elif what == "UNIT":
        assert name.endswith(f"_{rest}"), f"{name} must end in its unit {rest}"
        family.unit = rest
    else:
        assert re.fullmatch(r'(?:[^\\\n"]|\\[n"\\])*', rest), f"HELP not escaped: {rest}"
        family.help = rest


def _take(families: dict[str, Family], current: str, line: str) -> None:
    match = SAMPLE.fullmatch(line)
    assert match, f"no sample: {line}"
    name, labels, value = match.group(1), match.group(2) or "", float(match.group(5))
    family = families[current]
    pairs = tuple(re.findall(rf"({LABEL})={VALUE}", labels))
    assert name in [current + suffix for suffix in SUFFIXES[family.kind]], f"{name} does not belong to {current}"
    assert len({key for key, _ in pairs}) == len(pairs), f"a label twice: {line}"
    assert not [key for key, _ in pairs if key.startswith("__")], line
    key = (name, tuple(sorted(pairs)))
    assert key not in family.samples, f"twice: {line}"
    if family.kind == "counter":
        assert value >= 0, line
        assert value == value, line
    if family.kind == "info":
        assert value == 1, line
        assert not family.unit
    if family.kind == "stateset":
        assert value in (0, 1), line
        assert [k for k, _ in pairs].count(current) == 1, f"a state set has a label of its own name: {line}"
        assert not family.unit
    family.samples[key] = value
