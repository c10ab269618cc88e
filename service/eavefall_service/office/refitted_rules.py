"""Accepted factors written into a copy of the rules: the two judgements that set how long things last.

Months until an open gutter needs cleaning grow in proportion to how full it may get (``fill_share``); months
until a woven screen needs brushing, to the litter that covers it (``blinding_load_kg_m2``). A factor accepted
for either is therefore a factor on that judgement. Other guards share both, and are left alone.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from eavefall_model.errors import RulesError
from eavefall_service.storage.statistics_rows import ScaleRow

# Guard kind -> the setting that its factor moves, and what it is called.
JUDGEMENT_OF: Final = {
    "none": ("fill_share", "Share of the gutter that is full when cleaning is due"),
    "woven_micromesh": ("blinding_load_kg_m2", "Litter that covers a screen, kilograms on a square meter"),
}


def refitted_rules(text: str, accepted: Mapping[str, ScaleRow]) -> tuple[str, list[str]]:
    """The rules with refitted judgements, and a sentence for each change.

    Each changed line says in its ``why`` what it was, how many outcomes moved it, from which prior to which
    posterior, and who accepted it. Raises ``rules-invalid`` where a judgement is not found in ``text``.
    """
    changes = []
    for guard, (name, called) in JUDGEMENT_OF.items():
        row = accepted.get(guard)
        if row is None:
            continue
        line = re.compile(
            rf'^(?P<head>\s*{name}: \{{value: )(?P<value>[0-9.]+)(?P<middle>,.*why: ")(?P<why>.*)"\}}\s*$',
            re.M,
        )
        found = line.search(text)
        if found is None:
            raise RulesError("rules-invalid", f"The rules have no line for {name} of the usual shape.")
        value = float(found["value"]) * row.factor
        prior, posterior = row.update["prior"], row.update["posterior"]
        told = (
            f"was {found['value']}; {row.update['n']} outcomes, factor {prior[1]:.2f} ({prior[0]:.2f} to "
            f"{prior[2]:.2f}) to {posterior[1]:.2f} ({posterior[0]:.2f} to {posterior[2]:.2f}), accepted by "
            f"{row.accepted_by} on {row.accepted_at[:10]}"
        )
        why = f"{found['why']} Refitted: {told.replace(chr(34), '')}."
        new = f'{found["head"]}{value:.4g}{found["middle"]}{why}"}}'
        text = text[: found.start()] + new + text[found.end() :]
        changes.append(f"{called}: {value:.4g}, {told}.")
    return text, changes
