"""Where the password of an instrument stands: never in a file of a bench, nor in anything that is made from one."""

import os
from pathlib import Path
from typing import Self

from pydantic import Field, model_validator

from instruments.errors import InputError
from instruments.filemodel import FileModel

__all__ = ["Password"]


class Password(FileModel):
    """Where the password of an instrument stands: in an environment variable, or alone in a file."""

    environment: str = Field("", description="name of an environment variable", examples=["BENCH_SOURCE_PASSWORD"])
    file: str = Field("", description="whole path of a file that holds it alone", examples=["~/.bench-source"])

    @model_validator(mode="after")
    def _one(self) -> Self:
        if bool(self.environment) == bool(self.file):
            raise ValueError('one of "environment" and "file"')
        # A record keeps a copy of the bench file, and a run that is resumed has that.
        if self.file and not Path(self.file).expanduser().is_absolute():
            raise ValueError('a "file" by its whole path, or from the home folder as in "~/.bench-source"')
        return self

    def read(self, *, where: str) -> str:
        """The password; raises InputError where it is not there, or cannot be sent."""
        if self.environment:
            found = os.environ.get(self.environment, "")
            missing = f"the environment variable {self.environment} holds no password"
        else:
            missing = f"{self.file} holds no password"
            try:
                found = Path(self.file).expanduser().read_text(encoding="utf-8").strip()
            except (OSError, ValueError):
                found = ""
        if not found or not found.isascii() or not found.isprintable():
            raise InputError(missing, where=where, allowed="printable ASCII on one line", todo="put it there")
        return found
