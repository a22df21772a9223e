"""The folder that a command writes into: names of files, one run at a time, and which run each file belongs to."""

from phenofit.output_folder.folder import MANIFEST, RunFolder, check_writable, optional_run_folder, run_folder
from phenofit.output_folder.identity import run_id
from phenofit.output_folder.names import distinct_slugs, name_fault, shared_name_fault, species_slug

__all__ = [
    "MANIFEST",
    "RunFolder",
    "check_writable",
    "distinct_slugs",
    "name_fault",
    "optional_run_folder",
    "run_folder",
    "run_id",
    "shared_name_fault",
    "species_slug",
]
