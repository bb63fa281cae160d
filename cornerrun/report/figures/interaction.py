"""Which rail moves which: one square a pair, as large as the share of the step that the other rail took."""

from collections.abc import Sequence

from cornerrun.plan.model import Plan
from cornerrun.report.drawing import Box, Drawing, Ink, Label, Line, Shape, shortened, text_width
from cornerrun.results.records import ProofStep

__all__ = ["interaction_matrix"]

_FULL = 0.1  # chosen: a tenth of the step fills a cell; what matters lies below
_LEAST = 0.0005  # chosen: half a per mille of a step is below the noise of most telemetry


def interaction_matrix(plan: Plan, proof: Sequence[ProofStep]) -> Drawing | None:
    """Draw the matrix from the wiring proof, a row a rail that was stepped; None without a proof."""
    steps = [step for step in proof if step.readings]
    if not steps:
        return None
    columns = [rail.name for rail in plan.rails if any(rail.name in step.coupling() for step in steps)]
    pitch = min(30.0, max(13.0, 640.0 / max(len(columns), 1)))
    names = [shortened(name, 24) for name in columns]
    left = 20 + max(text_width(shortened(step.rail, 24), 10) for step in steps)
    top = 30 + max((text_width(name, 10) for name in names), default=0.0)
    shapes: list[Shape] = [Label(x=left, y=14, text="moved along, as a share of the step", size=10.5, ink=Ink.SOFT)]
    for column, name in enumerate(names):
        shapes.append(Label(x=left + (column + 0.5) * pitch + 3.5, y=top - 5, text=name, size=10, is_upright=True))
    for row, step in enumerate(steps):
        y = top + row * pitch
        shapes.append(Label(x=left - 6, y=y + pitch / 2 + 4, text=shortened(step.rail, 24), size=10, anchor="end"))
        shapes.append(
            Line(points=((left, y), (left + pitch * len(columns), y)), stroke=Ink.RULE, width=0.5),
        )
        coupling = step.coupling()
        for column, name in enumerate(columns):
            if name in coupling:
                shapes.extend(_cell(step, name, coupling[name], (left + column * pitch, y), pitch))
    return Drawing(
        width=max(left + pitch * len(columns) + 20, 320),
        height=top + pitch * len(steps) + 12,
        shapes=tuple(shapes),
        title="Interaction",
        about=f"How far {len(columns)} rails moved while each of {len(steps)} was stepped alone",
    )


def _cell(step: ProofStep, name: str, share: float, corner: tuple[float, float], pitch: float) -> tuple[Shape, ...]:
    size = max(0.0, min(1.0, (abs(share) / _FULL) ** 0.5)) * (pitch - 3)
    hint = f"{name[:100]} moved {100 * share:+.3f} % of the step of {step.rail[:100]}"
    middle_x, middle_y = corner[0] + pitch / 2, corner[1] + pitch / 2
    if name == step.rail:
        return (Box(x=middle_x - size / 2, y=middle_y - size / 2, width=size, height=size, stroke=Ink.INK, hint=hint),)
    if abs(share) < _LEAST:
        return ()
    ink = Ink.HIGH if share > 0 else Ink.LOW
    return (
        Box(x=middle_x - size / 2, y=middle_y - size / 2, width=size, height=size, fill=ink, hint=hint),
        *(
            # A rail that goes the other way carries a stroke: colour alone would not tell it.
            [Line(points=((middle_x - 3, middle_y), (middle_x + 3, middle_y)), stroke=Ink.GROUND, width=1.5)]
            if share < 0
            else []
        ),
    )
