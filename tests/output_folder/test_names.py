"""Files named after species never overwrite each other, and every file system takes their names."""

from __future__ import annotations

from pathlib import Path

import hypothesis.strategies as st
import pytest
from hypothesis import given

from phenofit.cli import main
from phenofit.output_folder import distinct_slugs, name_fault, shared_name_fault, species_slug
from phenofit.output_folder.names import LONGEST_NAME, LONGEST_SLUG
from tests.study.studies import STUDY, write_study


def _study(folder: Path, names: str, more: str = "") -> Path:
    text = STUDY.replace('species = "example leaf feeder"', f"species = {names}")
    return write_study(folder, study=text[: text.index("[[published]]")] + more)


@pytest.mark.parametrize("command", ["check", "fit", "run"])
def test_two_species_with_one_file_name_are_refused_before_anything_else(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    more = '[[flights.species]]\nname = "leaf moth a"\nbase = "fit"\n'
    study = _study(tmp_path, '["leaf moth (A)", "leaf moth a"]', more)
    out = [] if command == "check" else ["--out", str(tmp_path / "out")]
    assert main([command, str(study), *out]) == 2
    error = capsys.readouterr().err
    assert (
        "the species 'leaf moth (A)' and 'leaf moth a' would both write the file 'fit-leaf-moth-a.json'. "
        "Give them names that differ in letters or digits"
    ) in error
    assert "column 'study.species'" in error
    assert "problems" not in error  # one fault, one message
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("leaf moth", "Leaf-Moth"),
        ("moth_1", "moth 1"),
        ("\u00e9 moth", "e\u0301 moth"),  # one letter, and a letter with its accent
        ("(?)", "***"),
        ("moth.", " moth"),
    ],
)
def test_names_that_differ_in_signs_only_share_a_file(one: str, other: str) -> None:
    assert shared_name_fault([one, "another", other]) is not None
    assert shared_name_fault([one, "another"]) is None


@pytest.mark.parametrize(
    ("name", "finding"),
    [
        ('"bell \\u0007 moth"', "invisible character U+0007"),
        ('"reversed \\u202e moth"', "invisible character U+202E"),
        ('"null\\u0000"', "invisible character U+0000"),
        ('"CON"', "reserved for a device"),
        ('"lpt 1"', ""),
        ('"LPT1"', "reserved for a device"),
        (f'"{"x" * (LONGEST_SLUG + 1)}"', f"takes {LONGEST_SLUG + 1} bytes"),
        (f'"{"x" * LONGEST_SLUG}"', ""),
        (f'"{"ß" * (LONGEST_SLUG // 2)}"', ""),
        (f'"{"ß" * (LONGEST_SLUG // 2 + 1)}"', f"takes {LONGEST_SLUG // 2 * 2 + 2} bytes"),
    ],
)
def test_names_that_no_file_system_takes_are_refused_when_the_study_is_loaded(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, finding: str
) -> None:
    study = _study(tmp_path, name)
    assert main(["check", str(study)]) == (2 if finding else 0)
    assert finding in capsys.readouterr().err


def test_the_longest_accepted_name_leaves_room_for_what_is_written_around_it(tmp_path: Path) -> None:
    slug, station = "x" * LONGEST_SLUG, distinct_slugs(["s" * 300])["s" * 300]
    around = [
        f"fit-{slug}.json",
        f"error_map-{slug}.nc",
        f"forecast-{slug}.ics",
        f"plan-{slug}-flight-3.png",
        f"{slug}-calibration.svg",
        f"season-{slug}-{station}-99.png",
    ]
    longest = max(
        len(f".{Path(name).stem}-".encode()) + 8 + len(Path(name).suffix.encode()) for name in around
    )
    assert longest == LONGEST_NAME
    for name in around:
        (tmp_path / f".{Path(name).stem}-xxxxxxxx{Path(name).suffix}").touch()


@given(st.lists(st.text(min_size=1), max_size=8))
def test_stations_never_share_a_name(names: list[str]) -> None:
    found = distinct_slugs(names)
    assert set(found) == set(names)
    assert len(set(found.values())) == len(found)
    assert found == distinct_slugs(reversed(names))
    assert all(len(slug.encode()) <= 64 for slug in found.values())


def test_stations_whose_names_look_alike_are_numbered() -> None:
    assert distinct_slugs(["S 1", "S-1", "S_1"]) == {"S 1": "s-1", "S-1": "s-1-2", "S_1": "s-1-3"}
    # A number that is another's own name is passed over.
    assert distinct_slugs(["a", "a-2", "A"]) == {"A": "a", "a": "a-2", "a-2": "a-2-2"}


@given(st.text())
def test_a_slug_is_a_plain_part_of_a_name(name: str) -> None:
    slug = species_slug(name)
    assert slug
    assert not slug.startswith("-")
    assert not slug.endswith("-")
    assert "--" not in slug
    assert not set(slug) & set(' _./\\:*?"<>|\0')
    assert species_slug(slug) == slug


def test_ordinary_names_pass() -> None:
    for name in ("codling moth", "Cydia pomonella (2nd)", "Weißling", "мотылёк", "蛾"):
        assert name_fault(name) is None
