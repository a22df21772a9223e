"""The study file: every key checked, every fault reported with its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from phenofit.errors import DataError, ModelError, Problem
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.study import load_study
from phenofit.study.load import load_leniently
from phenofit.study.locate import key_lines, line_of
from tests.study.studies import STUDY, write_study


def problems(folder: Path, study: str) -> tuple[Problem, ...]:
    path = folder / "study.toml"
    path.write_text(study, encoding="utf-8")
    with pytest.raises(DataError) as caught:
        load_study(path)
    return caught.value.problems


def one(folder: Path, old: str, new: str) -> Problem:
    assert old in STUDY
    (problem,) = problems(folder, STUDY.replace(old, new))
    return problem


def test_a_study_is_read_with_its_units(tmp_path: Path) -> None:
    study = load_study(write_study(tmp_path))
    assert study.title == "Leaf feeder, Harrow valley"
    assert study.species == ("example leaf feeder",)
    assert study.invented
    assert study.season_window() == Season.parse("01-01", "10-31")
    # 88 °F is 280/9 °C by the definition of the scale.
    assert study.heat_settings() == HeatSettings("single sine", "horizontal", 280 / 9)
    settings = study.flight_model("Example  leaf feeder")
    assert (settings.flights, settings.curve, settings.base) == (1, "normal", 10.0)
    assert study.catches.file == tmp_path / "catches.csv"
    assert study.weather.files == (tmp_path / "weather.csv",)
    (row,) = study.published_for("example leaf feeder")
    assert (row.id, row.amount_degc_d, row.species) == ("leaflet", 480.0, "example leaf feeder")
    assert study.validation.leave_out == ("year",)
    assert study.map.cell_km == 2.0


def test_a_study_is_frozen(tmp_path: Path) -> None:
    study = load_study(write_study(tmp_path))
    with pytest.raises(ValueError, match="frozen"):
        study.head.title = "other"


def test_absent_tables_have_stated_defaults(tmp_path: Path) -> None:
    cut = STUDY[: STUDY.index("[heat]")]
    study = load_study(write_study(tmp_path, study=cut))
    assert study.heat_settings() == HeatSettings()
    assert study.flight_model("example leaf feeder").base == "fit"
    assert study.published == ()


@pytest.mark.parametrize(
    ("key", "near"),
    [
        ('blank = "not checked"\nfist_interval_days = 7', "first_interval_days"),
        ('blank = "not checked"\nCountd = 7', "counted"),
        ('blank = "not checked"\ncolumn = {}', "columns"),
    ],
)
def test_unknown_keys_are_refused_with_the_nearest(tmp_path: Path, key: str, near: str) -> None:
    problem = one(tmp_path, 'blank = "not checked"', key)
    assert f"Did you mean '{near}'?" in problem.remedy
    assert problem.row == 17
    assert problem.column.startswith("catches.")


def test_an_unknown_table_is_refused(tmp_path: Path) -> None:
    problem = one(tmp_path, "[map]", "[maps]")
    assert "Did you mean 'map'?" in problem.remedy
    assert problem.row == STUDY[: STUDY.index("[map]")].count("\n") + 1


def test_a_key_above_all_tables_is_refused(tmp_path: Path) -> None:
    (problem,) = problems(tmp_path, 'path = "x"\n' + STUDY)
    assert (problem.row, problem.column) == (1, "path")


@pytest.mark.parametrize(
    ("old", "new", "column", "says"),
    [
        ('dates = "year-first"\n', "", "catches.dates", "never guessed"),
        ('blank = "not checked"\n', "", "catches.blank", "never guessed"),
        ('unit = "degC"\nmax', "max", "weather", "never guessed"),
        ('unit = "degC"\nmax', 'unit = "cold"\nmax', "weather.unit", "degC, degF and kelvin"),
        ('dates = "year-first"', 'dates = "us"', "catches.dates", "'month-first'"),
        ('blank = "not checked"', 'blank = "Zero"', "catches.blank", "'zero'"),
        ('end = "10-31"', 'end = "31-10"', "season.end", "month-day"),
        ('end = "10-31"', "end = 10-31-12", "", "TOML"),
        ("count = 1", 'count = "1"', "flights.count", "without quotation marks"),
        ("count = 1", "count = 0", "flights.count", "Write 1 to 5"),
        ("count = 1", "count = 6", "flights.count", "Write 1 to 5"),
        ("count = 1", "count = true", "flights.count", "Write 1 to 5"),
        ("count = 1", "count = 1.5", "flights.count", "Write 1 to 5"),
        ("count = 1", "count = []", "flights.count", "several such as [1, 2]"),
        ("count = 1", 'count = "comparison"', "flights.count", '"compare"'),
        ('leave_out = "year"', 'older = ["least SD"]', "validation.older", "'least SD in days'"),
        ("count = 1", "hold = { spread_6 = 60 }", "flights.hold", "Accepted: requirement_1"),
        ("count = 1", "hold = { base = 10 }", "flights.hold", "Write base = "),
        ("count = 1", "hold = { spread_1 = 60 }", "flights.hold", 'spread_1 = "60 degC d" or "60 degF d"'),
        ("count = 1", 'hold = { spread_1 = "60" }', "flights.hold", 'spread_1 = "60 degC d" or "60 degF d"'),
        ("count = 1", "hold = { requirement_1 = 500.5 }", "flights.hold", '"500.5 degC d"'),
        ("count = 1", "hold = { shift_sd_year = 20 }", "flights.hold", '"20 degC d"'),
        ("count = 1", 'hold = { spread_1 = "60 degC" }', "flights.hold", "number and its unit"),
        ("count = 1", 'hold = { concentration = "9 degC d" }', "flights.hold", "has no unit"),
        ("count = 1", 'hold = { spread_1 = "0 degC d" }', "flights.hold", "above 0"),
        ("count = 1", "hold = 60", "flights.hold", 'hold = { spread_1 = "60 degC d" }'),
        ("count = 1", "stray = 0.5", "flights.stray", 'or "fit"'),
        ("count = 1", 'stray = "fitted"', "flights.stray", 'or "fit"'),
        ("count = 1", 'records = "presences"', "flights.records", "Did you mean 'presence'"),
        ("count = 1", 'upper = "36 degC"', "flights.upper", "'fit'"),
        ("count = 1", 'night_weather = "wind"', "flights.night_weather", "'tmin', 'tmax'"),
        ("count = 1", 'hold = { night_effect = "0.1 degC" }', "flights.hold", "in 1/degC"),
        ("count = 1", "hold = { night_effect = 0.1 }", "flights", "no night weather is named"),
        (
            "count = 1",
            'night_weather = "tmin"\nrecords = "first catch"',
            "flights",
            "dates the flight itself",
        ),
        ("count = 1", 'upper_range = ["28 degC", "36 degC"]', "flights", 'upper = "fit"'),
        (
            "count = 1",
            'upper = "fit"\nupper_range = ["36 degC", "28 degC"]',
            "flights.upper_range",
            "28 degC",
        ),
        ("count = 1", 'upper = "fit"\nupper_range = ["28 degC", 36]', "flights.upper_range", '"36 degF"'),
        ("count = 1", 'upper = "fit"\nupper_range = ["28 degC"]', "flights.upper_range", "28 degC"),
        ("count = 1", "hold = { upper = 30 }", "flights.hold", "in [heat]"),
        ('curve = "normal"', 'curve = "normla"', "flights.curve", "Did you mean 'normal'"),
        ('base = "50 degF"', "base = 50", "flights.base", 'Write base = "50 degF" or "50 degC".'),
        ('base = "50 degF"', "base = 10.0", "flights.base", 'Write base = "10 degF" or "10 degC".'),
        ('base = "50 degF"', 'base = "50"', "flights.base", 'Write base = "50 degF" or "50 degC".'),
        ('base = "50 degF"', "base = true", "flights.base", '"50 degF"'),
        ('base = "50 degF"', 'base = "50 degC"', "flights.base", "number and its unit"),
        ('base = "50 degF"', 'base = "free"', "flights.base", "degC"),
        ('base = "50 degF"', 'base = "32 degC"', "flights.base", "Correct one of the two"),
        ('upper = "88 degF"', "upper = 88", "heat.upper", 'Write upper = "88 degF" or "88 degC".'),
        ('upper = "88 degF"', 'upper = "88 degC"', "heat.upper", "number and its unit"),
        ("max_distance_km = 40", "lapse = -6.5", "weather.lapse", '"-6.5 degC/km" or "-6.5 degF/1000 ft"'),
        ('method = "single sine"\nupper', 'method = "sine"\nupper', "heat.method", "'single sine'"),
        ('method = "single sine"\nupper', 'method = "simple average"\nupper', "heat", ""),
        ("max_distance_km = 40", "max_distance_km = -1", "weather.max_distance_km", "above 0"),
        ("invented = true", 'invented = "yes"', "study.invented", "true or false"),
        ('leave_out = "year"', 'leave_out = "trap"', "validation.leave_out", "'site'"),
        ('leave_out = "year"', "lead_days = [7, 7]", "validation.lead_days", "[28, 14, 7, 0]"),
        ('curve = "normal"', 'curve = ["normal", "beta"]', "flights.curve", "'log-normal'"),
        ("amount = 480.0", 'amount = "lots"', "published 1.amount", ""),
        ('event = "flight_50"', 'event = "flight50"', "published 1.event", "flight_50"),
        ('base = "10 degC"', 'base = "10 C-ish"', "published 1.base", ""),
        ('base = "10 degC"', "base = 50", "published 1.base", 'Write base = "50 degF" or "50 degC".'),
        ('base = "10 degC"', 'base = "10 degC"\nupper = "88"', "published 1.upper", '"88 degF"'),
        ('unit = "degC d"\n', "", "published 1.unit", 'Write unit = "degC d" or unit = "degF d"'),
        ('files = ["weather.csv"]\n', "", "weather", "service"),
        ('files = ["weather.csv"]', 'service = "meteostat"', "weather", "years"),
        (
            'files = ["weather.csv"]',
            'service = "meteostat"\nyears = [2024, 2016]',
            "weather.years",
            "[2016, 2024]",
        ),
    ],
)
def test_each_fault_is_told_with_its_key_and_a_remedy(
    tmp_path: Path, old: str, new: str, column: str, says: str
) -> None:
    problem = one(tmp_path, old, new)
    assert problem.column == column
    assert says in f"{problem.finding} {problem.remedy}"
    assert problem.row is not None
    assert problem.file.endswith("study.toml")


def test_all_faults_are_told_in_the_order_of_the_file(tmp_path: Path) -> None:
    study = STUDY.replace('species = "example leaf feeder"\n', "").replace('end = "10-31"', 'end = "x"')
    study = study.replace("cell_km", "cel_km").replace('file = "traps.csv"', "file = 3")
    found = problems(tmp_path, study)
    assert [p.column for p in found] == ["study.species", "season.end", "traps.file", "map.cel_km"]
    assert [p.row for p in found] == sorted(p.row or 0 for p in found)


def test_files_that_are_no_study(tmp_path: Path) -> None:
    with pytest.raises(DataError, match=r"the file does not exist\. Name a study file"):
        load_study(tmp_path / "absent.toml")
    with pytest.raises(DataError, match="folder"):
        load_study(tmp_path)
    (tmp_path / "bytes.toml").write_bytes(b"[study]\ntitle = '\xe9'\n")
    with pytest.raises(DataError, match="UTF-8"):
        load_study(tmp_path / "bytes.toml")


@pytest.mark.parametrize(
    ("base", "accepted"),
    [("-20 degC", True), ("-20.01 degC", False), ("-4 degF", True), ("88 degF", False), ("87.9 degF", True)],
)
def test_bases_at_their_limits(tmp_path: Path, base: str, accepted: bool) -> None:
    # The upper threshold of the study is 88 degF: a base must lie below it.
    study = STUDY.replace('base = "50 degF"', f'base = "{base}"')
    assert (not load_leniently(write_study(tmp_path, study=study))[1]) == accepted


def test_upper_thresholds_at_their_limit(tmp_path: Path) -> None:
    for upper, accepted in (("60 degC", True), ("60.01 degC", False), ("140 degF", True)):
        study = STUDY.replace('upper = "88 degF"', f'upper = "{upper}"')
        assert (not load_leniently(write_study(tmp_path, study=study))[1]) == accepted


def test_zero_change_with_height_needs_no_unit(tmp_path: Path) -> None:
    more = 'at_traps = "interpolated"\nlapse = '
    for text, rate in (("0", 0.0), ('"-3.6 degF/km"', -2.0), ('"fit"', "fit")):
        study = STUDY.replace("max_distance_km = 40", f"max_distance_km = 40\n{more}{text}")
        assert load_study(write_study(tmp_path, study=study)).weather.lapse == rate


def _entry(*, id: str = "", flight: int = 1, amount: str = "480.0", base: str = "10 degC") -> str:
    name = f'id = "{id}"\n' if id else ""
    return (
        f'[[published]]\n{name}event = "flight_50"\nflight = {flight}\namount = {amount}\nunit = "degC d"\n'
        f'base = "{base}"\nmethod = "single sine"\nstart = "01-01"\n'
    )


@pytest.mark.parametrize(
    ("entries", "ids"),
    [
        ([_entry()], ["{}"]),
        ([_entry(), _entry(flight=2, amount="1100.0")], ["{}-flight-1", "{}-flight-2"]),
        ([_entry(), _entry(amount="500.0")], ["{}-480-degC-d", "{}-500-degC-d"]),
        ([_entry(), _entry(base="50 degF", amount="500.0"), _entry(flight=2)],
         ["{}-flight-1-480-degC-d", "{}-flight-1-500-degC-d", "{}-flight-2"]),
        ([_entry(), _entry(base="9 degC")], ["{}-base-10-degC", "{}-base-9-degC"]),
        ([_entry(id="example-leaf-feeder-flight_50"), _entry(flight=2)],
         ["example-leaf-feeder-flight_50", "{}-flight-2"]),
        ([_entry(id="mine"), _entry(flight=2)], ["mine", "{}"]),
    ],
)  # fmt: skip
def test_ids_of_thresholds_without_one_tell_them_apart(
    tmp_path: Path, entries: list[str], ids: list[str]
) -> None:
    cut = STUDY[: STUDY.index("[[published]]")]
    found = load_study(write_study(tmp_path, study=cut + "\n".join(entries)))
    assert [row.id for row in found.published] == [i.format("example-leaf-feeder-flight_50") for i in ids]


def test_a_threshold_that_is_given_twice_is_refused_with_its_lines(tmp_path: Path) -> None:
    cut = STUDY[: STUDY.index("[[published]]")]
    for name, what in (("", "the same threshold"), ("mine", "the id 'mine'")):
        (problem,) = problems(tmp_path, cut + _entry(id=name) + "\n" + _entry(id=name))
        assert problem.finding == f"{what} is given twice for 'example leaf feeder' (entries 1 and 2)."
        assert problem.column == "published 2"
        assert problem.row is not None
        assert problem.row > cut.count("\n")


TWO_SPECIES = STUDY.replace('species = "example leaf feeder"', 'species = ["red moth", "blue moth"]')


def test_two_species_with_settings_of_their_own(tmp_path: Path) -> None:
    study = TWO_SPECIES.replace(
        "[[published]]\n",
        '[[flights.species]]\nname = "Blue moth"\ncount = 2\nbase = "fit"\n\n[[published]]\nspecies = "red moth"\n',
    )
    found = load_study(write_study(tmp_path, study=study))
    red, blue = (found.flight_model(name) for name in found.species)
    assert (red.flights, red.base) == (1, 10.0)
    assert (blue.flights, blue.base, blue.curve) == (2, "fit", "normal")
    assert len(found.published_for("red moth")) == 1
    assert found.published_for("blue moth") == ()
    with pytest.raises(ModelError, match="Did you mean 'red moth'"):
        found.flight_model("rad moth")


def test_a_threshold_of_no_species_of_the_study_is_refused(tmp_path: Path) -> None:
    (problem,) = problems(
        tmp_path, TWO_SPECIES.replace("[[published]]\n", '[[published]]\nspecies = "red mth"\n')
    )
    assert "Did you mean 'red moth'" in str(problem)


def test_settings_for_no_species_of_the_study_are_refused(tmp_path: Path) -> None:
    study = STUDY.replace("[[published]]", '[[flights.species]]\nname = "other"\n[[published]]')
    (problem,) = problems(tmp_path, study)
    assert "'other'" in problem.finding


def test_a_threshold_may_be_named_by_its_id(tmp_path: Path) -> None:
    from phenofit.validate.thresholds.published_table import load_published

    bundled = next(row for row in load_published() if row.unusable is None)
    cut = STUDY[: STUDY.index("[[published]]")]
    study = load_study(write_study(tmp_path, study=f'{cut}[[published]]\nid = "{bundled.id}"\n'))
    (row,) = study.published
    assert row.amount == bundled.amount
    assert row.species == "example leaf feeder"
    (problem,) = problems(tmp_path, f'{cut}[[published]]\nid = "{bundled.id}x"\n')
    assert f"Did you mean '{bundled.id}'" in str(problem)
    (problem,) = problems(tmp_path, f'{cut}[[published]]\nid = "{bundled.id}"\nbase = "9 degC"\n')
    assert "cannot be changed" in problem.finding


def test_a_word_with_two_meanings_is_refused(tmp_path: Path) -> None:
    problem = one(tmp_path, 'blank = "not checked"', 'blank = "not checked"\nzero = ["x"]')
    assert "'x' is declared with two meanings" in problem.finding


def test_a_biofix_start_needs_its_table(tmp_path: Path) -> None:
    assert "date order" in one(tmp_path, 'start = "01-01"\nend', 'start = "biofix"\nend').finding
    study = STUDY.replace(
        'start = "01-01"\nend',
        'start = "biofix"\nbiofix = "biofix.csv"\ndates = "year-first"\nopens = "02-01"\nend',
    )
    found = load_study(write_study(tmp_path, study=study))
    assert found.season_window() == Season.parse("02-01", "10-31")


def test_lines_are_found_through_lists_and_long_texts() -> None:
    text = '[a]\nx = """\n[b]\ny = 1\n"""\n[[c.d]]\nz = 1\n[[c.d]]\n"z q" = 2\nw.v = 3\n[c.e]\nk = 1\n'
    lines = key_lines(text)
    assert lines["a", "x"] == 2
    assert ("b",) not in lines
    assert lines["c", "d", 1, "z q"] == 9
    assert lines["c", "d", 1, "w", "v"] == 10
    assert lines["c", "e", "k"] == 12
    assert line_of(lines, ("c", "d", 0, "absent")) == 6
    assert line_of(lines, ("nowhere",)) is None
