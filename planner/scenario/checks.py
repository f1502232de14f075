"""Do the parts of a scenario agree: names are unique, what is named exists, each row can be served.

Each check looks at what the user wrote, part by part, and keeps silent where
another problem already makes the answer uncertain. What stands where and fits
on the array is checked in ``standing``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from planner.errors import Problem
from planner.scenario.messages import Loc, among, shown
from planner.scenario.parts import Item
from planner.scenario.tables import StarTable

NAMED = {
    "telescope_class": "telescope class",
    "telescope": "telescope",
    "station": "station",
    "delay_line": "delay line",
    "combiner": "combiner",
    "configuration": "configuration",
    "routing_mode": "routing mode",
    "path_segment": "path segment",
    "fringe_tracker": "fringe tracker",
    "beam_sensor": "beam-position sensor",
    "internal_calibration": "internal calibration",
    "reserved": "reserved time",
    "program": "program",
}
# Keys of a table that name something of another kind.
REFERENCES = (
    ("telescope", "telescope_class", "telescope_class"),
    ("telescope", "station", "station"),
    ("station", "telescope_classes", "telescope_class"),
    ("delay_line", "stations", "station"),
    ("combiner", "limiting_magnitude", "telescope_class"),
    ("configuration", "placement", "station"),
    ("night", "configuration", "configuration"),
    ("request", "telescopes", "telescope"),
    ("combiner", "further_limits", "telescope_class"),
    ("combiner", "routing_modes", "routing_mode"),
    ("combiner", "fringe_tracker", "fringe_tracker"),
    ("combiner", "beam_sensor", "beam_sensor"),
    ("routing_mode", "compression", "telescope_class"),
    ("routing_mode", "inputs", "delay_line"),
    ("path_segment", "stations", "station"),
    ("spectral_setup", "combiner", "combiner"),
    ("spectral_setup", "limiting_magnitude", "telescope_class"),
    ("spectral_setup", "further_limits", "telescope_class"),
    ("combiner", "brightest_magnitude", "telescope_class"),
    ("spectral_setup", "brightest_magnitude", "telescope_class"),
    ("fringe_tracker", "brightest_magnitude", "telescope_class"),
    ("beam_sensor", "brightest_magnitude", "telescope_class"),
    ("fringe_tracker", "group_delay_limit", "telescope_class"),
    ("fringe_tracker", "phase_limit", "telescope_class"),
    ("beam_sensor", "limiting_magnitude", "telescope_class"),
    ("internal_calibration", "combiners", "combiner"),
    ("reserved", "telescopes", "telescope"),
)
# Tables in which the keys are the names, and tables of such tables.
KEYS_ARE_NAMES = {
    "limiting_magnitude",
    "brightest_magnitude",
    "compression",
    "inputs",
    "group_delay_limit",
    "phase_limit",
}
INNER_KEYS_ARE_NAMES = {"further_limits"}


@dataclass(frozen=True)
class Draft:
    """Everything that was read, sound or not.

    Parameters
    ----------
    files : mapping
        Name of the file of each role: array, targets, calibrators, history.
    sections : mapping
        Items of each table of the TOML files; None (or no entry) where they could not be read.
    tables : mapping
        The star tables that could be read, by role.
    rows : mapping
        The items of these, and of the history.
    warnings : tuple of Problem
        What was read although it is odd.
    """

    files: Mapping[str, str]
    sections: Mapping[str, tuple[Item, ...] | None]
    tables: Mapping[str, StarTable]
    rows: Mapping[str, tuple[Item, ...]]
    warnings: tuple[Problem, ...] = ()

    def items(self, kind: str) -> tuple[Item, ...]:
        """Return what was read of a kind of table, nothing when it could not be read."""
        return self.sections.get(kind) or ()

    def names(self, kind: str) -> list[str] | None:
        """Return the names of a kind; None when some name could not be read."""
        return _all_names(self.sections.get(kind), "name")

    def star_names(self, role: str) -> list[str] | None:
        """Return the names in a star table; None when some name could not be read."""
        return _all_names(self.rows.get(role), "name")


def _all_names(items: Iterable[Item] | None, key: str) -> list[str] | None:
    names = None if items is None else [item.text(key) for item in items]
    return None if names is None or None in names else [name for name in names if name is not None]


def agreement_problems(draft: Draft) -> list[Problem]:
    """Return every disagreement between names."""
    return [
        *_twice(draft),
        *_unknown(draft),
        *_empty_tables(draft),
        *_observed_beams(draft),
    ]


def _twice(draft: Draft) -> list[Problem]:
    """Names given to two things of a kind, and targets with two tables of extras."""
    problems = []
    for kind, label in NAMED.items():
        remedy = f"Give each {label} its own name."
        problems += _repeated(draft.items(kind), "name", "is also the name of", remedy)
    for items in draft.rows.values():
        problems += _repeated(items, "name", "is also the name of", "Give each star its own name.")
    remedy = "Put all about one target into one [[request]] table."
    problems += _repeated(draft.items("request"), "target", "is also the target of", remedy)
    return problems


def _repeated(items: Iterable[Item], key: str, what: str, remedy: str) -> list[Problem]:
    first: dict[str, str] = {}
    problems = []
    for item in items:
        name = item.text(key)
        if name is None:
            continue
        if name in first:
            problems.append(item.place.problem((key,), f"{shown(name)} {what} {first[name]}", remedy))
        first.setdefault(name, item.place.key)
    return problems


def _unknown(draft: Draft) -> list[Problem]:
    """Names of what does not exist."""
    problems = []
    for kind, key, wanted in REFERENCES:
        for item in draft.items(kind):
            problems += _unknown_in(draft, item, named_in(item, key), wanted)
    for item in draft.items("configuration"):
        value = item.raw.get("placement")
        keys = value if isinstance(value, dict) else {}
        problems += _unknown_in(draft, item, [(("placement", key), key) for key in keys], "telescope")
    targets = dict.fromkeys(draft.star_names("targets") or ())
    for item in draft.items("request"):
        problems += _unknown_target(draft, item, targets)
    for item in draft.rows.get("targets", ()):
        name = item.text("combiner")
        problems += _unknown_in(draft, item, [(("combiner",), name)] if name else [], "combiner")
    for item in draft.rows.get("history", ()):
        problems += _unknown_target(draft, item, targets)
        name = item.text("combiner")
        problems += _unknown_in(draft, item, [(("combiner",), name)] if name else [], "combiner")
        problems += _unknown_in(draft, item, item.texts("stations"), "station")
        problems += _unknown_in(draft, item, item.texts("telescopes"), "telescope")
    return problems


def named_in(item: Item, key: str) -> list[tuple[Loc, str]]:
    """Return the names that stand under a key, be it one, a list or a table, and where."""
    value = item.raw.get(key)
    if key in KEYS_ARE_NAMES:
        return [((key, name), name) for name in value] if isinstance(value, dict) else []
    if key in INNER_KEYS_ARE_NAMES:
        tables = value.items() if isinstance(value, dict) else ()
        return [
            ((key, row, name), name) for row, inner in tables if isinstance(inner, dict) for name in inner
        ]
    single = item.text(key)
    return [((key,), single)] if single else item.texts(key)


def _unknown_in(draft: Draft, item: Item, named: Iterable[tuple[Loc, str]], wanted: str) -> list[Problem]:
    known = draft.names(wanted)
    if known is None:
        return []
    file, label = draft.files["array"], NAMED[wanted]
    table = f"Add it as a [[{wanted}]], or leave it out here."
    return [
        item.place.problem(
            loc, f"{shown(name)} is not a {label} of {file}", among(name, known) if known else table
        )
        for loc, name in named
        if name not in known
    ]


def _unknown_target(draft: Draft, item: Item, known: Mapping[str, None]) -> list[Problem]:
    name = item.text("target")
    if not known or name is None or name in known:
        return []
    found = f"{shown(name)} is not a target of {draft.files['targets']}"
    return [item.place.problem(("target",), found, among(name, known))]


def _observed_beams(draft: Draft) -> list[Problem]:
    """Earlier observations with more or fewer stations than their combiner has beams."""
    beams = {
        item.text("name"): item.raw.get("beams")
        for item in draft.items("combiner")
        if "beams" not in item.broken
    }
    remedy = "Name the station of each beam, with commas between."
    problems = []
    for item in draft.rows.get("history", ()):
        combiner = item.text("combiner")
        wanted = beams.get(combiner)
        if wanted is None or "stations" in item.broken:
            continue
        count = len(item.raw["stations"])
        if count != wanted:
            names = f"names {count} station{'' if count == 1 else 's'}"
            found = f"{names}, but combiner {shown(combiner)} has {wanted} beams"
            problems.append(item.place.problem(("stations",), found, remedy))
    return problems


def _empty_tables(draft: Draft) -> list[Problem]:
    """A table of targets without a target; one of calibrators may be empty."""
    return [
        Problem(table.file, "", "has no rows", "Add at least one target.")
        for role, table in draft.tables.items()
        if role == "targets" and not table.rows
    ]
