"""The table of published thresholds: what it holds, what it refuses, and what it says."""

from __future__ import annotations

import datetime
from pathlib import Path

import pandas as pd
import pytest

from phenofit.errors import DataError, ModelError
from phenofit.units import convert_degree_days, to_celsius
from phenofit.validate import (
    PublishedThreshold,
    find_published,
    load_published,
    read_published,
    threshold_from_record,
)

ROWS = {row.id: row for row in load_published()}


def test_every_row_names_its_source_and_how_it_is_known() -> None:
    assert len(ROWS) == 243
    for row in ROWS.values():
        assert row.source
        assert row.known in ("read", "from memory")
        assert row.species
        assert row.scientific_name


def test_a_row_that_cannot_be_tested_says_why() -> None:
    reasons = [row.unusable for row in ROWS.values() if row.unusable is not None]
    assert 80 <= len(reasons) <= 120
    assert any("gives no start" in reason for reason in reasons)
    assert any("no base" in reason for reason in reasons)
    assert any("none that trap catches show" in reason for reason in reasons)
    for row in ROWS.values():
        if row.unusable is None:
            assert row.base is not None
            assert row.unit is not None
            assert row.start is not None


def test_the_errors_found_in_print_are_marked() -> None:
    # 866 °F-days are 481 °C-days; 492 °C, as printed beside it, would be 886 °F (arithmetic: 1 °C-day = 1.8 °F-days).
    (pink,) = [row for row in ROWS.values() if row.doubt == "amount"]
    assert pink.species == "pink bollworm"
    assert convert_degree_days(866.0, "degF d", "degC d") == pytest.approx(481.1, abs=0.05)
    assert convert_degree_days(492.0, "degC d", "degF d") == pytest.approx(885.6, abs=0.05)
    assert "481" in pink.fault
    assert pink.unusable is not None
    (copied,) = [row for row in ROWS.values() if row.doubt == "start"]
    twins = [
        row
        for row in ROWS.values()
        if row is not copied and (row.amount, row.amount_high) == (copied.amount, copied.amount_high)
    ]
    assert [(t.species, t.start) for t in twins] == [("codling moth", "01-01")]
    wrong_base = [row for row in ROWS.values() if row.doubt == "base"]
    assert wrong_base
    assert {row.species for row in wrong_base} == {"oriental fruit moth"}
    assert all(row.base == pytest.approx(to_celsius(43.0, "degF")) for row in wrong_base)


@pytest.mark.parametrize(
    ("fahrenheit", "celsius"),
    [
        # Both forms printed by the sources: western bean cutworm 2577 °F-days = 1432 °C-days (Hanson et al. 2015),
        # pink bollworm 918 °F = 510 °C and 409 °F = 227 °C (Strand 1999 and the extension page after it).
        (2577.0, 1432.0),
        (918.0, 510.0),
        (409.0, 227.0),
    ],
)
def test_both_printed_forms_of_an_amount_agree(fahrenheit: float, celsius: float) -> None:
    rows = [row for row in ROWS.values() if row.unit == "degF d" and row.amount == fahrenheit]
    assert rows
    for row in rows:
        assert row.amount_degc_d == pytest.approx(celsius, abs=0.5)


def test_the_row_printed_in_both_units_is_the_same_threshold_twice() -> None:
    fahrenheit, celsius = (
        find_published(id=f"western-bean-cutworm_flight-25_1_nebraska_{end}")[0] for end in ("38F", "3p3C")
    )
    assert fahrenheit.amount_degc_d == pytest.approx(celsius.amount_degc_d, abs=0.5)
    assert fahrenheit.base == pytest.approx(celsius.base, abs=0.05)
    assert fahrenheit.upper == pytest.approx(celsius.upper, abs=0.05)
    assert fahrenheit.start == celsius.start == "03-01"
    assert fahrenheit.method == celsius.method == "capped average"


