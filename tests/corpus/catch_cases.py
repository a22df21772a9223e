"""Catch tables: dates, counts, words, units, repeats, intervals."""

from __future__ import annotations

from tests.corpus.case import Case, Edit, add, bad, catches, column, key, odd, rows, study, whole

_A8 = "A,2024-06-08,3"


def _date(text: str, name: str, says: str, **more: int) -> Case:
    return bad(f"date: {name}", catches(_A8, f"A,{text},3"), at="catches.csv:3:date", says=says, **more)


def _count(text: str, name: str, says: str) -> Case:
    return bad(f"count: {name}", catches(_A8, f"A,2024-06-08,{text}"), at="catches.csv:3:count", says=says)


def _reads(text: str, name: str, moths: int, checks: int = 9, says: str = "") -> Case:
    return odd(f"count: {name}", catches(_A8, f"A,2024-06-08,{text}"), moths=moths, checks=checks, says=says)


def _order(form: str, declared: str) -> tuple[Edit, Edit]:
    def turned(row: list[str]) -> list[str]:
        year, month, day = row[1].split("-")
        return [row[0], form.format(year=year, month=month, day=day, short=year[2:]), row[2]]

    return rows("catches.csv", turned), study('dates = "year-first"', f'dates = "{declared}"')


DATES = (
    _date("2024-06-31", "31 June", "no day of the calendar"),
    _date("2024-13-08", "month 13", "no day of the calendar"),
    _date("2023-02-29", "29 February of a common year", "no day of the calendar"),
    _date("08.06.2024", "day first among year first", "the declared order is year-first"),
    _date("6/8/24", "short American among year first", "no year of four digits"),
    _date("45451", "day number of a spreadsheet", "day number of a spreadsheet"),
    _date("45451.5", "day number with a time", "day number of a spreadsheet"),
    _date("2024-06-08T25:00", "hour 25", "no such time of day"),
    _date("2024-06-08 12:61", "minute 61", "no such time of day"),
    _date("2024-06-08T12:00:00Z", "time zone", "is not a date"),
    _date("1024-06-08", "year 1024", "outside the years"),
    _date("20240-06-08", "year of five digits", "is not a date"),
    _date("", "blank", "has no date"),
    _date("NA", "NA", "has no date"),
    _date("soon", "a word", "is not a date"),
    _date("June 2024", "month without a day", "is not a date"),
    _date("8 Juni 2024", "month in another language", "is not a date"),
    _date("٢٠٢٤-06-08", "digits of another script", "is not a date"),
    _date("2024-06-08?", "a doubtful date", "is not a date"),
    _date("2024-06-08/09", "two days in one cell", "is not a date"),
    bad("date: American order as a whole", *_order("{month}/{day}/{year}", "day-first"), at="catches.csv:4:date",
        says="all 12 dates look month-first"),
    bad("date: season totals", rows("catches.csv", lambda r: [r[0], "2024", r[2]]), at="catches.csv:2:date",
        says="these are season totals"),
    bad("date: span of years", rows("catches.csv", lambda r: [r[0], "2023/24", r[2]]), at="catches.csv:2:date",
        says="these are season totals"),
    bad("date: backwards in one order only",
        whole("catches.csv", lambda _: "trap,date,count\nA,05/06/2024,0\nA,12/06/2024,3\nA,02/07/2024,9\n"),
        study('dates = "year-first"', 'dates = "month-first"'), at="catches.csv:4:date", says="before the check in the row above"),
    odd("date: two-digit years", *_order("{month}/{day}/{short}", "month-first"), says="two-digit year read as 1969 to 2068"),
    odd("date: day first with dots", *_order("{day}.{month}.{year}", "day-first")),
    odd("date: without separators", *_order("{year}{month}{day}", "year-first")),
    odd("date: slashes, year first", *_order("{year}/{month}/{day}", "year-first")),
    odd("date: month by name", *_order("{day} June {year}", "day-first")),
    odd("date: month by name first", *_order("June {day} {year}", "year-first")),
    odd("date: with a time of day", rows("catches.csv", lambda r: [r[0], f"{r[1]}T07:30", r[2]])),
    odd("date: midnight as 24:00", rows("catches.csv", lambda r: [r[0], f"{r[1]} 24:00", r[2]])),
    odd("date: hour that the spring clock skips", rows("catches.csv", lambda r: [r[0], f"{r[1]} 02:30", r[2]])),
    odd("date: rows in no order", whole("catches.csv", lambda t: "\n".join([t.splitlines()[0], *sorted(t.splitlines()[1:],
        key=lambda line: line[::-1])]) + "\n")),
    odd("date: out of season", add("catches.csv", "A,2024-12-24,5"), says="5 moths in 1 check (check outside the season)"),
    odd("date: last day of the season", study('end = "10-31"', 'end = "06-22"')),
    odd("date: a typed century", add("catches.csv", "A,2124-06-08,5"),
        says="no weather from the start of the seasons 2124"),
)  # fmt: skip

