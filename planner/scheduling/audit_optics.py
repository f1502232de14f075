"""How long the optics take to change from one visit to the next, by the tables of the scenario.

Each answer is (seconds, words), or None where nothing changes. What the
scenario does not have takes no time here: other checks of the audit name it.
"""

from __future__ import annotations

from planner.scenario.array import Array
from planner.scheduling.audit_case import named, setup_of
from planner.scheduling.plan import Beam, Visit

Change = tuple[float, str]


def combiner_change(array: Array, earlier: Visit, later: Visit) -> Change | None:
    """Return the change of combiner or, within one, of its spectral setup.

    The feed optics of one combiner move out while those of the other move in;
    then it is set up. A spectral setup takes its own time; back to the keys of
    the combiner itself takes the time of the setup that is left.
    """
    if earlier.combiner != later.combiner:
        left, new = (named(array.combiners, visit.combiner) for visit in (earlier, later))
        if new is None:
            return None
        feeds_s = max(0.0 if left is None else left.feed_out_s, new.feed_in_s)
        return feeds_s + new.setup_s, f"{new.name} is set up"
    if earlier.spectral_setup == later.spectral_setup:
        return None
    wanted = setup_of(array, later.combiner, later.spectral_setup)
    own = wanted or setup_of(array, earlier.combiner, earlier.spectral_setup)
    told = f"{later.combiner} changes from {_shown(earlier)} to {_shown(later)}"
    return None if own is None else (own.change_s, told)


def _shown(visit: Visit) -> str:
    return visit.spectral_setup or "its own keys"


def mode_change(array: Array, earlier: Visit, later: Visit) -> Change | None:
    """Return the change of the routing mode."""
    mode = named(array.routing_modes, later.routing_mode)
    if mode is None or earlier.routing_mode == later.routing_mode:
        return None
    return mode.change_s, f"the routing changes from {earlier.routing_mode} to {mode.name}"


def input_change(array: Array, later: Visit, before: Beam, after: Beam) -> Change | None:
    """Return the change of the input that a delay line is led to."""
    mode = named(array.routing_modes, later.routing_mode)
    if mode is None or before.combiner_input == after.combiner_input:
        return None
    told = f"{after.delay_line} is led to input {after.combiner_input} instead of {before.combiner_input}"
    return mode.input_change_s, told


def segment_change(array: Array, before: Beam, after: Beam) -> Change | None:
    """Return the change of the path segment in a telescope's beam."""
    segment = named(array.path_segments, after.path_segment)
    if segment is None or before.path_segment == after.path_segment:
        return None
    told = f"{after.telescope} is switched to {segment.name} instead of {before.path_segment}"
    return segment.change_s, told
