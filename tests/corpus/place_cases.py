"""Trap tables, stations and weather."""

from __future__ import annotations

from collections.abc import Callable

from tests.corpus.case import (
    Case,
    Edit,
    Files,
    add,
    bad,
    catches,
    column,
    key,
    odd,
    rows,
    stations,
    study,
    traps,
    weather,
    whole,
)
from tests.study.studies import WEATHER, weather_line, weather_row

_C = "C,44.15,-98.15,420"


def _at(text: str, name: str, where: str, says: str, **more: int) -> Case:
    return bad(f"place: {name}", traps(_C, f"C,{text}"), at=f"traps.csv:4:{where}", says=says, **more)


def _each_day(make: Callable[[list[str]], list[str]]) -> Edit:
    return rows("weather.csv", make)


def _day(month: int, day: int, low: str, high: str, station: str = "S1") -> Edit:
    old = weather_row(station, month, day)
    return weather(old, f"{station},2024-{month:02d}-{day:02d},{low},{high}\n")


def _tenfold(first: str, end: str) -> Edit:
    return _each_day(lambda r: [*r[:2], *(str(float(c) * 10) for c in r[2:])] if first <= r[1] < end else r)


def _without_days(*days: tuple[int, int], station: str = "S1") -> Edit:
    def change(files: Files) -> None:
        text = files["weather.csv"]
        assert isinstance(text, str)
        for month, day in days:
            text = text.replace(weather_row(station, month, day), "")
        files["weather.csv"] = text

    return change


def _scaled(factor: float, offset: float = 0.0) -> Edit:
    return _each_day(lambda r: [r[0], r[1], *(f"{factor * float(cell) + offset:.1f}" for cell in r[2:])])


_AUTUMN = "".join(
    f"S{station},2024-{month:02d}-{day:02d},{20 - month}.{day % 10},{31 - month}.{day % 7}\n"
    for station in (1, 2)
    for month in range(8, 13)
    for day in range(1, 31)
)


def _row(month: int, day: int) -> int:
    return weather_line("S1", month, day)


PLACES = (
    _at("94.15,-98.15,420", "latitude above 90", "latitude", "out of range"),
    _at("44.15,-198.15,420", "longitude below -180", "longitude", "out of range"),
    _at("44.15,261.85,420", "longitude east of Greenwich to 360", "longitude", "Did you mean -98.15?"),
    _at("44.15,98.15,420", "longitude without its sign", "longitude", "did you mean -98.15?"),
    _at("-44.15,-98.15,420", "latitude with a sign", "latitude", "did you mean 44.15?"),
    _at("-98.15,44.15,420", "latitude and longitude exchanged", "latitude", "look swapped"),
    _at("0,0,420", "zero, zero", "latitude", "lies at 0, 0"),
    _at(",-98.15,420", "latitude blank", "latitude", "has no value"),
    _at("44.15,,420", "longitude blank", "longitude", "has no value"),
    _at("44°09'N,-98.15,420", "degrees and minutes", "latitude", "is not a number"),
    _at("44.15N,-98.15,420", "a letter for the side", "latitude", "is not a number"),
    _at("nan,-98.15,420", "nan", "latitude", "has no value"),
    _at("inf,-98.15,420", "infinite", "latitude", "is not a number"),
    _at("44.15,-98.15,13780", "height in feet", "elevation_m", "out of range"),
    _at("44.15,-98.15,420 m", "height with its unit", "elevation_m", "is not a number"),
    _at("44.15,-98.15,-9999", "height of a missing code", "elevation_m", "out of range"),
    _at("46.15,-98.15,420", "far from every station", "", "the limit is 40 km"),
    odd("place: height not known", traps(_C, "C,44.15,-98.15,")),
    odd("place: heights not given", whole("traps.csv", lambda t: "\n".join(line.rsplit(",", 1)[0] for line in t.splitlines()))),
    bad("place: decimal commas between commas", traps("A,44.10,-98.20,400", "A,44,10,-98,20,400"), at="traps.csv:2:", says="cells, the header has 4"),
    odd("place: decimal commas between semicolons", whole("traps.csv", lambda t: t.replace(",", ";").replace(".", ","))),
    odd("place: two traps at one place", traps(_C, "C,44.20,-98.10,420")),
)  # fmt: skip

