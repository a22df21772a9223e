"""``phenofit demo``: copy the invented study, run it, say where its page is."""

from __future__ import annotations

import argparse
import shutil
from pathlib import Path

from phenofit.cli.options import add_out, add_quiet, refuse_unused

_DEFAULT = Path("reports") / "demo"


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    what = f"folder to copy the study into and to write its results to (default: {_DEFAULT})"
    add_out(parser, what, default=_DEFAULT)
    parser.add_argument("--copy-only", action="store_true", help="copy the study, run nothing")
    add_quiet(parser)


def run(args: argparse.Namespace) -> int:
    """Copy the demo, run it and say where the page is."""
    from phenofit.cli.commands.run import run_and_print

    if args.copy_only:
        refuse_unused(args, ["quiet"], "with --copy-only, which runs nothing")
    study = copy_demo(args.out)
    if args.copy_only:
        print(f"study: {study}")
        return 0
    print("The demo's places, moths, catches and weather are invented data.")
    return run_and_print(study, args.out, quiet=args.quiet)


def copy_demo(folder: Path) -> Path:
    """Copy the bundled study into a folder that is absent, empty, or holds an unchanged copy."""
    from phenofit.errors import DataError, Problem
    from phenofit.files import writing
    from phenofit.files.bundled import bundled_path

    source = bundled_path("demo")
    names = sorted(
        p.relative_to(source) for p in source.rglob("*") if p.is_file() and "__pycache__" not in p.parts
    )
    remedy = "Nothing was written; choose another folder with --out, or move those files away."
    if folder.exists() and not folder.is_dir():
        raise DataError(Problem("there is a file of this name.", remedy, file=str(folder)))
    there = [n for n in names if (folder / n).exists()]
    changed = [str(n) for n in there if (folder / n).read_bytes() != (source / n).read_bytes()]
    if changed:
        finding = f"the folder holds files that differ from the demo's: {', '.join(changed)}."
        raise DataError(Problem(finding, remedy, str(folder)))
    if folder.exists() and any(folder.iterdir()) and not there:
        raise DataError(
            Problem("the folder holds files, and none of them is the demo's.", remedy, str(folder))
        )
    for name in names:
        target = folder / name
        if not target.exists():
            with writing(target) as temporary:
                shutil.copyfile(source / name, temporary)
    return folder / "study.toml"
