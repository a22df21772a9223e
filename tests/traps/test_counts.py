"""The count cell. The forms are those of real field sheets (common practice, no source)."""

from __future__ import annotations

import math

import pytest

from phenofit.traps.count_cells import CountWords, UnreadableCount, read_count


@pytest.mark.parametrize(
    ("text", "count", "status"),
    [
        ("0", 0, "counted"),
        (" 12 ", 12, "counted"),
        ("7\xa0", 7, "counted"),
        ("12.0", 12, "counted"),  # as spreadsheets write whole numbers
        (">100", 100, "at least"),
        ("99+", 99, "at least"),
        ("≥ 40", 40, "at least"),
        (">= 40", 40, "at least"),
        ("T", 1, "present"),
        ("x", 1, "present"),
        ("present", 1, "present"),
    ],
)
def test_forms_of_a_count(text: str, count: float, status: str) -> None:
    assert read_count(text, blank="not checked") == (count, status)


@pytest.mark.parametrize("text", ["lost", "Stolen", "not checked"])
def test_words_that_leave_no_count(text: str) -> None:
    count, status = read_count(text, blank="zero")
    assert math.isnan(count)
    assert status == ("missing" if text == "not checked" else "lost")


def test_blank_means_what_was_declared() -> None:
    assert read_count("", blank="zero") == (0.0, "counted")
    count, status = read_count("  ", blank="not checked")
    assert math.isnan(count)
    assert status == "missing"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("-", "not a count"),
        ("NA", "not a count"),
        ("<5", "upper bound"),
        ("-3", "negative"),
        ("3.5", "not a whole number"),
        ("1,300", "not a whole number"),
        ("12 moths", "not a count"),
        ("3/4", "not a count"),
        ("1e3", "not a count"),
    ],
)
def test_other_cells_are_refused_with_a_remedy(text: str, says: str) -> None:
    with pytest.raises(UnreadableCount, match=says) as caught:
        read_count(text, blank="not checked")
    assert text in caught.value.finding
    assert caught.value.remedy.endswith(".")


def test_a_dash_has_the_meaning_its_user_declares() -> None:
    assert read_count("-", blank="not checked", words=CountWords(zero=("-",))) == (0.0, "counted")
    _, status = read_count("-", blank="zero", words=CountWords(not_checked=("-",)))
    assert status == "missing"


def test_a_word_cannot_have_two_meanings() -> None:
    assert CountWords(lost=("gone", "T")).contradictions() == ("t",)
    assert CountWords().contradictions() == ()


@pytest.mark.parametrize(
    "text", ["1,000", "1.000", "12,000", "1,234,567", "1 000", "1'000", "1’000", ">1,000", "+1.000"]
)
def test_a_separator_before_three_digits_is_refused_without_a_declaration(text: str) -> None:
    with pytest.raises(UnreadableCount) as caught:
        read_count(text, blank="not checked")
    plain = "".join(c for c in text if c.isdigit())
    assert caught.value.finding == f"'{text}' is not a whole number: its separator may be one of thousands."
    mark = next(c for c in text[1:] if not c.isdigit()).replace("’", "'")
    assert caught.value.remedy == (
        f'Write {plain}, or declare the thousands separator: thousands = "{mark}" under [catches].'
    )


@pytest.mark.parametrize(
    ("text", "mark", "count", "status"),
    [
        ("1,000", ",", 1000, "counted"),
        ("12.000", ".", 12000, "counted"),
        ("1 234 567", " ", 1234567, "counted"),
        ("1’000", "'", 1000, "counted"),
        (">1,000", ",", 1000, "at least"),
        ("1,000+", ",", 1000, "at least"),
        ("999", ",", 999, "counted"),
        ("12.0", ",", 12, "counted"),
    ],
)
def test_a_declared_separator_is_read(text: str, mark: str, count: int, status: str) -> None:
    assert read_count(text, blank="not checked", words=CountWords(thousands=mark)) == (count, status)


@pytest.mark.parametrize("text", ["1,00", "1,0000", "1000,000", ",000", "1,000,00", "1,0"])
def test_a_declared_separator_needs_groups_of_three_digits(text: str) -> None:
    with pytest.raises(UnreadableCount, match="groups of three digits"):
        read_count(text, blank="not checked", words=CountWords(thousands=","))


def test_another_separator_than_the_declared_one_is_refused() -> None:
    with pytest.raises(UnreadableCount, match=r'thousands = "\."'):
        read_count("1.000", blank="not checked", words=CountWords(thousands=","))


@pytest.mark.parametrize("text", ["10000001", "1" * 20, "9" * 400, ">10000001", "00" + "9" * 30])
def test_a_count_beyond_the_largest_is_refused(text: str) -> None:
    with pytest.raises(UnreadableCount, match="too large") as caught:
        read_count(text, blank="not checked")
    assert "up to 10000000" in caught.value.remedy
    assert len(caught.value.finding) < 100


def test_the_largest_count_and_leading_zeros_are_read() -> None:
    assert read_count("10000000", blank="not checked") == (10_000_000, "counted")
    assert read_count("0" * 30 + "7", blank="not checked") == (7, "counted")