NAMES = (
    bad("trap: not in the trap table", catches("C,2024-06-08", "D,2024-06-08"), at="catches.csv:11:trap", says="'D' is not in the trap table"),
    bad("trap: another case of letters", catches("C,2024-06-08", "c,2024-06-08"), at="catches.csv:11:trap", says="'c' is not in the trap table"),
    odd("trap: blanks behind the name", catches("C,2024-06-08", "C  ,2024-06-08")),
    bad("trap: a leading zero lost", whole("traps.csv", lambda t: t.replace("\nA,", "\n01,")), whole("catches.csv", lambda t: t.replace("A,", "1,")),
        at="catches.csv:2:trap", says="'1' is not in the trap table"),
    odd("trap: a leading zero kept", whole("traps.csv", lambda t: t.replace("\nA,", "\n01,")), whole("catches.csv", lambda t: t.replace("A,", "01,"))),
    bad("trap: two rows at one place", add("traps.csv", "C,44.15,-98.15,420"), at="traps.csv:5:trap", says="at the same place"),
    bad("trap: two rows at two places", add("traps.csv", "C,44.25,-98.15,420"), at="traps.csv:5:trap", says="11.1 km apart"),
    bad("trap: without a name", add("traps.csv", ",44.25,-98.15,420"), at="traps.csv:5:trap", says="the trap has no name"),
    odd("trap: never checked", add("traps.csv", "D,44.25,-98.15,420"), says=""),
    odd("trap: moved in the season", add("traps.csv", "C,44.25,-98.10,420"), column("valid_from", ". . . 2024-06-15", "traps.csv"), moths=40, checks=8,
        says="1 moved traps are separate series"),
    odd("trap: moved between two checks", add("traps.csv", "C,44.25,-98.10,420"), column("valid_from", ". . . 2024-06-12", "traps.csv"),
        moths=28, checks=6, says="the trap was moved within the interval"),
    bad("trap: moved on no date", add("traps.csv", "C,44.25,-98.10,420"), column("valid_from", ".", "traps.csv"), at="traps.csv:5:valid_from",
        says="without a date that separates them"),
    bad("trap: moved on a day of another order", add("traps.csv", "C,44.25,-98.10,420"), column("valid_from", ". . . 15.06.2024", "traps.csv"),
        at="traps.csv:5:valid_from", says="day-first", problems=2),
    bad("traps: none", whole("traps.csv", lambda t: t.splitlines()[0] + "\n"), at="traps.csv::", says="the table has no row", problems=4),
    bad("traps: none, with a column of moves", whole("traps.csv", lambda _: "trap,latitude,longitude,valid_from\n"), at="traps.csv::",
        says="the table has no row", problems=4),
    odd("traps: a covariate", column("crop", "maize", "traps.csv")),
    bad("traps: a covariate with two meanings of a comma", whole("traps.csv", lambda t: t.replace(",", ";")), whole("traps.csv", lambda t:
        t.replace("elevation_m", "elevation_m;size").replace("400", "400;1.000").replace(".10;\n", ".10;;2.000\n").replace("420", "420;3.000")),
        at="traps.csv:2:size", says="may be 1000 or 1", problems=3),
)  # fmt: skip

STATIONS = (
    bad("station: named for a trap, but absent", column("station", "S9 .", "traps.csv"), at="traps.csv:2:station", says="'S9' is not in the weather"),
    odd("station: named for a trap", column("station", "S2", "traps.csv")),
    bad("station: without a row of weather", add("stations.csv", "S3,44.12,-98.18,390"), column("station", "S3 .", "traps.csv"),
        at="traps.csv:2:station", says="no weather file has a day of it"),
    bad("station: twice", add("stations.csv", "S1,44.12,-98.18,390"), at="stations.csv:4:station", says="S1"),
    bad("station: latitude above 90", stations("44.12", "94.12"), at="stations.csv:2:latitude", says="94.12"),
    bad("station: latitude blank", stations("44.12", ""), at="stations.csv:2:latitude", says="has no value"),
    bad("station: position a degree off", stations("S1,44.12,-98.18", "S1,46.12,-98.18"), stations("S2,44.22,-98.05", "S2,46.22,-98.05"),
        at="traps.csv:2:", says="the limit is 40 km", problems=3),
    bad("station: longitude without its sign", stations("-98.18", "98.18"), stations("-98.05", "98.05"), at="traps.csv:2:",
        says="Did you mean longitude 98.2?", problems=3),
    bad("station: table absent", study('stations = "stations.csv"', 'stations = "places.csv"'), at="places.csv::", says="does not exist"),
    bad("station: no table at all", study('stations = "stations.csv"\n', ""), at="traps.csv:2:", says="no position", problems=3),
    odd("station: height not known", stations(",390", ",")),
    odd("station: a limit of distance", study("max_distance_km = 40", "max_distance_km = 100")),
    bad("station: a limit of nothing", study("max_distance_km = 40", "max_distance_km = 0"), at="study.toml::weather.max_distance_km", says="0"),
)  # fmt: skip

