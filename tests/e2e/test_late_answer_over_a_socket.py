"""Over a real socket in real time: a late answer never becomes the next reading, and a lost connection comes back."""

import pytest

from instruments.clock import RealClock
from instruments.datasheet import DataSheet, Stage, Tap
