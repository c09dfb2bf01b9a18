"""What all children of a run share: loaded by the process they are forked from, and put out of the collector's sight.

Memory is shared until it is written to, and a collection of garbage writes to every object it looks at.
"""

import gc

import controller.cameras.host  # noqa: F401 - for those that are forked

gc.collect()
gc.freeze()
