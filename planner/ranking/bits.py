"""Slots of a night as bits of 64-bit words: slot 0 is the highest bit of the first word."""

from __future__ import annotations

import numpy as np

WORD_BITS = 64


def words_of(packed: np.ndarray) -> np.ndarray:
    """Return packed bytes as words, uint64 (..., word); what is filled up is unset.

    Parameters
    ----------
    packed : ndarray of uint8 (..., byte)
        From ``np.packbits`` along the last axis.
    """
    missing = -packed.shape[-1] % 8
    whole = np.zeros((*packed.shape[:-1], packed.shape[-1] + missing), dtype=np.uint8)
    whole[..., : packed.shape[-1]] = packed
    return whole.view(">u8").astype(np.uint64)


def bytes_of(words: np.ndarray, count: int) -> np.ndarray:
    """Return words as the first ``count`` packed bytes, uint8 (..., byte)."""
    return np.ascontiguousarray(words).astype(">u8").view(np.uint8)[..., :count]


def moved_up(words: np.ndarray, slots: int) -> np.ndarray:
    """Return words in which each slot says what was said of the slot so many later; unset beyond the end.

    Examples
    --------
    >>> bits = words_of(np.packbits([0, 0, 1, 1]))
    >>> np.unpackbits(bytes_of(moved_up(bits, 2), 1), count=4).tolist()
    [1, 1, 0, 0]
    """
    whole, part = divmod(slots, WORD_BITS)
    found = np.zeros_like(words)
    if whole < words.shape[-1]:
        found[..., : words.shape[-1] - whole] = words[..., whole:] << np.uint64(part)
        if part:
            found[..., : words.shape[-1] - whole - 1] |= words[..., whole + 1 :] >> np.uint64(
                WORD_BITS - part
            )
    return found


def all_of(words: np.ndarray, first: int, last: int) -> np.ndarray:
    """Return where all slots from ``first`` to ``last`` slots later are set, both included."""
    found = moved_up(words, first)
    for slots in range(first + 1, last + 1):
        found &= moved_up(words, slots)
    return found


def any_of(words: np.ndarray, first: int, last: int) -> np.ndarray:
    """Return where some slot from ``first`` to ``last`` slots later is set; that of ``first`` in any case."""
    found = moved_up(words, first)
    for slots in range(first + 1, last + 1):
        found |= moved_up(words, slots)
    return found
