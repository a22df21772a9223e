"""Files as tables: encodings, delimiters, headers, quotation marks, rows that are no data."""

from __future__ import annotations

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
    study,
    traps,
    whole,
)


def _encoded(encoding: str, mark: bytes = b"") -> Edit:
    return whole("catches.csv", lambda text: mark + text.replace("A,", "É,").encode(encoding))


_E = traps("A,44.10", "É,44.10")


def _gone(files: Files) -> None:
    files["catches.csv"] = None


def _between(mark: str) -> Edit:
    return whole("catches.csv", lambda text: text.replace(",", mark))


def _head(line: str) -> Edit:
    return catches("trap,date,count\n", f"{line}\n")


ENCODINGS = (
    odd("encoding: UTF-8 with a mark", _encoded("utf-8", b"\xef\xbb\xbf"), _E),
    odd("encoding: UTF-16 with a mark", _encoded("utf-16"), _E),
    odd("encoding: UTF-16, other byte order", _encoded("utf-16-be", b"\xfe\xff"), _E),
    bad("encoding: UTF-16 without a mark", _encoded("utf-16-le"), _E, at="catches.csv:2:", says="is not UTF-8 text"),
    bad("encoding: UTF-16 without a mark, plain letters", whole("catches.csv", lambda t: t.encode("utf-16-le")),
        at="catches.csv:1:", says="NUL"),
    bad("encoding: Latin-1", _encoded("latin-1"), _E, at="catches.csv:2:", says="is not UTF-8 text"),
    bad("encoding: not text at all", whole("catches.csv", lambda _: bytes(range(256))), at="catches.csv::", says=""),
    bad("encoding: a NUL in a cell", catches("A,2024-06-08,3", "A,2024-06-08,\0"), at="catches.csv:3:", says="NUL"),
    odd("encoding: invisible characters in a cell", catches("A,2024-06-08,3", "A\u200b,2024-06-08\ufeff,3\u2060")),
    odd("encoding: hard blanks about a cell", catches("A,2024-06-08,3", "\u00a0A\u00a0,2024-06-08,3")),
    odd("encoding: accents written in two ways", whole("catches.csv", lambda t: t.replace("A,", "E\u0301,")), _E),
    odd("encoding: a site in another script", traps("A,44.10", "試験,44.10"), whole("catches.csv", lambda t: t.replace("A,", "試験,"))),
)  # fmt: skip

LINES = (
    odd("lines: of Windows", whole("catches.csv", lambda t: t.replace("\n", "\r\n"))),
    odd("lines: of an old Mac", whole("catches.csv", lambda t: t.replace("\n", "\r"))),
    odd("lines: mixed", whole("catches.csv", lambda t: t.replace("\n", "\r\n", 3))),
    odd("lines: no end at the last", whole("catches.csv", lambda t: t.rstrip("\n"))),
    odd("lines: blank ones between", whole("catches.csv", lambda t: t.replace("\n", "\n\n")), says="blank rows skipped"),
    odd("lines: blank ones above the header", whole("catches.csv", lambda t: "\n\n" + t)),
    odd("lines: comments above the header", whole("catches.csv", lambda t: "# exported\n" + t)),
    odd("lines: rows of commas alone", add("catches.csv", ",,\n,,"), says="2 blank rows skipped (rows 14, 15)"),
    odd("lines: a footnote", add("catches.csv", "checked by JB,,"), says="1 footnote below the table skipped (row 14: 'checked by JB')"),
    odd("lines: a footnote without its commas", add("catches.csv", "checked by JB"), says="1 footnote below the table skipped"),
    odd("lines: a title above the header", whole("catches.csv", lambda t: "Moths of 2024\n" + t)),
    bad("lines: units below the header", catches("trap,date,count\n", "trap,date,count\n-,yyyy-mm-dd,n\n"), at="catches.csv:2:date",
        says="is not a date", problems=3),
    bad("lines: the header again in the middle", catches("B,2024-06-01,0\n", "trap,date,count\nB,2024-06-01,0\n"),
        at="catches.csv:6:date", says="is not a date", problems=3),
    bad("lines: a total below", add("catches.csv", "Total,,42"), at="catches.csv:14:date", says="has no date", problems=2),
    bad("file: empty", whole("catches.csv", lambda _: ""), at="catches.csv::", says="the file is empty"),
    bad("file: a header alone", whole("catches.csv", lambda _: "trap,date,count\n"), at="catches.csv::", says="the table has no row"),
    bad("file: absent", _gone, at="catches.csv::", says="does not exist"),
    bad("file: a folder", study('file = "catches.csv"', 'file = "."'), at="::", says="a folder, not a file"),
    bad("file: a device", study('file = "catches.csv"', 'file = "/dev/zero"'), at="zero::", says="a device or a pipe"),
)  # fmt: skip

