"""How a ranking was made, in words: what its numbers mean, and how far estimates lie from plans."""

from __future__ import annotations

from planner.output.feasibility_words import date_told
from planner.output.ranking_words import spread_told
from planner.output.sentences import counted, joined, thousands
from planner.ranking.answers import Ranking


def method(ranking: Ranking) -> tuple[tuple[str, str], ...]:
    """Return how the ranking was made, as (word, what it means here)."""
    several = len(ranking.nights) > 1
    spread = (
        " Movable telescopes stand only where a listed configuration puts them."
        if ranking.listed_only
        else ""
    )
    rank = (
        "Too few plans were made to say."
        if ranking.spearman is None
        else f"{ranking.spearman:.3f} over {counted(len(ranking.sample), 'subarray')} spread over all "
        "of use, with plans made; 1 is the same order throughout, 0 no relation."
    )
    mean = ", mean over the nights" if several else ""
    made = [one.truth for one in ranking.top if one.truth is not None]
    some = bool(made) and len(made[0].nights) < len(ranking.nights)
    which = f" Plans were made for {joined([date_told(n[0]) for n in made[0].nights])}." if some else ""
    return (
        (
            "considered",
            f"{counted(ranking.considered, 'subarray')} of {ranking.size} telescopes that the "
            f"stations allow; combiners, delay lines and the sky leave {thousands(ranking.feasible)} that "
            f"some request can use.{spread}",
        ),
        (
            "estimate",
            "What a night plan with this subarray alone would score, found quickly: visits are fitted "
            f"greedily into the night{mean}, where calibrators and moves leave room for a whole one. It "
            "decides for which subarrays plans are made.",
        ),
        (
            "value in reach",
            "The (u, v) cells within reach, each once over all nights, times the priority of their "
            "request, as if there were time for everything.",
        ),
        (
            "resolution",
            "λ/2B on the longest baseline, at the shortest wavelength of the combiners that can use it.",
        ),
        (
            "true score",
            f"The score of the plan that the scheduler makes with this subarray alone{mean}; a cell counts "
            f"once a night, times the priority of its request.{which}",
        ),
        ("bound", f"What no plan of the visits considered can exceed, proven by the solver{mean}."),
        (
            "alone",
            "Each subarray is judged as if no other telescope were used. A request for fewer beams uses the "
            "best part of it.",
        ),
        (
            "front",
            "The subarrays that none considered equals in everything (estimate, value in reach, requests, "
            "resolution, moves) and betters in something.",
        ),
        (
            "could be better",
            "How many subarrays without a plan could be better than this one: those whose estimate, times "
            "the most that a true score has been of its estimate, lies above its true score; not proven.",
        ),
        ("rank correlation", f"Spearman's, of estimate and true score: {rank}"),
        ("estimate against truth", spread_told(ranking)),
    )