COUNTS = (
    _count("-3", "negative", "negative count"),
    _count("−3", "negative with a typographic minus", "negative count"),
    _count("3.5", "a fraction", "not a whole number"),
    _count(".5", "a fraction without a zero", "not a whole number"),
    _count('"3,5"', "a fraction with a comma", "not a whole number"),
    _count('"1,000"', "thousands with a comma", "thousands"),
    _count("1.000", "thousands with a dot", "thousands"),
    _count("1 000", "thousands with a blank", "thousands"),
    _count("1'000", "thousands with an apostrophe", "thousands"),
    _count("1e3", "an exponent", "is not a count"),
    _count("<5", "an upper bound", "only an upper bound"),
    _count("≤5", "an upper bound, one sign", "only an upper bound"),
    _count("~20", "about", "is not a count"),
    _count("20-30", "a range", "is not a count"),
    _count("NA", "NA", "is not a count"),
    _count("nan", "nan", "is not a count"),
    _count("-", "a dash that is not declared", "is not a count"),
    _count("?", "a question mark", "is not a count"),
    _count("none", "a word that is not declared", "is not a count"),
    _count("12 moths", "with a word", "is not a count"),
    _count("12*", "with a footnote mark", "is not a count"),
    _count("I2", "a letter for a digit", "is not a count"),
    _count("½", "half", "is not a count"),
    _count("=1+2", "a formula", "is not a count"),
    _count("10000001", "too large", "too large for a count"),
    _count("9" * 40, "forty digits", "too large for a count"),
    _count("2024-06-08", "a date", "is not a count"),
    _count("#REF!", "an error of a spreadsheet", "is not a count"),
    _count("TRUE", "a truth value", "is not a count"),
    _reads("٣", "digit of another script", 42),
    _reads("007", "leading zeros", 46),
    _reads("+5", "with a plus sign", 44),
    _reads("5.0", "a whole number with a decimal", 44),
    _reads("\u00a05", "a hard blank", 44),
    _reads('"5"', "in quotation marks", 44),
    _reads(">5", "at least", 44, says="5 moths of them not counted exactly"),
    _reads("≥5", "at least, one sign", 44),
    _reads("5+", "at least, sign behind", 44),
    _reads("T", "present", 40, says="1 moth of them not counted exactly"),
    _reads("x", "present, small letter", 40),
    _reads("", "blank: the next catch has the longer interval", 39, 8, "not checked; where the trap stood"),
    _reads("lost", "lost", 39, 8, "trap lost or catch spoilt"),
    _reads("not checked", "not checked", 39, 8),
    odd("count: blank is zero, as declared", catches(_A8, "A,2024-06-08,"),
        study('blank = "not checked"', 'blank = "zero"'), moths=39),
    odd("count: a dash declared as zero", catches(_A8, "A,2024-06-08,-"), key("catches", 'zero = ["-"]'), moths=39),
    odd("count: a word declared as lost", catches(_A8, "A,2024-06-08,blown down"), key("catches", 'lost = ["Blown down"]'),
        moths=39, checks=8),
    odd("count: thousands, as declared", catches(_A8, "A,2024-06-08,\"1,000\""), key("catches", "thousands = ','"), moths=1039),
    bad("count: thousands in groups of two", catches(_A8, "A,2024-06-08,\"1,00\""), key("catches", "thousands = ','"),
        at="catches.csv:3:count", says="no count with ',' between the thousands"),
    bad("count: another separator than declared", catches(_A8, "A,2024-06-08,1.000"), key("catches", "thousands = ','"),
        at="catches.csv:3:count", says="thousands"),
    bad("count: a column of text", rows("catches.csv", lambda r: [r[0], r[1], "some"]), at="catches.csv:2:count",
        says="is not a count", problems=12),
)  # fmt: skip

STATUS = (
    odd("status: lost", catches(_A8, "A,2024-06-08,"), column("status", "ok lost ok"), moths=39, checks=8,
        says="trap lost or catch spoilt"),
    odd("status: not checked", catches(_A8, "A,2024-06-08,"), column("status", ". not_checked ."), moths=39, checks=8),
    bad("status: unknown word", column("status", "ok gone ok"), at="catches.csv:3:status", says="no declared status"),
    bad("status: lost, with a count", column("status", "ok lost ok"), at="catches.csv:3:status", says="contradicts the count"),
    bad("status: counted, without a count", catches(_A8, "A,2024-06-08,"), column("status", "counted"),
        at="catches.csv:3:count", says="there is no count"),
    bad("status: present, with zero", column("status", "present ."), at="catches.csv:2:status", says="contradicts"),
)  # fmt: skip

