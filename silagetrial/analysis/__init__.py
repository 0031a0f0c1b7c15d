"""From a trial to the answers its design supports."""

from silagetrial.analysis.analyse import analyse
from silagetrial.analysis.model import ModelChoice, choose_model
from silagetrial.analysis.results import Analysis, ResponseAnalysis

__all__ = ["Analysis", "ModelChoice", "ResponseAnalysis", "analyse", "choose_model"]
