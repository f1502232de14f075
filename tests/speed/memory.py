"""What a night of 100 requests holds in memory, from the scenario to the written folder.

Run: python tests/speed/memory.py [COUNT ...]. The queues are those of night.py; each is planned, audited and
written in a process of its own, and told is the most that process has held when each stage ends, as share
of 1.5 GiB: nothing here is asserted (tests/test_memory.py does, with a smaller effort).
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
from night import queue, with_every_wish

import planner

LIMIT_MIB = 1536
COUNTS = (100,)


def held_mib():
    """Return the most that this process has held."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def stages(count, wishes, effort):
    """Plan one night, audit and write it, and print what was held when each stage was over."""
    begun = time.perf_counter()
    before = ["Imports"]

    def told(stage):
        name = stage.split(":")[0]
        if name != before[0]:
            share = held_mib() / LIMIT_MIB
            seconds = time.perf_counter() - begun
            print(f"  {held_mib():6.0f} MiB {share:5.2f} {seconds:6.1f} s  {before[0]}", flush=True)
            before[0] = name

    scenario = queue(count)
    scenario = with_every_wish(scenario) if wishes else scenario
    scenario = scenario.model_copy(
        update={"effort": scenario.effort.model_copy(update={"deterministic": effort})}
    )
    night = planner.plan_night(scenario, tell=told)
    told("Report, tables and figures")
    with tempfile.TemporaryDirectory() as folder:
        planner.write_night(night, Path(folder) / "plan")
    told("over")


def main(counts):
    """One process a queue."""
    for count in counts:
        for wishes in ("plain", "wishes"):
            print(f"{count} requests{', every wish at once' if wishes == 'wishes' else ''}", flush=True)
            subprocess.run([sys.executable, __file__, str(count), wishes, "40"], check=True)


if __name__ == "__main__":
    if sys.argv[2:3] in (["plain"], ["wishes"]):
        stages(int(sys.argv[1]), sys.argv[2] == "wishes", float(sys.argv[3]))
    else:
        main([int(word) for word in sys.argv[1:]] or COUNTS)