TEMPERATURES = (
    bad("weather: no unit", study('unit = "degC"\n', ""), at="study.toml::weather", says="unit"),
    bad("weather: an unknown unit", study('unit = "degC"', 'unit = "celcius"'), at="study.toml::weather.unit", says="celcius"),
    bad("weather: °F declared as °C", _scaled(1.8, 32), at="weather.csv::", says="in the declared unit", problems=2),
    bad("weather: °C declared as °F", add("weather.csv", _AUTUMN), study('unit = "degC"', 'unit = "degF"'), at="weather.csv::", says="in the declared unit", problems=2),
    bad("weather: tenths of a degree", _scaled(10), at="weather.csv::", says="in the declared unit", problems=2),
    bad("weather: kelvin declared as °C", _scaled(1, 273.15), at="weather.csv::", says="", problems=2),
    odd("weather: kelvin", _scaled(1, 273.15), study('unit = "degC"', 'unit = "kelvin"')),
    odd("weather: °F", _scaled(1.8, 32), study('unit = "degC"', 'unit = "degF"')),
    bad("weather: a word", _day(5, 10, "warm", "20"), at=f"weather.csv:{_row(5, 10)}:tmin", says="is not a number"),
    odd("weather: minimum above maximum", _day(7, 10, "27.9", "15.1"), says="minimum above the maximum, set to missing: 1 (S1 2024-07-10)"),
    bad("weather: minimum and maximum exchanged throughout", _each_day(lambda r: [*r[:2], r[3], r[2]]), at="traps.csv:2:",
        says="with minimum above maximum", problems=3),
    odd("weather: code -9999", _day(7, 10, "-9999", "20"), says=""),
    odd("weather: code -99", _day(7, 10, "10", "-99"), says=""),
    odd("weather: code 999.9", _day(7, 10, "10", "999.9"), says=""),
    odd("weather: a spike", _day(7, 10, "12", "113"), says=""),
    odd("weather: a blank", _day(7, 10, "", "20"), says=""),
    odd("weather: a day without a row before the last check", _without_days((5, 10)), moths=14, checks=3, says="no temperatures on 1 day from 2024-05-10"),
    odd("weather: a day without a row, filled", _without_days((5, 10)), key("weather", 'fill = ["interpolation"]'), says="filled"),
    odd("weather: a longer gap than may be filled", _without_days(*((5, d) for d in range(10, 20))), key("weather", 'fill = ["interpolation"]\nmax_gap_days = 3'),
        moths=14, checks=3, says="no temperatures on 10 days from 2024-05-10"),
    bad("weather: ten times too large for a month", _tenfold("2024-07-05", "2024-08-01"), at="weather.csv::", says="in the declared unit", problems=2),
    odd("weather: ten times too large for days", _tenfold("2024-07-05", "2024-07-10"), says="scale"),
    bad("weather: one value for all days", _each_day(lambda r: [r[0], r[1], "8", "18"]), at="study.toml::weather.checks", says="'repeated_value' doubts",
        problems=2),
    bad("weather: a date in another order", _each_day(lambda r: [r[0], f"{r[1][8:]}.{r[1][5:7]}.{r[1][:4]}", *r[2:]]), at="weather.csv:2:date",
        says="look day-first"),
    odd("weather: a date in another order, declared", _each_day(lambda r: [r[0], f"{r[1][8:]}.{r[1][5:7]}.{r[1][:4]}", *r[2:]]),
        key("weather", 'dates = "day-first"')),
    bad("weather: 31 June", weather(weather_row("S1", 6, 30), weather_row("S1", 6, 30).replace("06-30", "06-31")),
        at=f"weather.csv:{_row(6, 30)}:date", says="no day of the calendar"),
    odd("weather: a day twice, alike", add("weather.csv", weather_row("S1", 5, 10).strip()), says=""),
    odd("weather: a day twice, unlike", add("weather.csv", "S1,2024-05-10,1,2"), moths=14, checks=3, says=""),
    odd("weather: a day twice, the first taken", add("weather.csv", "S1,2024-05-10,1,2"), key("weather", 'duplicates = "first"'), says=""),
    odd("weather: days in no order", whole("weather.csv", lambda t: "\n".join([t.splitlines()[0], *reversed(t.splitlines()[1:])]) + "\n")),
    odd("weather: semicolons and decimal commas", whole("weather.csv", lambda t: t.replace(",", ";").replace(".", ","))),
    bad("weather: decimal commas between commas", _each_day(lambda r: [r[0], r[1], r[2].replace(".", ","), r[3]]), at="weather.csv:2:",
        says="the row has 5 cells", problems=426),
    bad("weather: no maximum", whole("weather.csv", lambda t: "\n".join(line.rsplit(",", 1)[0] for line in t.splitlines())), at="weather.csv:1:",
        says="there is no column 'tmax'"),
    bad("weather: of other years", whole("weather.csv", lambda t: t.replace("2024", "2020")), at="study.toml::weather",
        says="reaches back to the start of no season"),
    bad("weather: begins after the season does", whole("weather.csv", lambda _: "station,date,tmin,tmax\n" + "".join(
        line + "\n" for line in WEATHER.splitlines()[1:] if line[3:] > "2024-03")), at="study.toml::weather", says="reaches back to the start of no season"),
    odd("weather: ends before the last check", whole("weather.csv", lambda _: "station,date,tmin,tmax\n" + "".join(
        line + "\n" for line in WEATHER.splitlines()[1:] if line[3:] < "2024-06-18")), moths=36, checks=6, says="no heat sum"),
    bad("weather: no row", whole("weather.csv", lambda t: t.splitlines()[0] + "\n"), at="weather.csv::", says="there is no day in it"),
    bad("weather: an empty file", whole("weather.csv", lambda _: ""), at="weather.csv::", says="the file is empty"),
    odd("weather: a site of a station in another script", whole("weather.csv", lambda t: t.replace("S1", "観測所")), stations("S1", "観測所")),
)  # fmt: skip

CASES = (*PLACES, *NAMES, *STATIONS, *TEMPERATURES)
