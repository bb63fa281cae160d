"""Judge control points while the run goes on: does nominal still look as it did at the first."""

from collections.abc import Sequence

from cornerrun.plan.model import Plan
from cornerrun.results.control import ControlPoint, control_points
from cornerrun.results.records import VisitRecord

__all__ = ["Controls"]


class Controls:
    """Keep what a control point is judged by: the first good one of each corner, and the visits since the last.

    The judgement itself is that of the reports (`cornerrun.results.control`), on a window of the records, so that a
    long run does not judge its beginning again and again.
    """

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._first: dict[str, VisitRecord] = {}
        self._block: list[VisitRecord] = []

    def add(self, record: VisitRecord) -> None:
        """Take a visit that is no control point."""
        self._block.append(record)

    def recall(self, records: Sequence[VisitRecord]) -> bool:
        """Take the visits of a run that goes on; tell whether a good control point is among them."""
        has_good = False
        for record in records:
            if record.visit.is_control:
                point = self.judge(record)
                has_good = has_good or (point is not None and point.is_good)
            else:
                self.add(record)
        return has_good

    def judge(self, record: VisitRecord) -> ControlPoint | None:
        """Judge a control point; None if it was broken off and shows nothing."""
        points = control_points(self._plan, (*self._first.values(), *self._block, record))
        if not points or points[-1].visit != record.visit.ordinal:
            return None
        self._block.clear()
        if points[-1].is_good:
            self._first.setdefault(record.visit.corner, record)
        return points[-1]