UNITS = (
    odd("rate: whole after times the nights", key("catches", 'unit = "moths per night"'),
        rows("catches.csv", lambda r: [r[0], r[1], f"{int(r[2]) / 7:.3f}"]), says="rates per night times their nights"),
    bad("rate: no whole number", key("catches", 'unit = "moths per night"'), catches(_A8, "A,2024-06-08,0.5"),
        at="catches.csv:3:count", says="no whole number of moths"),
    bad("rate: nights not known", key("catches", 'unit = "moths per night"'), catches("A,2024-06-01,0", "A,2024-06-01,2"),
        at="catches.csv:2:count", says="are not known"),
    bad("rate: a bound", key("catches", 'unit = "moths per night"'), catches(_A8, "A,2024-06-08,>3"),
        at="catches.csv:3:count", says="a bound of a rate"),
    bad("rate: an unknown unit", key("catches", 'unit = "per trap"'), at="study.toml::catches.unit", says="per trap"),
    odd("effort: two traps", column("effort", "2")),
    bad("effort: zero", column("effort", "1 0 1"), at="catches.csv:3:effort", says="out of range"),
    bad("effort: negative", column("effort", "1 -1 1"), at="catches.csv:3:effort", says="out of range"),
    bad("effort: a word", column("effort", "1 two 1"), at="catches.csv:3:effort", says="is not a number"),
    odd("effort: blank is one", column("effort", "1 . 1")),
)  # fmt: skip

REPEATS = (
    bad("repeat: two counts of one date", add("catches.csv", "A,2024-06-08,4"), at="catches.csv:14:date", says="checked twice"),
    odd("repeat: added up", add("catches.csv", "A,2024-06-08,4"), key("catches", 'duplicates = "sum"'), moths=46,
        says="1 rows added to another"),
    odd("repeat: lost and counted are not added", add("catches.csv", "A,2024-06-08,lost"), key("catches", 'duplicates = "sum"'),
        moths=39, checks=8, says="3 moths are not used"),
    bad("repeat: in no order, the date is named", add("catches.csv", "A,2024-06-01,4\nB,2024-06-15,1"),
        at="catches.csv:14:date", says="checked twice on 2024-06-01", problems=2),
)  # fmt: skip

INTERVALS = (
    odd("interval: set dates", column("set", "2024-05-25 ."), checks=10),
    bad("interval: set after the check", column("set", "2024-06-05 ."), at="catches.csv:2:set", says="not before its check"),
    bad("interval: of no length", column("set", "2024-06-01 ."), at="catches.csv:2:set", says="not before its check"),
    bad("interval: overlaps", column("set", ". 2024-06-01 2024-06-05 ."), at="catches.csv:4:set", says="overlaps"),
    bad("interval: set in another order", column("set", "25.05.2024 ."), at="catches.csv:2:set", says="day-first"),
    odd("interval: set before the season", column("set", "2023-12-20 ."), says="begins before the season"),
    odd("interval: length of the first declared", key("catches", "first_interval_days = 7"), checks=12),
    bad("interval: first of no length", key("catches", "first_interval_days = 0"), at="study.toml::catches.first_interval_days",
        says="0"),
    bad("interval: first of a billion days", key("catches", "first_interval_days = 1e9"),
        at="study.toml::catches.first_interval_days", says="from one hour (0.0417) to 366"),
    bad("interval: longest of 400 digits", key("catches", f"longest_interval_days = 1{'0' * 400}"),
        at="study.toml::catches.longest_interval_days", says="not a number"),
    odd("interval: too long", key("catches", "longest_interval_days = 10"), catches("A,2024-06-15,9\n", ""), moths=28, checks=6,
        says="longer than the longest accepted"),
    odd("interval: one check of a trap", whole("catches.csv", lambda t: t[: t.index("C,2024-06-08")]), moths=28, checks=6,
        says="first check of the season"),
    odd("interval: check at an hour", key("catches", "hour = 8")),
    bad("interval: hour 24", key("catches", "hour = 24"), at="study.toml::catches.hour", says="24"),
    bad("interval: no interval at all", whole("catches.csv", lambda _: "trap,date,count\nA,2024-06-01,3\n"),
        at="catches.csv::", says="no interval of 1 records can be used"),
    bad("interval: no moth at all", rows("catches.csv", lambda r: [r[0], r[1], "0"]), at="catches.csv::",
        says="no moth caught"),
    bad("interval: too few checks with moths", whole("catches.csv", lambda t: t.replace(",3", ",0").replace(",9", ",0").replace("C,2024-06-22,2", "C,2024-06-22,0")),
        at="catches.csv::", says="too few records"),
)  # fmt: skip

CASES = (*DATES, *COUNTS, *STATUS, *UNITS, *REPEATS, *INTERVALS)
