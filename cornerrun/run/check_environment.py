"""What a command is told of its corner: environment variables.

============================  =====================================================================
CORNERRUN_CHECK               the check's name
CORNERRUN_CORNER              the corner's name
CORNERRUN_VISIT, _TRIAL       numbers, from 0
CORNERRUN_SEED                of the run
CORNERRUN_SERIAL              of the unit, as text
CORNERRUN_DIRECTORY           where the plan lies
CORNERRUN_LEVEL_<RAIL>        the rail's level: nominal, high, low...
CORNERRUN_VOLTS_<RAIL>        the most trusted voltage at hand: meter, else telemetry, else setpoint, else target
CORNERRUN_TARGET_<RAIL>       in volts; likewise SETPOINT, TELEMETRY, REFERENCE where they are known
CORNERRUN_CONDITION_<NAME>    the value of a condition in SI units
CORNERRUN_UNIT_<COLUMN>       this unit's row of the units file
CORNERRUN_SETTING_<KEY>       what the plan hands to this check
CORNERRUN_BOARD_<KEY>         what a simulated bench tells of its board
============================  =====================================================================

Names are in capitals, with every character that is neither letter nor digit turned into an underscore.
"""

import re
from collections.abc import Mapping

from cornerrun.run.view import CheckView

__all__ = ["environment"]

_LONGEST = 100_000  # Linux takes 128 KiB for one string of the environment (execve(2), MAX_ARG_STRLEN)


def environment(view: CheckView) -> Mapping[str, str]:
    """Tell the variables of a trial."""
    found = {
        "CHECK": view.check,
        "CORNER": view.corner,
        "VISIT": str(view.visit),
        "TRIAL": str(view.trial),
        "SEED": str(view.seed),
        "SERIAL": view.serial,
        "DIRECTORY": str(view.directory),
    }
    found |= {f"LEVEL_{rail}": level for rail, level in view.levels.items()}
    for rail, reading in view.readings.items():
        voltages_v = {
            "VOLTS": reading.best_v,
            "TARGET": reading.target_v,
            "SETPOINT": reading.setpoint_v,
            "TELEMETRY": reading.telemetry_v,
            "REFERENCE": reading.reference_v,
        }
        found |= {f"{kind}_{rail}": repr(value) for kind, value in voltages_v.items() if value is not None}
    found |= {f"CONDITION_{name}": repr(value) for name, value in view.conditions.items()}
    found |= {f"UNIT_{name}": value for name, value in view.unit.items()}
    found |= {f"SETTING_{name}": value for name, value in view.settings.items()}
    found |= {f"BOARD_{name}": value for name, value in view.board.items()}
    return {f"CORNERRUN_{_name(key)}": _value(value) for key, value in found.items()}


def _name(key: str) -> str:
    return re.sub(r"[^A-Za-z0-9]", "_", key).upper()


def _value(text: str) -> str:
    return text.replace("\0", " ")[:_LONGEST].encode("utf-8", "replace").decode()
