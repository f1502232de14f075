"""Tables that were good once: a line removed or doubled, line ends converted, re-encoded, a byte changed."""

from __future__ import annotations

import io
import random
import warnings

import pytest
from test_reading_formats import FORMATS, stars, with_targets

pytestmark = pytest.mark.slow


def written_as(ending):
    """The bytes of the table of two stars, in a form."""
    text = ending in ("ecsv", "csv")
    file = io.StringIO() if text else io.BytesIO()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        stars(note=["né à Nançay", "late"] if ending != "fits" else ["early", "late"]).write(
            file, format=FORMATS[ending]
        )
    return file.getvalue().encode() if text else file.getvalue()


def damaged(content, ending, rng):
    """One of seven kinds of damage."""
    unit = 80 if ending == "fits" else None
    pieces = (
        [content[k : k + unit] for k in range(0, len(content), unit)] if unit else content.splitlines(True)
    )
    place, kind = rng.randrange(len(pieces)), rng.randrange(7)
    if kind == 0:
        return b"".join(pieces[:place] + pieces[place + 1 :])
    if kind == 1:
        return b"".join([*pieces[: place + 1], *pieces[place:]])
    if kind == 2:
        return content.replace(b"\n", b"\r\n") if rng.random() < 0.5 else content.replace(b"\n", b"\r")
    if kind == 3:
        return content.decode("latin-1").encode("utf-8")
    if kind == 4:
        return content.decode("latin-1").encode(rng.choice(["utf-16", "utf-32", "cp500"]), "replace")
    byte = rng.randrange(len(content))
    if kind == 5:
        return content[:byte] + bytes([rng.randrange(256)]) + content[byte + 1 :]
    return content[:byte] + content[byte + rng.randrange(1, 200) :]


@pytest.mark.parametrize("ending", ["ecsv", "csv", "vot", "fits"])
def test_a_damaged_table_is_read_or_told_and_is_never_a_fault(tmp_path, ending):
    content, rng = written_as(ending), random.Random(ending)
    told = 0
    for k in range(150 if ending == "fits" else 40):
        # Whatever is no problem of the input is raised here, and fails the test.
        told += bool(with_targets(damaged(content, ending, rng), ending).messages(tmp_path / str(k)))
    assert told


def test_text_in_a_fits_table_that_is_no_utf8_is_told_with_its_column(tmp_path):
    content = written_as("fits").replace(b"beta", b"b\xeata")
    assert with_targets(content, "fits").messages(tmp_path) == [
        "targets.fits: name: holds text that is not UTF-8. Save the table again as plain text."
    ]
