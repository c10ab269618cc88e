"""Which tagger answers: candidates that passed their gate, the one in use, and the way back.

``models/`` in the data directory holds one folder for each model, named by the fingerprint of its files, and
``log.jsonl``, to which every promotion and roll-back adds a line. The last line decides; nothing is deleted.
The model that came with the package is always there under the name ``packaged``.
"""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from eavefall_model.errors import ServiceError
from eavefall_model.tags.folder import GATE_FILE, PACKAGED, fingerprint
from eavefall_service.storage.clock import now_text


@dataclass(frozen=True)
class Change:
    """One line of the log: from ``at`` on, ``model`` answers. ``gate`` sums up the report it passed by."""

    at: str
    who: str
    action: Literal["promoted", "rolled back"]
    model: str
    before: str
    gate: dict[str, Any]


class Registry:
    """The models of one data directory.

    Parameters
    ----------
    data : Path
        The data directory; ``models`` in it is made when something is first promoted.
    """

    def __init__(self, data: Path) -> None:
        self.root = data / "models"

    def history(self) -> list[Change]:
        """Every change, oldest first. A last line that a crash cut short is left out."""
        log = self.root / "log.jsonl"
        changes = []
        for line in log.read_text(encoding="utf-8").splitlines() if log.exists() else ():
            try:
                changes.append(Change(**json.loads(line)))
            except (json.JSONDecodeError, TypeError):
                continue
        return changes

    def current(self) -> str:
        """Name of the model in use."""
        changes = self.history()
        return changes[-1].model if changes else PACKAGED

    def folder(self, model: str | None = None) -> Path | None:
        """Folder of a model's files, by default of the one in use; None for the packaged one."""
        name = self.current() if model is None else model
        if name == PACKAGED:
            return None
        path = self.root / name
        if not path.is_dir():
            raise ServiceError("model-unknown", f"There is no model {name} in {self.root}.")
        return path

    def promote(self, candidate: Path, who: str) -> Change:
        """Copy a candidate in and let it answer.

        The folder holds the candidate's files and the ``gate.json`` that the gate wrote beside them. Raises
        ``model-refused`` where the report is missing, did not pass, is about other files, or compared with
        another model than the one in use.
        """
        report = candidate / GATE_FILE
        if not report.is_file():
            raise ServiceError(
                "model-refused", f"{candidate} has no {GATE_FILE}.", "Run eavefall-training gate on it first."
            )
        gate = json.loads(report.read_text(encoding="utf-8"))
        name = fingerprint(candidate)
        if gate.get("candidate") != name:
            raise ServiceError(
                "model-refused", "The gate's report is about other files.", "Run the gate again."
            )
        if gate.get("passed") is not True:
            raise ServiceError(
                "model-refused", f"The candidate did not pass: {gate.get('why', 'no reason given')}"
            )
        current = self.current()
        if gate.get("current") != current:
            raise ServiceError(
                "model-refused",
                f"The gate compared with {gate.get('current')}, but {current} is in use.",
                "Run the gate against the model in use.",
            )
        place = self.root / name
        if not place.exists():
            self.root.mkdir(parents=True, exist_ok=True, mode=0o700)
            unfinished = self.root / f".{name}.unfinished"
            shutil.rmtree(unfinished, ignore_errors=True)
            shutil.copytree(candidate, unfinished)
            unfinished.rename(place)
        short = {
            key: gate[key] for key in ("n", "candidate_score", "current_score", "p_value") if key in gate
        }
        return self._change(Change(now_text(), who, "promoted", name, current, short))

    def roll_back(self, who: str) -> Change:
        """Let the model answer that answered before the one in use; again and again leads to ``packaged``."""
        stack: list[str] = []
        for change in self.history():
            if change.action == "promoted":
                stack.append(change.before)
            elif stack:
                stack.pop()
        if not stack:
            raise ServiceError("model-unknown", "There is no earlier model to go back to.")
        self.folder(stack[-1])
        return self._change(Change(now_text(), who, "rolled back", stack[-1], self.current(), {}))

    def _change(self, change: Change) -> Change:
        with (self.root / "log.jsonl").open("a", encoding="utf-8") as log:
            log.write(json.dumps(asdict(change), sort_keys=True) + "\n")
            log.flush()
            os.fsync(log.fileno())
        return change
