"""Every outcome of a poll has its row, and a row says all that is asked of it."""

from pathlib import Path
from typing import get_args

import pytest

from farmwatch.outcomes import OUTCOMES, Outcome

README = Path(__file__).parent.parent / "README.md"


def test_every_code_has_its_row_in_the_order_of_the_codes() -> None:
    assert tuple(OUTCOMES) == get_args(Outcome)


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_a_row_is_whole(outcome: Outcome) -> None:
    row = OUTCOMES[outcome]
    assert row.answered or not row.understood
    # What is not well has a fix, and what has a fix brought no mesh.
    assert bool(row.fix) == (outcome not in ("new", "same"))
    assert not (row.understood and (row.failure or row.wants_a_person))


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_the_readme_names_it(outcome: Outcome) -> None:
    assert f"`{outcome}`" in README.read_text(encoding="utf-8")
