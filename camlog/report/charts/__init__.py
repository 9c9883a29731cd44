"""The charts of a report, one question per module. A module in this folder registers its charts
(`camlog.report.chart.chart_kind`) and is found by itself."""

import importlib
import pkgutil

for _module in pkgutil.iter_modules(__path__):
    importlib.import_module(f"{__name__}.{_module.name}")