DELIMITERS = (
    odd("delimiter: semicolon", _between(";")),
    odd("delimiter: tab", _between("\t")),
    odd("delimiter: bar", _between("|")),
    bad("delimiter: blanks", _between(" "), at="catches.csv:1:", says="there is no column 'trap'", problems=3),
    bad("delimiter: header and rows differ", whole("catches.csv", lambda t: t.replace("trap,date,count", "trap;date;count")),
        at="catches.csv:2:", says="the row has 3 cells, the header has 1", problems=12),
    odd("delimiter: semicolon with decimal commas", column("effort", "1.5"),
        whole("catches.csv", lambda t: t.replace(",", ";").replace(".", ","))),
    bad("delimiter: decimal comma between commas", column("effort", "1,5"), at="catches.csv:2:", says="the row has 5 cells",
        problems=12),
    odd("delimiter: two empty cells at the end of each row", whole("catches.csv", lambda t: t.replace("\n", ",,\n"))),
    bad("delimiter: one cell too few", catches("A,2024-06-08,3", "A,2024-06-08"), at="catches.csv:3:", says="the row has 2 cells"),
    bad("delimiter: one cell too many", catches("A,2024-06-08,3", "A,2024-06-08,3,warm"), at="catches.csv:3:", says="the row has 4 cells"),
    odd("delimiter: a comma in quotation marks", traps("A,44.10", '"A, hill",44.10'),
        whole("catches.csv", lambda t: t.replace("A,", '"A, hill",'))),
    odd("delimiter: every cell in quotation marks", rows("catches.csv", lambda r: [f'"{cell}"' for cell in r])),
    bad("quotation mark: not closed", catches("A,2024-06-08,3", 'A,2024-06-08,"3'), at="catches.csv:3:", says="cannot be split into cells"),
    bad("quotation mark: in the middle of a cell", catches("A,2024-06-08,3", 'A,2024-06-08,"3"x'), at="catches.csv:3:",
        says="cannot be split into cells"),
    bad("quotation mark: a line break in a cell", catches("A,2024-06-08,3", 'A,2024-06-08,"3\n4"'), at="catches.csv:3:count",
        says="is not a count"),
)  # fmt: skip

HEADERS = (
    odd("header: capital letters", _head("TRAP,Date,Count")),
    odd("header: blanks about the names", _head(" trap , date ,count ")),
    odd("header: an invisible character", _head("\u200btrap,date,count\ufeff")),
    odd("header: in quotation marks", _head('"trap","date","count"')),
    odd("header: 'check' for the date", _head("trap,check,count")),
    odd("header: names of one's own", _head("PlotID,Day,N"), study("[weather]\n", '[catches.columns]\ntrap = "PlotID"\ndate = "Day"\ncount = "N"\n[weather]\n')),
    bad("header: names that are not declared", _head("PlotID,Day,N"), at="catches.csv:1:", says="there is no column 'trap'", problems=3),
    bad("header: a declared name that is absent", study("[weather]\n", '[catches.columns]\ncount = "moths"\n[weather]\n'),
        at="catches.csv:1:", says="there is no column 'moths' (for 'count')"),
    bad("header: a name of ours that is none", study("[weather]\n", '[catches.columns]\nnumber = "count"\n[weather]\n'),
        at="catches.csv::", says="the column setting 'number' is not known"),
    bad("header: no count", _head("trap,date,"), at="catches.csv:1:", says="there is no column 'count'"),
    bad("header: no date", _head("trap,,count"), at="catches.csv:1:", says="there is no column 'date'"),
    bad("header: no header", whole("catches.csv", lambda t: t.split("\n", 1)[1]), at="catches.csv:1:", says="there is no column 'trap'",
        problems=3),
    bad("header: a name twice", whole("catches.csv", lambda t: t.replace("\n", ",7\n").replace("count,7", "count,count")),
        at="catches.csv:1:count", says="the column is a duplicate"),
    odd("header: a nameless column", whole("catches.csv", lambda t: t.replace("\n", ",7\n").replace("count,7", "count,"))),
    odd("header: further columns", column("remark", "sunny")),
    odd("header: a trap of two columns", study("[weather]\n", '[catches.columns]\ntrap = ["trap", "lure"]\n[weather]\n'), column("lure", "Z"),
        whole("traps.csv", lambda t: t.replace("\nA,", "\nA Z,").replace("\nB,", "\nB Z,").replace("\nC,", "\nC Z,"))),
    odd("fill down: a merged trap cell", key("catches", 'fill_down = ["trap"]'),
        whole("catches.csv", lambda t: t.replace("A,2024-06-08", ",2024-06-08").replace("A,2024-06-15", ",2024-06-15")),
        says="blank 'trap' cells filled from the row above"),
    bad("fill down: not asked for", catches("A,2024-06-08", ",2024-06-08"), at="catches.csv:3:trap", says="the row names no trap"),
    bad("fill down: of counts", key("catches", 'fill_down = ["count"]'), at="study.toml::", says="cannot be filled down"),
)  # fmt: skip

CASES: tuple[Case, ...] = (*ENCODINGS, *LINES, *DELIMITERS, *HEADERS)
