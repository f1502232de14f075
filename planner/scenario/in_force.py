"""What is in force for a row of the target table: its combiner in its spectral setup, its ``[[request]]``.

Only rows for which this is beyond doubt are told of: where a name is unknown
or stands twice, another check says so, and what follows from it stays unsaid.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

from planner.scenario.checks import Draft
from planner.scenario.messages import shown
from planner.scenario.parts import Item
from planner.scenario.targets import RequestExtras

# The keys of a [[request]] that change what is asked of the combiner and of the stars.
OF_LIGHT = ("spectral_setup", "tracking", "guide_star", "second_star")


@dataclass(frozen=True)
class Wish:
    """A row of the target table with all that is in force for it.

    Parameters
    ----------
    row : Item
    extras : Item or None
        Its ``[[request]]`` table, None where that says nothing about the light.
    combiner : Item
    setup : Item or None
        The spectral setup, None where the combiner's own keys hold.
    """

    row: Item
    extras: Item | None
    combiner: Item
    setup: Item | None

    def sure(self, key: str) -> Any:
        """Return a key of the combiner in its setup, default included; None when it was refused."""
        setup = self.setup
        if setup is not None and (key in setup.raw or key in setup.broken) and key != "name":
            return setup.sure(key)
        return self.combiner.sure(key)

    def asks(self, key: str) -> Any:
        """Return a key of the ``[[request]]``, default included; None when it was refused."""
        if self.extras is None:
            return RequestExtras.model_fields[key].get_default()
        return self.extras.sure(key)

    def mentions(self, key: str) -> bool:
        """Whether the ``[[request]]`` has that key, sound or not."""
        return self.extras is not None and (key in self.extras.raw or key in self.extras.broken)

    @property
    def combiner_title(self) -> str:
        """The combiner in words: ``combiner 'pair'``."""
        return f"combiner {shown(self.combiner.text('name'))}"

    @property
    def title(self) -> str:
        """Combiner and setup in words: ``spectral setup 'fine' of combiner 'pair'``."""
        if self.setup is None:
            return self.combiner_title
        return f"spectral setup {shown(self.setup.text('name'))} of {self.combiner_title}"


def wishes(draft: Draft) -> list[Wish]:
    """Return all rows of the target table for which it is certain what is in force."""
    rows = draft.rows.get("targets", ())
    times = Counter(row.text("name") for row in rows)
    requests: dict[str | None, list[Item]] = {}
    for item in draft.items("request"):
        if any(key in item.raw or key in item.broken for key in OF_LIGHT):
            requests.setdefault(item.text("target"), []).append(item)
    unclear = draft.sections.get("request") is None or None in requests or not set(requests) <= set(times)
    made = []
    for row in rows:
        name, combiner = row.text("name"), named(draft, "combiner", row.text("combiner"))
        own = requests.get(name, [])
        if combiner is None or len(own) > 1 or (own and times[name] > 1) or (unclear and not own):
            continue
        extras = own[0] if own else None
        if extras is not None and "spectral_setup" in extras.broken:
            continue
        wanted = None if extras is None else extras.sure("spectral_setup")
        setups = setups_of(draft, combiner)
        if wanted is None or (wanted == combiner.sure("setup_name") and wanted not in setups):
            made.append(Wish(row, extras, combiner, None))
        elif setups.get(wanted) is not None:
            made.append(Wish(row, extras, combiner, setups[wanted]))
    return made


def named(draft: Draft, kind: str, name: str | None) -> Item | None:
    """Return the table of that kind and name; None when there is none, or more than one."""
    found = [item for item in draft.items(kind) if name is not None and item.text("name") == name]
    return found[0] if len(found) == 1 else None


def setups_of(draft: Draft, combiner: Item) -> dict[str, Item | None]:
    """Return the spectral setups of a combiner by name; None for a name that stands twice."""
    own = [
        (item.text("name") or "", item)
        for item in draft.items("spectral_setup")
        if item.text("combiner") == combiner.text("name")
    ]
    times = Counter(name for name, _ in own)
    return {name: item if times[name] == 1 else None for name, item in own}


def accepted(draft: Draft, limits: Any) -> list[Item]:
    """Return the telescope classes that a table of limiting magnitudes names and that exist once."""
    classes = [named(draft, "telescope_class", name) for name in limits or ()]
    return [item for item in classes if item is not None]
