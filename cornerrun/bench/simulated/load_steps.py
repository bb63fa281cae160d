"""Steps of a load current, by check or by time."""

from cornerrun.bench.simulated.load_current import LoadCurrent
from cornerrun.bench.simulated.physics_settings import LoadStep
from cornerrun.bench.simulated.stage import Stage
from cornerrun.bench.simulated.timeline import Timeline

__all__ = ["plant_load_step"]


def plant_load_step(
    step: LoadStep, source: str, load: LoadCurrent, *, timeline: Timeline, start_s: float, stage: Stage
) -> None:
    """Have a load draw a step's current whenever the step is on; ``source`` tells this step from others."""

    def draw(at_s: float, *, is_on: bool) -> None:
        load.draw(source, step.current if is_on else 0.0, at_s, rise_s=step.rise)

    if step.check is not None:
        was_on = False

        def follow(at_s: float) -> None:
            nonlocal was_on
            is_on = stage.check == step.check
            if is_on is not was_on:
                was_on = is_on
                draw(at_s, is_on=is_on)

        stage.on_check(follow)
        return

    def begin(at_s: float) -> None:
        draw(at_s, is_on=True)
        if step.lasts is not None:
            timeline.at(at_s + step.lasts, end)
        if step.every is not None:
            timeline.at(at_s + step.every, begin)

    def end(at_s: float) -> None:
        draw(at_s, is_on=False)

    timeline.at(start_s + (step.at or 0.0), begin)
