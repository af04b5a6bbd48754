"""The faults of the simulated bench, by name and size, as what each changes in a chain."""

from instruments.simulated.faults.catalogue import CATALOGUE, fault
from instruments.simulated.faults.kind import Fault, FaultKind, Parameter, Place

__all__ = ["CATALOGUE", "Fault", "FaultKind", "Parameter", "Place", "fault"]
