"""From what was seen and measured to how fine, how often and why. ``answer`` is the only way in."""

from eavefall_model.advice.assess import OfficeSettings, answer
from eavefall_model.advice.schema import Advice
from eavefall_model.house.tree_kinds import kinds_of

__all__ = ["Advice", "OfficeSettings", "answer", "kinds_of"]
