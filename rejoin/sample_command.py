"""What ``rejoin sample`` does: lists the samples, or copies one."""

from __future__ import annotations

import argparse
import shutil
from pathlib import Path

from rejoin.core.errors import FileTrouble, WrongUse
from rejoin.core.samples import sample_about, sample_folder, sample_fragments, sample_names


def sample_command(arguments: argparse.Namespace) -> int:
    """List the samples, or copy one."""
    if arguments.name is None:
        if arguments.to:
            raise WrongUse("Which sample is to be copied was not said.", f"Choose one of: {', '.join(sample_names())}.")
        for name in sample_names():
            print(f"{name}: {len(sample_fragments(name))} fragments. {sample_about(name)}")
        return 0
    source = sample_folder(arguments.name)
    if not arguments.to:
        raise WrongUse(
            "Where the sample is to go was not said.", f"Give it: rejoin sample {arguments.name} --to FOLDER."
        )
    try:
        shutil.copytree(source, arguments.to, dirs_exist_ok=True)
    except (OSError, shutil.Error) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else "see its permissions"
        raise FileTrouble(
            f"The sample cannot be copied to {arguments.to} ({reason}).", "Choose another folder."
        ) from error
    for path in sorted(Path(arguments.to).iterdir()):
        if (source / path.name).exists():
            print(path)
    return 0
