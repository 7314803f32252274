"""The checks that any driver must pass, bundled or a stranger's: `meterlink driver check`, and the tests.

A driver is tried on its recordings (docs/recordings.md), on the frames its `build` makes, and on both of them damaged.
"""

from meterlink.driver_check.checks import Result, check_driver
from meterlink.driver_check.damage import Tally, tally

__all__ = ["Result", "Tally", "check_driver", "tally"]
