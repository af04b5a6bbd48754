"""A bench file with the descriptions and certificates that it names. It opens no line."""

import contextlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from instruments.benchfaults import bench_faults
from instruments.benchmodel import BenchFile, BenchInstrument, Simulation
from instruments.certificate import Certificate, LoadedCertificate, certificate_faults
from instruments.dcc_certificate import certificate_document
from instruments.dcc_item import Item
from instruments.description import Description, find_description
from instruments.errors import InputError, shortened
from instruments.passwords import Password
from instruments.units import Quantity, is_alike
from instruments.yamlfile import Document, read

__all__ = ["LoadedBench", "load_bench"]


class LoadedBench:
    """A bench file with the descriptions and certificates it names.

    Args:
        document: the file, for the places of later errors.
        file: its model.
        descriptions: by instrument name.
        certificates: by instrument name, of those that have one.
    """

    def __init__(
        self,
        document: Document,
        file: BenchFile,
        descriptions: dict[str, Description],
        certificates: dict[str, LoadedCertificate],
    ) -> None:
        self.document = document
        self.file = file
        self.descriptions = descriptions
        self.certificates = certificates

    @property
    def path(self) -> Path:
        """Where the file lies."""
        return self.document.path

    def where(self, *path: int | str) -> str:
        """file:line:column of a value."""
        return self.document.where(*path)

    def with_simulation(self, *, seed: int | None, faults: tuple[dict[str, str], ...]) -> "LoadedBench":
        """The same bench with another seed (None = its own) and further simulated faults.

        Raises:
            InputError: the bench is not simulated.
        """
        own = self.file.simulation
        if not self.file.is_simulated or own is None:
            raise InputError(
                "this bench is real: it takes no seed and no fault",
                where=self.where("backend"),
                todo="leave --seed and --fault out, or take --bench simulated",
            )
        changed = own.model_copy(update={"seed": own.seed if seed is None else seed, "faults": (*own.faults, *faults)})
        return self._changed({"simulation": changed})

    def used_again(self, *, backend: str, simulation: Mapping[str, Any] | None) -> "LoadedBench":
        """The bench as an earlier run used it: with the backend and the simulation (its model as JSON) of that run."""
        changed = {
            "backend": backend,
            "simulation": None if simulation is None else Simulation.model_validate(simulation),
        }
        return self._changed(changed)

    def _changed(self, changed: dict[str, Any]) -> "LoadedBench":
        file = self.file.model_copy(update=changed)
        return LoadedBench(self.document, file, self.descriptions, self.certificates)

    def password(self, instrument: str) -> Password | None:
        """Where the password of an instrument stands; None where it has none."""
        return self.file.instruments[instrument].password

    def safe_level(self, instrument: str, function: str) -> Quantity | None:
        """The level that is safe for an output: the bench file's, else the description's; None if neither says."""
        own = self.file.instruments[instrument].safe_level
        spec = self.descriptions[instrument].functions[function]
        return own if own is not None and is_alike(str(own.units), spec.unit) else spec.safe_level


def load_bench(
    path: Path, *, kept: Mapping[str, Description] | None = None, certificates: Mapping[str, Path] | None = None
) -> LoadedBench:
    """A bench file and every description and certificate it names.

    Args:
        path: of the file.
        kept: descriptions by instrument name, to be taken in place of those that the file names.
        certificates: files of certificates by instrument name, in place of those that the file names.

    Raises:
        InputError: any fault of the file, of a description, or between them; all at once.
    """
    document = read(path)
    file: BenchFile = document.into(BenchFile)
    faults: list[InputError] = []
    descriptions: dict[str, Description] = {}
    for name, instrument in file.instruments.items():
        if kept is not None and name in kept:
            descriptions[name] = kept[name]
            continue
        try:
            descriptions[name] = find_description(
                instrument.description,
                beside=path.parent,
                where=document.where("instruments", name, "description"),
            )
        except InputError as error:
            faults.append(error)
            continue
    certified = _certificates(document, file, descriptions, certificates or {}, faults)
    faults.extend(bench_faults(document, file, descriptions))
    for name, each in certified.items():
        if name in descriptions:
            faults.extend(certificate_faults(each, name, descriptions[name]))
    if file.is_simulated and file.simulation is None:
        faults.append(InputError('backend "simulated" needs "simulation"', where=document.where("backend")))
    if faults:
        first, *others = faults
        raise InputError(
            first.what, where=first.where, allowed=first.allowed, todo=first.todo, others=(*first.others, *others)
        )
    return LoadedBench(document, file, descriptions, certified)


def _certificates(
    document: Document,
    file: BenchFile,
    descriptions: Mapping[str, Description],
    kept: Mapping[str, Path],
    faults: list[InputError],
) -> dict[str, LoadedCertificate]:
    """The certificate of each instrument that has one, inline or in a file of its own; `faults` takes what is wrong."""
    found = {}
    for name, instrument in file.instruments.items():
        at = ("instruments", name, "certificate")
        if isinstance(instrument.certificate, Certificate):
            found[name] = LoadedCertificate(document, at, instrument.certificate)
        elif instrument.certificate is not None:
            path = kept.get(name) or document.path.parent / instrument.certificate
            try:
                where, is_real = document.where(*at), not file.is_simulated
                own = _certificate_file(path, instrument, descriptions.get(name), where=where, is_real=is_real)
                if own is not None:
                    found[name] = LoadedCertificate(own[0], (), own[0].into(Certificate), *own[1:])
            except InputError as error:
                faults.append(error)
    return found


def _certificate_file(
    path: Path, instrument: BenchInstrument, description: Description | None, *, where: str, is_real: bool
) -> tuple[Document, tuple[str, ...], Item | None] | None:
    """The document of a certificate, YAML or DCC, with what is in doubt of it, and its item as `LoadedCertificate` has.

    None for a DCC of an instrument whose description is at fault.
    """
    is_there = False
    with contextlib.suppress(OSError, ValueError):  # a name too long for the disk, or with a NUL in it
        is_there = path.is_file()
    if not is_there:
        raise InputError(
            f'there is no certificate "{shortened(str(path))}"',
            where=where,
            allowed="the path of a file, from the folder of the bench file",
            todo="correct the name, or write the file",
        )
    if not instrument.has_dcc:
        return read(path), (), None
    if description is None:
        return None
    return certificate_document(
        path,
        description,
        ranges=instrument.certified_ranges,
        due=instrument.certificate_due,
        where=where,
        identity=instrument.identity,
        stated=instrument.certificate_of,
        is_real=is_real,
    )