def test_figures_agree_with_those_noted_from_the_sources() -> None:
    # Amount, unit and base of each figure as they were noted while the sources were read, before the table was made.
    source = Path(__file__).with_name("source_figures.csv")
    table = pd.read_csv(source, dtype=str, keep_default_na=False)
    known = {tuple(row) for row in table[["species", "amount", "unit", "base", "source"]].to_numpy().tolist()}
    for row in ROWS.values():
        unit = "" if row.unit is None else row.unit[3]
        matches = [
            k
            for k in known
            if k[4] == row.source
            and k[2] == unit
            and k[1]
            and float(k[1]) == row.amount
            and k[0].startswith(row.species)
        ]
        assert matches, row.id
        if row.base is not None:
            assert any(
                k[3] and to_celsius(float(k[3]), "degF" if unit == "F" else "degC") == pytest.approx(row.base)
                for k in matches
            )


def test_a_users_table_with_faults_names_them_all(tmp_path: Path) -> None:
    path = tmp_path / "mine.csv"
    path.write_text(
        "id,species,event,flight,amount,amount_high,unit,base,upper,method,start,known\n"
        "a,borer,flight_50,1,500,,degC d,10 degC,,single sine,01-01,read\n"
        "a,borer,flight_5O,1,500,,degC d,10 degC,,single sine,01-01,read\n"
        "c,borer,peak,first,-3,,degC,10,,single cosine,13-01,heard\n"
        "d,,peak,1,500,400,degF d,50 degF,45 degF,,,\n",
        encoding="utf-8",
    )
    with pytest.raises(DataError) as caught:
        read_published(path)
    found = {(p.row, p.column) for p in caught.value.problems}
    assert found == {
        (3, "event"),
        (4, "flight"),
        (4, "amount"),
        (4, "unit"),
        (4, "base"),
        (4, "method"),
        (4, "start"),
        (4, "known"),
        (5, "species"),
        (5, "amount_high"),
        (5, "upper"),
    }
    assert "Did you mean 'flight_5" in str(caught.value)
    assert all(p.file == str(path) for p in caught.value.problems)


def test_numbers_in_a_record_are_celsius_and_texts_carry_their_unit() -> None:
    record = {"species": "s", "event": "peak", "amount": 900, "unit": "degF d", "start": "03-01"}
    assert threshold_from_record({**record, "base": 10}).base == 10.0
    assert threshold_from_record({**record, "base": "50 degF", "upper": 30.0}).upper == 30.0
    for wrong in (
        {"base": 50},
        {"base": "10"},
        {"base": True},
        {"base": "50 degC"},
        {"upper": 88},
        {"upper": "88"},
        {"start": datetime.date(2024, 3, 1)},
    ):
        with pytest.raises(DataError) as caught:
            threshold_from_record({**record, **wrong})
        assert [p.column for p in caught.value.problems] == list(wrong)


def test_an_id_that_stands_twice_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "mine.csv"
    path.write_text("id,species,event,amount\na,s,peak,5\na,s,end,6\n", encoding="utf-8")
    with pytest.raises(DataError, match=r"row 3.*is already used in row 2"):
        read_published(path)


def test_an_unknown_id_gets_the_nearest_one() -> None:
    with pytest.raises(
        ModelError, match="Did you mean 'codling-moth_first-sustained-catch_1_washington-state_10C'"
    ):
        find_published(id="codling-moth_first-sustained-catch_1_washington-state_10F")


def test_a_bare_base_is_in_celsius_and_a_record_may_hold_numbers() -> None:
    row = threshold_from_record(
        {
            "species": "s",
            "event": "flight_25",
            "amount": 480.0,
            "unit": "degC d",
            "base": 8.5,
            "start": "03-01",
        }
    )
    assert (row.base, row.flight, row.unusable) == (8.5, 1, None)


def test_words_show_unit_base_method_and_start() -> None:
    row = PublishedThreshold(
        id="x", species="s", event="peak", flight=1, amount=900.0, amount_high=1000.0, unit="degF d", base=10.0,
        upper=30.0, cutoff="horizontal", method="single sine", start="03-01",
    )  # fmt: skip
    assert row.words == (
        "500 to 556 °C-days (900 to 1000 °F-days) above 10.0 °C (50.0 °F), single sine, upper threshold 30.0 °C "
        "(86.0 °F), horizontal cut-off, from 03-01"
    )
    assert row.amount_degc_d == pytest.approx(950 / 1.8)
