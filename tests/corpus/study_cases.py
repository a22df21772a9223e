"""Study files: keys, values, tables that do not go together; several species; a biofix; a season across New Year."""

from __future__ import annotations

from tests.corpus.case import Case, Edit, Files, add, bad, catches, column, key, odd, rows, study, whole
from tests.study.studies import STUDY


def _key(name: str, old: str, new: str, at: str, says: str, problems: int = 1) -> Case:
    return bad(f"study: {name}", study(old, new), at=f"study.toml::{at}", says=says, problems=problems)


def _biofix(text: str, start: str = 'start = "biofix"') -> tuple[Edit, Edit]:
    def table(files: Files) -> None:
        files["biofix.csv"] = text

    return study('start = "01-01"\nend', f'{start}\nbiofix = "biofix.csv"\ndates = "year-first"\nend'), table


_SOUND = "site,date\nA,2024-05-14\nB,2024-05-17\nC,2024-05-20\n"

KEYS = (
    _key("a key with a typing error", "cell_km", "cel_km", "map.cel_km", "not known"),
    _key("a table that is not known", "[map]", "[maps]", "maps", "not known"),
    _key("a key in the wrong table", "cell_km = 2", "cell_km = 2\nbase = 3", "map.base", "not known"),
    _key("no date order", 'dates = "year-first"\n', "", "catches.dates", "absent"),
    _key("an unknown date order", 'dates = "year-first"', 'dates = "american"', "catches.dates", "american"),
    _key("no meaning of a blank", 'blank = "not checked"\n', "", "catches.blank", "absent"),
    _key("an unknown meaning of a blank", 'blank = "not checked"', 'blank = "none"', "catches.blank", "none"),
    _key("no trap table", '[traps]\nfile = "traps.csv"\n', "", "traps", "absent"),
    _key("no species", 'species = "example leaf feeder"\n', "", "study.species", "absent"),
    _key("a blank species", 'species = "example leaf feeder"', 'species = " "', "study.species", "", 1),
    _key("a number for a text", 'file = "traps.csv"', "file = 3", "traps.file", "3"),
    _key("a text for a number", "cell_km = 2", 'cell_km = "two"', "map.cell_km", "two"),
    _key("an infinite number", "cell_km = 2", "cell_km = inf", "map.cell_km", "inf"),
    _key("a NUL in a name", 'file = "traps.csv"', 'file = "tr\\u0000aps.csv"', "traps.file", "file name"),
    _key("month 13", 'start = "01-01"\nend', 'start = "13-01"\nend', "season.start", "13-01"),
    _key("a base without its unit", 'base = "50 degF"', "base = 50", "flights.base", "50"),
    _key("a base in a unit that is none", 'base = "50 degF"', 'base = "50 deg"', "flights.base", "'deg' is not a temperature unit"),
    _key("a base above the upper threshold", 'base = "50 degF"', 'base = "90 degF"', "flights.base", "is not below the upper threshold"),
    _key("an upper threshold without its unit", 'upper = "88 degF"', "upper = 88", "heat.upper", "88"),
    _key("an unknown method", 'method = "single sine"\nupper', 'method = "sine"\nupper', "heat.method", "sine"),
    _key("an unknown curve", 'curve = "normal"', 'curve = "bell"', "flights.curve", "bell"),
    _key("no flights", "count = 1", "count = 0", "flights.count", "0"),
    _key("six flights", "count = 1", "count = 6", "flights.count", "6"),
    _key("a covariate that is no column", "count = 1", 'count = 1\ncovariates = ["elevaton_m"]', "flights.covariates", "elevaton_m"),
    _key("a scheme that is not known", 'leave_out = "year"', 'leave_out = "decade"', "validation.leave_out", "decade"),
    _key("a threshold without its unit", 'unit = "degC d"\n', "", "published 1.unit", "", 1),
    _key("a threshold in a unit of temperature", 'unit = "degC d"', 'unit = "degC"', "published 1.unit", "degC"),
    _key("a threshold of another species", 'id = "leaflet"\n', 'id = "leaflet"\nspecies = "codling moth"\n', "published 1", "codling"),
    _key("a word with two meanings", 'blank = "not checked"', 'blank = "not checked"\nlost = ["T"]', "catches", "two meanings"),
    bad("study: a column of nights that is not there", study("[weather]\n", '[catches.columns]\nnights = "n"\n[weather]\n'), at="catches.csv:1:",
        says="there is no column 'n' (for 'nights')"),
    _key("neither files nor a service", 'files = ["weather.csv"]\n', "", "weather", ""),
    bad("study: text without quotation marks", study('"example leaf feeder"', "example leaf feeder"), at="study.toml:3:", says="not valid TOML"),
    bad("study: a key twice", study("cell_km = 2", "cell_km = 2\ncell_km = 3"), at="study.toml::", says="not valid TOML"),
    bad("study: a table twice", add("study.toml", "[map]"), at="study.toml::", says="not valid TOML"),
    bad("study: empty", whole("study.toml", lambda _: ""), at="study.toml::study", says="absent", problems=4),
    bad("study: not UTF-8", whole("study.toml", lambda t: t.replace("Harrow", "Härrow").encode("latin-1")), at="study.toml::", says="not UTF-8"),
    odd("study: a mark and lines of Windows", whole("study.toml", lambda t: b"\xef\xbb\xbf" + t.replace("\n", "\r\n").encode())),
    odd("study: the upper threshold in °C", study('upper = "88 degF"', 'upper = "31.1 degC"')),
    odd("study: a title in another script", study("Leaf feeder", "葉を食べる蛾")),
)  # fmt: skip


