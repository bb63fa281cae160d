"""How outcomes look in a terminal: a shape and a word, so that colour is never needed."""

from cornerrun.results.records import Outcome

__all__ = ["outcome_text"]

_PASS, _PRODUCT, _BENCH, _NONE = "●", "▲", "◆", "○"


def outcome_text(outcome: Outcome) -> str:
    """Write an outcome: ● passed, ▲ the product failed, ◆ the bench could not tell, ○ not done."""
    if outcome is Outcome.PASS:
        shape = _PASS
    elif outcome.is_product_failure:
        shape = _PRODUCT
    elif outcome.is_bench_trouble:
        shape = _BENCH
    else:
        shape = _NONE
    return f"{shape} {outcome}"
