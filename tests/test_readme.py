"""The README says what is so today."""

from tests.support.readme import README, renewed


def test_tables_and_outputs_are_what_the_program_gives():
    text = README.read_text()

    assert renewed(text) == text, "run `make readme`"
