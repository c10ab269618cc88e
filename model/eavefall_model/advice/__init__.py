"""From what was seen and measured to how fine, how often and why. ``answer`` is the only way in."""

from eavefall_model.advice.assess import OfficeSettings, answer
from eavefall_model.advice.evidence import kinds_of
from eavefall_model.advice.schema import Advice

__all__ = ["Advice", "OfficeSettings", "answer", "kinds_of"]
