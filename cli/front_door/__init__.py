"""plugface: which controller is on these photos: family, variant, partner, and how sure one may be.

    >>> import plugface
    >>> catalogue = plugface.load_catalogue("training_data_demo/marrow_finch")
    >>> answer = plugface.analyse(["front.jpg", "back.jpg"], catalogue)
    >>> answer.decision.verdict, answer.decision.families

Everything is imported when it is first asked for, so that rules can be used without the networks.
"""

from importlib import import_module

#: Name -> where it lives.
_DOORS = {
    "Answer": "plugface.analysis",
    "Catalogue": "plugface.models.catalogue.entries",
    "CatalogueError": "plugface.models.catalogue.entries",
    "Costs": "plugface.models.decision.costs",
    "Decision": "plugface.models.decision.answers",
    "Model": "plugface.models.learning.classifier",
    "Needs": "plugface.models.decision.pairing",
    "Observations": "plugface.vision.observations",
    "Opinion": "plugface.models.decision.opinion",
    "Settings": "plugface.analysis",
    "SeveralUnits": "plugface.models.unit_choice",
    "UnreadablePhoto": "plugface.vision.photo",
    "VisionModels": "plugface.vision.vision_models",
    "analyse": "plugface.analysis",
    "decide_observed": "plugface.analysis",
    "default_models": "plugface.vision.vision_models",
    "load_catalogue": "plugface.models.catalogue.entries",
    "load_model": "plugface.models.learning.classifier",
    "observe": "plugface.analysis",
    "open_photo": "plugface.analysis",
    "read_answer": "plugface.codec",
    "read_observations": "plugface.codec",
    "write_answer": "plugface.codec",
    "write_observations": "plugface.codec",
}

__all__ = [*_DOORS]


def __getattr__(name: str):
    if name not in _DOORS:
        raise AttributeError(f"module 'plugface' has no attribute '{name}'")
    return getattr(import_module(_DOORS[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
