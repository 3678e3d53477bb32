"""True-scale sheet-metal patterns from photos with a printed target in view.

The package reads in the order the data flows: ``photo`` -> ``sighting`` (where the
printed ``sheets`` lie in the photo) -> ``camera`` -> ``tracing`` -> ``curves`` ->
``pattern`` -> ``files``.  ``job`` strings the steps together; ``cli`` is the only
place that prints.
"""

__version__ = "0.1.0"
