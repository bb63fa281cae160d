"""In which order the corners of one sweep are visited: as written, fastest, shuffled, or in balanced blocks.

Where a plan does not say, its schemes follow each other as written, and so do named corners and the levels of all
rails, since whoever wrote them one after another may mean that; the corners of every other scheme go fastest.

The fastest order confounds level with drift: what grows warm meanwhile looks like what came last. Shuffled and blocked
orders are against that (common practice, no source); each sweep is drawn anew.
"""

from collections import Counter
from collections.abc import Sequence
from hashlib import sha256
from itertools import groupby

import numpy as np

from cornerrun.corners.model import Corner
from cornerrun.corners.route import Ground, cheapest
from cornerrun.corners.way_costs import WayCosts
from cornerrun.plan.model import Plan

__all__ = ["Arranging"]

_AS_WRITTEN = ("named", "all_rails")  # these a person has written one after another
_BLOCK = 10  # chosen: visits of a block where no control points say how many


class Arranging:
    """Arrange sweeps as a plan's ``order`` asks; draws come from the plan's seed, else from the run's."""

    def __init__(self, plan: Plan, *, seed: int) -> None:
        self._order = plan.corners.order
        self._every = plan.corners.control_points.every
        self._seed = seed if plan.corners.seed is None else plan.corners.seed
        self._costs = WayCosts(plan)

    @property
    def is_drawn(self) -> bool:
        """Whether a seed decides the order."""
        return self._order in ("shuffled", "blocked")

    def sweep(self, corners: Sequence[Corner], *, repeat: int, done: int) -> tuple[Corner, ...]:
        """Arrange the corners of a sweep; ``done`` visits that are no control points lie before it."""
        if self._order == "shuffled":
            return self._shuffled(corners, repeat)
        if self._order == "blocked":
            return self._blocked(self._shuffled(corners, repeat), done)
        if self._order == "as written":
            return tuple(corners)
        return self._fastest(corners, done, by_scheme=self._order is None)

    def _shuffled(self, corners: Sequence[Corner], repeat: int) -> tuple[Corner, ...]:
        """Sort by a hash of name and seed: no library's next version can draw otherwise."""
        return tuple(sorted(corners, key=lambda one: sha256(f"{self._seed}/{repeat}/{one.name}".encode()).digest()))

    def _blocked(self, corners: Sequence[Corner], done: int) -> tuple[Corner, ...]:
        """Deal corners into the blocks between control points so that each block has its share of every level."""
        size = self._every or _BLOCK
        rooms = [min(size - done % size, len(corners))]
        while sum(rooms) < len(corners):
            rooms.append(min(size, len(corners) - sum(rooms)))
        totals = Counter(item for corner in corners for item in corner.levels)
        blocks: list[list[Corner]] = [[] for _ in rooms]
        counts: list[Counter[object]] = [Counter() for _ in rooms]

        def excess(place: int, corner: Corner) -> float:
            """Tell how far a block would be from its share of the corner's levels."""
            share = rooms[place] / len(corners)
            return sum((counts[place][item] + 1 - totals[item] * share) / totals[item] for item in corner.levels)

        for corner in corners:
            free = [place for place, block in enumerate(blocks) if len(block) < rooms[place]]
            place = min(free, key=lambda place: (excess(place, corner), place))
            blocks[place].append(corner)
            counts[place].update(corner.levels)
        return tuple(corner for block in blocks for corner in block)

    def _fastest(self, corners: Sequence[Corner], done: int, *, by_scheme: bool) -> tuple[Corner, ...]:
        """Put all corners, or those of each scheme, in the order that costs least from and to what lies around them."""
        if not corners:
            return ()
        ways = self._costs.between(corners)
        homes = [self._every is not None and (done + place + 1) % self._every == 0 for place in range(len(corners))]
        order: list[int] = []
        for scheme, piece in groupby(range(len(corners)), key=lambda at: corners[at].scheme if by_scheme else ""):
            places = list(piece)
            if scheme not in _AS_WRITTEN:
                first, after = places[0], places[-1] + 1
                from_last = not order or homes[first - 1]
                to_home = after == len(corners) or homes[after - 1]
                ground = Ground(
                    costs=np.ascontiguousarray(ways.between[np.ix_(places, places)]),
                    home_out=ways.from_nominal[places],
                    home_in=ways.to_nominal[places],
                    by_home=homes[first:after],
                    start=None if from_last else ways.between[order[-1], places],
                    end=None if to_home else ways.between[places, after],
                )
                places = [places[at] for at in cheapest(ground)]
            order += places
        return tuple(corners[place] for place in order)