def _two_species(more: str = "") -> Edit:
    def change(files: Files) -> None:
        text = STUDY.replace('species = "example leaf feeder"', 'species = ["red moth", "blue moth"]')
        files["study.toml"] = text.replace(
            "[[published]]\n", '[[published]]\nspecies = "red moth"\n'
        ).replace('blank = "not checked"\n', f'blank = "not checked"\n{more}')

    return change


_BLUE = "".join(
    f"A,2024-06-{day:02d},{count},blue moth\n" for day, count in ((1, 0), (8, 1), (15, 4), (22, 2))
)

SPECIES = (
    odd("species: two in one table", _two_species(), column("species", "red_moth"), add("catches.csv", _BLUE.rstrip())),
    odd("species: spelled with other blanks and letters", _two_species(), column("species", "Red__MOTH"), add("catches.csv", _BLUE.rstrip())),
    bad("species: one without a row", _two_species(), column("species", "red_moth"), at="catches.csv::species", says="no row is of species 'blue moth'"),
    bad("species: no column", _two_species(), at="catches.csv::", says="no species column"),
    odd("species: rows of a third", _two_species(), column("species", "red_moth"), add("catches.csv", _BLUE + "A,2024-06-08,9,green moth"),
        says="1 rows of other species with 9 moths left aside ('green moth')"),
    odd("species: a check that lists the other only", _two_species(), column("species", "red_moth"), add("catches.csv", _BLUE + "A,2024-06-29,9,blue moth"),
        says="taken as not checked"),
    odd("species: a check that lists the other only is zero, as declared", _two_species('unlisted_species = "zero"\n'), column("species", "red_moth"),
        add("catches.csv", _BLUE + "A,2024-06-29,9,blue moth"), checks=10, says="taken as 0, as declared"),
)  # fmt: skip

BIOFIX = (
    odd("biofix: one for each site", *_biofix(_SOUND)),
    bad("biofix: table absent", study('start = "01-01"\nend', 'start = "biofix"\nbiofix = "gone.csv"\ndates = "year-first"\nend'),
        at="gone.csv::", says="does not exist"),
    bad("biofix: no table", study('start = "01-01"\nend', 'start = "biofix"\nend'), at="study.toml::season", says="its table or its date order is not given"),
    bad("biofix: given, not used", *_biofix(_SOUND, 'start = "01-01"'), at="study.toml::season", says="given but not used"),
    bad("biofix: of a site that is none", *_biofix(_SOUND.replace("B,", "BB,")), at="biofix.csv:3:site", says="BB"),
    odd("biofix: a site without one", *_biofix(_SOUND.replace("C,2024-05-20\n", "")), moths=28, checks=6, says="no biofix"),
    bad("biofix: two of one site and season", *_biofix(_SOUND + "A,2024-05-15\n"), at="biofix.csv:5:date", says="has a second biofix"),
    bad("biofix: out of season", *_biofix(_SOUND.replace("05-14", "12-14")), at="biofix.csv:2:date", says="season"),
    bad("biofix: in another order", *_biofix("site,date\nA,14.05.2024\nB,17.05.2024\n"), at="biofix.csv:2:date", says="day-first"),
    bad("biofix: without a date", *_biofix(_SOUND.replace("2024-05-14", "")), at="biofix.csv:2:date", says="has no date"),
    odd("biofix: after the first interval", *_biofix(_SOUND.replace("05-14", "06-05")), moths=39, checks=8, says="begins before the biofix"),
)  # fmt: skip

_SOUTH = study('start = "01-01"\nend = "10-31"', 'start = "07-01"\nend = "05-31"')


def _moved(months: int) -> Edit:
    """Move the catches by months, so that the season crosses New Year."""

    def later(row: list[str]) -> list[str]:
        year, month, day = (int(part) for part in row[1].split("-"))
        at = year * 12 + month - 1 + months
        return [row[0], f"{at // 12}-{at % 12 + 1:02d}-{day:02d}", row[2]]

    return rows("catches.csv", later)


def _two_years(text: str) -> str:
    """Return the days of 2024 and before them the same of 2023, from 1 July on those of February to July."""
    head, *lines = text.splitlines()
    earlier = [line.replace("2024-", "2023-") for line in lines if "-02-29" not in line]
    days = [
        f"S{s},2023-{m:02d}-{d:02d},5.{d % 7},15.{d % 10}"
        for s in (1, 2)
        for m in range(8, 13)
        for d in range(1, 32)
    ]
    real = [day for day in days if not day[8:13] in ("09-31", "11-31")]
    return "\n".join([head, *earlier, *real, *lines]) + "\n"


SEASONS = (
    odd("season: across New Year", _SOUTH, _moved(-4), whole("weather.csv", _two_years), says="2023/24"),
    bad("season: ends before the catches", study('end = "10-31"', 'end = "05-31"'), at="catches.csv::", says="check outside the season"),
    bad("season: 30 February", study('end = "10-31"', 'end = "02-30"'), at="study.toml::season.end", says="02-30"),
    odd("season: 29 February is its first day", study('start = "01-01"\nend', 'start = "02-29"\nend')),
    bad("catches: of a trap far away alone", catches("A,2024-06-01,0", "Q,2024-06-01,0"), at="catches.csv:2:trap", says="'Q' is not in the trap table"),
    odd("pool: the traps of a site", key("catches", 'pool = "site"'), column("site", "one one two", "traps.csv"), checks=6, says="added to a check of another trap"),
    odd("pool: intervals that do not fit together", key("catches", 'pool = "site"'), column("site", "one one two", "traps.csv"), catches("B,2024-06-01,0\n", ""), catches("B,2024-06-08", "B,2024-06-10"),
        moths=39, checks=8, says="do not fit together; kept apart"),
)  # fmt: skip

CASES = (*KEYS, *SPECIES, *BIOFIX, *SEASONS)
